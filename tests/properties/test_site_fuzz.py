"""Whatever bytes come as a site file, a point map or a reviews file: a site, or SiteError. Never anything else."""

from __future__ import annotations

import contextlib
import json
import random
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.errors import SiteError
from harness.site.fields import PLACE_NAMES
from harness.site.link_fields import LINK
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, read_site
from harness.site.reviews import parse_reviews
from harness.site.yaml_nodes import SITE_BYTES_MAX

HEAD = """site: s
controller: {name: c}
links:
  bms: {modbus-tcp: h, numbering: reference, poll every: 100 ms}
alarms:
  a.high: {text: A HIGH, side effects: none}
"""


@cache
def files_of(profile: str) -> dict[str, bytes]:
    return dict(gather(profiles_folder() / profile / "site.yaml").files)


def read(files: dict[str, bytes]) -> None:
    with contextlib.suppress(SiteError):
        read_site(files, "site.yaml")


@given(st.binary(max_size=400))
def test_bytes_as_a_site_file(data: bytes) -> None:
    read({"site.yaml": data})


@given(st.text(alphabet=" \n\t:-{}[]'\"#&*!|>%@`,?ab0.", max_size=200))
def test_punctuation_as_a_site_file(text: str) -> None:
    read({"site.yaml": text.encode()})


@given(st.text(alphabet=" \n\t:-{}[]'\"#&*!|>%@`,?ab0.", max_size=60))
def test_punctuation_as_any_part(text: str) -> None:
    read({"site.yaml": (HEAD + f"points: {text}").encode()})
    read({"site.yaml": HEAD.replace("A HIGH", text).encode()})


@given(st.binary(max_size=400))
def test_bytes_as_a_point_map(data: bytes) -> None:
    for name in ("p.csv", "p.xlsx"):
        read({"site.yaml": (HEAD + f"points: {name}\n").encode(), name: data})
        read({"site.yaml": (HEAD + f"points: {name}\n").encode(), name: b"PK\x03\x04" + data})


@given(st.lists(st.lists(st.text(max_size=12), max_size=6), max_size=6), st.sampled_from(",;\t"))
def test_any_cells_as_a_point_map(rows: list[list[str]], separator: str) -> None:
    header = ["alarm", "link", "address", "behaviour", "on when", "scale"]
    text = "\n".join(separator.join(row) for row in [header, *rows])
    read({"site.yaml": (HEAD + "points: p.csv\n").encode(), "p.csv": text.encode("utf-8", "replace")})


@given(st.dictionaries(st.sampled_from(["raised", "cleared", "acknowledged", "printed time"]), st.text(max_size=30)))
def test_any_pattern(patterns: dict[str, str]) -> None:
    lines = "".join(f"    {name}: '{text.replace(chr(39), chr(39) * 2)}'\n" for name, text in patterns.items())
    head = HEAD.replace("alarms:", f"  log:\n    text+tcp: h:1\n{lines}alarms:")
    read({"site.yaml": (head + "points:\n  - {alarm: a.high, link: log, behaviour: pulse}\n").encode()})


LINKS = """  b: {bacnet: h, device: 1, poll every: 1 s}
  m: {mqtt: h}
  p: {person: door, reaction within: 1 s}
  r: {modbus-rtu: COM3, numbering: from-0, poll every: 1 s}
loops:
  l: {link: r, address: input register 1, raw at 4 mA: 1, raw at 20 mA: 2, input from: 0 mA, input to: 24 mA}
"""
FIELDS = sorted(set(PLACE_NAMES) | {"link", "point", "behaviour", "appears within", "visible for"})
WORDS = st.one_of(
    st.sampled_from(["b", "m", "p", "r", "l", "bms", "BI 1", "AI {code}", "cov", "event", "fault", "lamp", "text",
                     "set", "above 1", "failure high", "10001", "coil 1", "a/{name}", "/x", "u16", "follows", "quiet",
                     "1 s"]),
    st.text(max_size=12),
)  # fmt: skip


@given(st.lists(st.dictionaries(st.sampled_from(FIELDS), WORDS, max_size=7), max_size=4))
@settings(max_examples=300, deadline=None)
def test_any_fields_of_rows_of_every_kind_of_link(rows: list[dict[str, str]]) -> None:
    head = HEAD.replace("alarms:", f"{LINKS}alarms:").replace("side effects", "code: 3, side effects")
    listed = json.dumps([{"alarm": "a.high", "behaviour": "follows", **row} for row in rows], ensure_ascii=True)
    read({"site.yaml": f"{head}points: {listed}\n".encode()})


@given(st.dictionaries(st.sampled_from(LINK.names()), WORDS, max_size=8))
@settings(max_examples=300, deadline=None)
def test_any_fields_of_a_link(fields: dict[str, str]) -> None:
    head = HEAD.replace("alarms:", f"  x: {json.dumps(fields)}\nalarms:")
    row = "{alarm: a.high, link: x, address: '1', behaviour: follows}"
    read({"site.yaml": f"{head}points:\n  - {row}\n".encode()})


@pytest.mark.parametrize("profile", ["demo", "template", "spreadsheet"])
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_damaged_profiles(profile: str, seed: int) -> None:
    """Bytes of a good file changed, left out and doubled."""
    chance = random.Random(seed)
    files = files_of(profile)
    name = chance.choice(sorted(files))
    data = bytearray(files[name])
    for _ in range(chance.randint(1, 8)):
        at = chance.randrange(len(data))
        match chance.randrange(3):
            case 0:
                data[at] = chance.randrange(256)
            case 1:
                del data[at : at + chance.randint(1, 20)]
            case _:
                data[at:at] = data[at : at + chance.randint(1, 20)]
    read({**files, name: bytes(data)})


@given(st.binary(max_size=200))
def test_bytes_as_a_reviews_file(data: bytes) -> None:
    with contextlib.suppress(SiteError):
        parse_reviews(data, "reviews.yaml")


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000,
        "{" * 100_000,
        "- " * 100_000,
        "? " * 50_000,
        "a: " + "'" * 99_999,
        "a: &x [" + "*x, " * 10_000 + "]",
        "? [" * 50_000,
        "a:\n " + "- b\n " * 200_000,
        "\n".join(f"k{i}: v" for i in range(60_000)),
        "a: |\n" + "  x\n" * 200_000,
        "\ufeff" * 10,
        "a: " + "x" * 900_000,
        "&a " * 10_000,
        "!" * 10_000,
        "%YAML 9.9\n---\na: b",
    ],
    ids=lambda text: repr(text[:8]),
)
def test_files_made_to_hurt(text: str) -> None:
    assert len(text.encode()) <= SITE_BYTES_MAX
    with pytest.raises(SiteError):
        read_site({"site.yaml": text.encode()}, "site.yaml")
