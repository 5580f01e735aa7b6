"""Valid files broken at random in up to five places: every break is reported at its own line, and nothing else is.

The breaks are drawn by Hypothesis from tables of what people do wrong; each changes one line and adds none.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.errors import SiteError
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, read_site

PROFILES = ("demo", "template")


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """One way to spoil a line: where it fits, and what it makes of the line."""

    name: str
    fits: re.Pattern[str]
    spoil: Callable[[re.Match[str]], str]


def swap(name: str, pattern: str, by: str) -> Break:
    """Replace the group ``it`` of the pattern by a text."""

    def spoil(found: re.Match[str]) -> str:
        start, end = found.span("it")
        return found.string[:start] + by + found.string[end:]

    return Break(name=name, fits=re.compile(pattern), spoil=spoil)


KEYS = (
    "poll every|timeout|longest delay|appears within|gone within|search|settle|shortest leak|shortest on|shortest off"
)
YAML_BREAKS = (
    swap("no unit", rf"^ +(?:{KEYS}): [0-9.]+(?P<it> (?:ms|s))\b", ""),
    swap("no number", rf"^ +(?:{KEYS}): (?P<it>[0-9.]+) (?:ms|s)\b", "soon"),
    swap(
        "field misspelt",
        r"^ +(?P<it>poll every|numbering|encoding|class|priority|safeguard|hazard|side effects):",
        "x{}y",
    ),
    swap("class", r"^ +class: (?P<it>alarm|fault)", "alram"),
    swap("numbering", r"^ +numbering: (?P<it>\S+)", "from-two"),
    swap("port", r"^ +(?:modbus-tcp|modbus-rtu\+tcp|text\+tcp|bacnet|mqtt): [0-9.]+:(?P<it>\d+)", "70000"),
    swap("line end", r"^ +line end: (?P<it>\w+)", "newline"),
    swap("yes or no", r"^ +promises every change: (?P<it>\w+)", "perhaps"),
    swap("priority", r"^ +priority: (?P<it>\d+)", "high"),
    swap("side effect", r"^ +side effects: (?P<it>[a-z]+-[a-z-]+)$", "melts-the-pump"),
    swap("also raises", r"^ +also raises: (?P<it>\S+)$", "bulk-z.high"),
    swap("reference", r"^ +reference: (?P<it>panel):", "pannel"),
    swap("lasts", r"^ +lasts: .*(?P<it>\+/-)", "or"),
    swap("second colon", r"^ +(?:title|text|name|hazard): (?P<it>)", "one: two: "),
    swap("tab", r"^(?P<it> +)(?:text|priority|unit|hazard): ", "\t\t"),
    swap("open bracket", r"^ +(?:text|hazard|safeguard|encoding): (?P<it>)", "[ "),
    swap("open quote", r"^ +(?:text|hazard|safeguard): (?P<it>)", "'"),
    swap("object type", r"object: '?(?P<it>binary-input|BI|MSV|analog-input)", "Schedule"),
    swap("object instance", r"object: [A-Za-z-]+ (?P<it>[0-9]+)", "4194303"),
    swap("arrival", r"arrives by: (?P<it>cov|event)", "post"),
    swap("placeholder", r"'[^']*\{(?P<it>name|text)\}", "nmae"),
    swap("wildcard", r"topic: '(?P<it>[a-z]+)/", "#"),
    swap("pointer", r"pointer: (?P<it>/)", ""),
    swap("sign", r"sign: (?P<it>lamp|horn|text)", "light"),
    swap("loop name", r"loop: (?P<it>bulk-a|bulk-b|day)\.", "tank-9."),
    swap("no condition", r"loop: [a-z.-]+(?P<it>, on when: [a-z]+ [a-z0-9]+)", ""),
    swap("no object", r"link: building(?P<it>, object: (?:'[^']*'|[A-Za-z-]+ [0-9]+))", ""),
    swap("foreign place", r"link: (?P<it>building|broker|annunciator), (?:object|topic|sign)", "panel"),
    swap("current", r"^ +input (?:from|to): [0-9]+(?P<it> mA)", ""),
    swap("whole seconds", r"^ +(?:cov lifetime|keep alive): (?P<it>[0-9]+) (?:min|s)", "0"),
    swap("mask", r"^ +listen on: [0-9.]+(?P<it>/[0-9]+)", ""),
    swap("device", r"^ +device: (?P<it>[0-9]+)", "many"),
    swap("reaction", r"^ +reaction: [0-9]+ ms (?P<it>to) ", "or"),
    swap("way", r"^ +way: (?P<it>poll)", "listen"),
    swap("raw", r"^ +raw at (?:4|20) mA: (?P<it>[0-9.]+)", "many"),
    swap("tag", r"^ +(?:text|hazard|safeguard): (?P<it>)", "!x "),
)
CSV_BREAKS = (
    swap("alarm", r"^(?P<it>[a-z]+(?:-[a-z])?\.)", "zzz."),
    swap("class", r"^class:(?P<it>\w+)", "wornin"),
    swap("link", r"^[^#,]+,(?P<it>bms|printer|bus|gateway)", "bmz"),
    swap("bit", r"^[^#,]+,bms,[0-9]+\.(?P<it>[0-9]+)", "16"),
    swap("too few digits", r"^[^#,]+,bms,(?P<it>[0-9]{5})", "123"),
    swap("letters", r"^[^#,]+,bms,(?P<it>[0-9]{5})", "1x001"),
    swap("table", r"^[^#,]+,bms,(?P<it>[0-9])[0-9]{4}", "2"),
    swap("behaviour", r"^[^#,]+,[^,]+,[^,]*,[^,]*,[^,]*,(?P<it>[a-z-]+)", "folowz"),
    swap("no behaviour", r"^[^#,]+,[^,]+,[^,]*,[^,]*,[^,]*,(?P<it>[a-z-]+)", ""),
    swap("duration", r"^[^#,]+,[^,]+,[^,]*,[^,]*,[^,]*,follows,(?P<it>[^,]*),", "1"),
    swap("type", r"^[^#,]+,bms,[^,]*,(?P<it>u16),", "u17"),
    swap("on when", r"^[^#,]+,bms,[^,]*,[^,]*,(?P<it>(?:equal|above) [0-9]),", "sometimes"),
    swap("one cell more", r"^[^#,]+,.*(?P<it>)$", ",,,,x"),
    swap("control character", r"^[^#,]+,.*,(?P<it>[^,]*)$", "\x07"),
)


@cache
def valid(profile: str) -> tuple[str, dict[str, tuple[str, ...]]]:
    documents = gather(profiles_folder() / profile / "site.yaml")
    return documents.entry, {name: tuple(data.decode().split("\n")) for name, data in documents.files.items()}


def breaks_of(name: str) -> tuple[Break, ...]:
    return YAML_BREAKS if name.endswith(".yaml") else CSV_BREAKS


def spoilt(kind: Break, line: str) -> str | None:
    """The line with this break in it, or None where it does not fit."""
    found = kind.fits.search(line)
    if found is None:
        return None
    return kind.spoil(found).replace("{}", found["it"])


@cache
def places(profile: str) -> tuple[tuple[str, int, Break], ...]:
    """Every file, line (from 0) and break that fits it."""
    _, files = valid(profile)
    return tuple(
        (name, number, kind)
        for name, lines in files.items()
        for number, line in enumerate(lines)
        for kind in breaks_of(name)
        if not line.lstrip().startswith("#") and not line.startswith("alarm,") and spoilt(kind, line) is not None
    )


def reported(files: Mapping[str, bytes], entry: str) -> set[tuple[str, int]]:
    try:
        read_site(files, entry)
    except SiteError as exc:
        return {(p.origin.file, p.origin.line) for p in exc.problems if p.severity == "error"}
    return set()


def broken(profile: str, chosen: list[tuple[str, int, Break]]) -> tuple[dict[str, bytes], str, set[tuple[str, int]]]:
    entry, files = valid(profile)
    lines = {name: list(text) for name, text in files.items()}
    expected = set()
    for name, number, kind in chosen:
        if (name, number + 1) in expected:
            continue  # one break a line
        lines[name][number] = spoilt(kind, lines[name][number]) or ""
        expected.add((name, number + 1))
    return {name: "\n".join(text).encode() for name, text in lines.items()}, entry, expected


@pytest.mark.parametrize("profile", PROFILES)
def test_every_break_alone(profile: str) -> None:
    """Each kind of break in each of the lines that it fits, one at a time (one line in eleven of those of one kind)."""
    seen: dict[str, int] = {}
    for place in places(profile):
        name, number, kind = place
        seen[kind.name] = seen.get(kind.name, -1) + 1
        if seen[kind.name] % 11:
            continue
        files, entry, expected = broken(profile, [place])
        assert reported(files, entry) == expected, f"{kind.name} in {name}:{number + 1}"


@pytest.mark.parametrize("profile", PROFILES)
@given(data=st.data())
@settings(max_examples=80, deadline=None, derandomize=True)
def test_up_to_five_breaks_at_once(profile: str, data: st.DataObject) -> None:
    """All of them are reported, each at its line."""
    by_kind: dict[str, list[tuple[str, int, Break]]] = {}
    for place in places(profile):
        by_kind.setdefault(f"{place[0]} {place[2].name}", []).append(place)
    kinds = data.draw(st.lists(st.sampled_from(sorted(by_kind)), min_size=1, max_size=5))
    chosen = [data.draw(st.sampled_from(by_kind[kind])) for kind in kinds]
    files, entry, expected = broken(profile, chosen)
    found = reported(files, entry)
    assert expected <= found, f"not reported: {sorted(expected - found)}"
    assert found <= expected, f"reported besides: {sorted(found - expected)}"


def test_every_break_fits_somewhere() -> None:
    used = {kind.name for profile in PROFILES for _, _, kind in places(profile)}
    assert used == {kind.name for kind in (*YAML_BREAKS, *CSV_BREAKS)}


def test_unbroken_files_have_no_errors() -> None:
    for profile in PROFILES:
        files, entry, _ = broken(profile, [])
        assert reported(files, entry) == set()
