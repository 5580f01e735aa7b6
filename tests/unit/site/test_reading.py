"""From documents to a site: what rows spread out to, what wins, what a file may not reach."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.errors import SiteError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import ModbusTcpLink, TextLink
from harness.core.model import Behaviour, Site, Step
from harness.core.places import ModbusPlace, OnWhen, Order, Table, TextPlace, ValueType
from harness.core.writing import WritableRange, Write
from harness.site.reading import gather, load_site, read_site
from harness.site.row_files import is_beside

HEAD = """site: s
controller: {name: c}
links:
  bms: {modbus-tcp: h, numbering: reference, poll every: 100 ms}
  log: {text+tcp: 'h:1', raised: 'ON {text}', cleared: 'OFF {text}', longest delay: 1 s, promises every change: yes}
alarms:
  a.high: {text: A HIGH, tags: [T-1, "00017"], side effects: none}
  a.low: {text: A LOW, side effects: none}
  b.due: {class: warning, side effects: none, text: B DUE}
"""


def site_of(rows: str, head: str = HEAD) -> Site:
    return read_site({"site.yaml": (head + rows).encode()}, "site.yaml")[0]


def points(*rows: str) -> str:
    return "points:\n" + "".join(f"  - {{{row}}}\n" for row in rows)


def test_scalars_stay_what_was_typed() -> None:
    site = site_of(points("alarm: 00017, link: bms, address: 00017, behaviour: follows"))
    (row,) = site.expectations
    assert row.key == "a.high@bms:00017"
    place = site.points["bms:00017"].place
    assert isinstance(place, ModbusPlace)
    assert (place.table, place.address) == (Table.COIL, 16)
    text = HEAD.replace("site: s", "site: on").replace("{name: c}", "{name: 16:00, firmware: 1.10}")
    read = site_of(points("alarm: a.low, link: bms, address: 10001, behaviour: follows"), text)
    assert (read.name, read.controller, read.firmware) == ("on", "16:00", "1.10")


def test_alarms_by_name_text_tag_pattern_and_class() -> None:
    site = site_of(
        points(
            "alarm: A LOW, link: bms, address: 10001, behaviour: follows",
            "alarm: T-1, link: bms, address: 10002, behaviour: follows",
            "alarm: a.*, link: bms, address: 10003, behaviour: follows",
            "alarm: class:warning, link: bms, address: '*', behaviour: quiet",
        )
    )
    assert [row.key for row in site.expectations] == [
        "a.low@bms:10001",
        "a.high@bms:10002",
        "a.high@bms:10003",
        "a.low@bms:10003",
        "b.due@bms:10001",
        "b.due@bms:10002",
        "b.due@bms:10003",
    ]


def test_every_point_is_spread_last_whatever_the_order() -> None:
    site = site_of(
        points(
            "alarm: class:warning, link: bms, address: '*', behaviour: quiet",
            "alarm: a.low, link: bms, address: 10001, behaviour: follows",
        )
    )
    assert {row.key for row in site.expectations} == {"b.due@bms:10001", "a.low@bms:10001"}


def test_a_row_that_names_its_alarm_wins_over_a_pattern() -> None:
    for rows in (("a.*", "a.low"), ("a.low", "a.*")):
        limits = {"a.*": "1 s", "a.low": "5 s"}
        site = site_of(
            points(
                *(
                    f"alarm: {r}, link: bms, address: 10003, behaviour: follows, appears within: {limits[r]}"
                    for r in rows
                )
            )
        )
        found = {row.alarm: row.limits.appears_within_ns for row in site.expectations}
        assert found == {"a.high": 1 * NS_PER_S, "a.low": 5 * NS_PER_S}


def test_register_points() -> None:
    site = site_of(
        points(
            "alarm: a.low, link: bms, address: 40101.3, behaviour: latched, released by: reset",
            "alarm: a.low, link: bms, address: 40102.4-6, on when: = 5, behaviour: follows",
            "alarm: a.low, link: bms, address: 400201, type: f32, word order: little, on when: above 1.5, scale: 0.1, "
            "behaviour: follows, unit: 7",
            "alarm: a.low, link: bms, address: 30001, type: s16, on when: '< -5', behaviour: pulse, point: cold",
        )
    )
    one, two, three, four = (site.points[row.point] for row in site.expectations)
    assert [point.name for point in (one, two, three, four)] == [
        "bms:40101.3",
        "bms:40102.4-6=5",
        "bms/7:40201>1.5",
        "cold",
    ]
    assert two.place == ModbusPlace(
        unit=1,
        table=Table.HOLDING_REGISTER,
        address=101,
        value_type=ValueType.BITS,
        bit=4,
        bit_count=3,
        on_when=OnWhen.EQUAL,
        threshold=5.0,
    )
    assert isinstance(three.place, ModbusPlace)
    assert (three.place.unit, three.place.word_order, three.place.count) == (7, Order.LITTLE, 2)
    assert site.expectations[0].released_by is Step.RESET


@pytest.mark.parametrize(
    ("said", "step"),
    [
        ("behaviour: until-acknowledged, released by: silence", Step.SILENCE),
        ("behaviour: follows, released by: Silence", Step.SILENCE),
        ("behaviour: until-acknowledged, released by: acknowledge", Step.ACKNOWLEDGE),
        ("behaviour: until-acknowledged", Step.ACKNOWLEDGE),
        ("behaviour: latched", Step.ACKNOWLEDGE),
    ],
)
def test_what_releases_a_row(said: str, step: Step) -> None:
    (row,) = site_of(points(f"alarm: a.low, link: bms, address: 00001, {said}")).expectations
    assert row.released_by is step


@pytest.mark.parametrize(
    ("site_says", "alarm_says", "orders"),
    [
        ("", "", (Step.RAISE,)),
        ("", "acknowledge after: clear", (Step.CLEAR,)),
        ("acknowledge after: clear", "", (Step.CLEAR,)),
        ("acknowledge after: [clear, raise]", "", (Step.CLEAR, Step.RAISE)),
        ("acknowledge after: clear", "acknowledge after: raise", (Step.RAISE,)),
        ("acknowledge after: raise, clear, raise", "", (Step.RAISE, Step.CLEAR)),
        ("acknowledge after: raise", "lasts: 2 s", (Step.CLEAR,)),
        ("", "lasts: 2 s", (Step.CLEAR,)),
    ],
)
def test_when_an_alarm_is_acknowledged(site_says: str, alarm_says: str, orders: tuple[Step, ...]) -> None:
    """Its own word stands before that of the site; an alarm that clears by itself is acknowledged after it."""
    alarm = f"  a.low:\n    text: A LOW\n    side effects: none\n    {alarm_says}\n"
    head = HEAD.replace("  a.low: {text: A LOW, side effects: none}\n", alarm)
    site = f"stimulus:\n  {site_says}\n" if site_says else ""
    rows = points("alarm: a.low, link: bms, address: 10003, behaviour: follows")
    assert site_of(site + rows, head).alarms["a.low"].acknowledged_after == orders


def test_text_points_by_template_and_shared() -> None:
    site = site_of(
        points(
            "alarm: 'a.*', link: log, behaviour: follows",
            "alarm: class:warning, link: log, behaviour: pulse, raised: 'BELL', cleared: 'BELL OFF'",
        )
    )
    assert [row.key for row in site.expectations] == ["a.high@log:a.high", "a.low@log:a.low", "b.due@log:b.due"]
    assert site.points["log:a.high"].place == TextPlace(raised="ON A\\ HIGH", cleared="OFF A\\ HIGH")
    assert site.points["log:b.due"].place == TextPlace(raised="BELL", cleared="BELL OFF")


def test_limits_from_row_defaults_and_nothing() -> None:
    head = HEAD + "defaults: {appears within: 2 s, search: 40 s, shortest on: 300 ms}\n"
    site = site_of(
        points(
            "alarm: a.low, link: bms, address: 10001, behaviour: follows, gone within: 1 s, shortest off: 1500 ms",
            "alarm: b.due, link: bms, address: 10001, behaviour: quiet",
        ),
        head,
    )
    loud, quiet = site.expectations
    assert loud.limits.appears_within_ns == 2 * NS_PER_S
    assert loud.limits.search_ns == 40 * NS_PER_S
    assert loud.limits.visible_for_ns is None
    assert quiet.limits.appears_within_ns is None
    hold = site.points["bms:10001"].hold
    assert (hold.on_ns, hold.off_ns, hold.on_declared, hold.off_declared) == (
        300 * NS_PER_MS,
        1500 * NS_PER_MS,
        True,
        True,
    )
    assert any("appears within 2 s" in note for note in site.notes)


def test_a_long_limit_stretches_an_unsaid_search() -> None:
    site = site_of(points("alarm: a.low, link: bms, address: 10001, behaviour: follows, appears within: 2 min"))
    assert site.expectations[0].limits.search_ns == 120 * NS_PER_S


def test_reference_by_address_becomes_a_point_of_its_own() -> None:
    head = HEAD.replace("{text: A LOW,", "{text: A LOW, reference: 'bms:10009',")
    site = site_of(points("alarm: a.low, link: bms, address: 10001, behaviour: follows"), head)
    assert site.alarms["a.low"].reference == "bms:10009"
    assert set(site.points) == {"bms:10001", "bms:10009"}


def test_writes_from_the_stimulus_need_a_code() -> None:
    head = HEAD.replace("{text: A LOW,", "{text: A LOW, code: 7,") + (
        "stimulus:\n  raise: {link: bms, holding register: 40901, values: [{code}, 1]}\n"
        "  clear: {link: bms, holding register: 40901, values: ['{code}', 0]}\n"
        "writable: {link: bms, holding register: 40901-40902}\n"
    )
    site = site_of(points("alarm: a.*, link: bms, address: 10001, behaviour: follows"), head)
    assert site.alarms["a.high"].writes == {}
    written = Write(link="bms", unit=1, table=Table.HOLDING_REGISTER, address=900, values=(7, 1))
    assert site.alarms["a.low"].writes[Step.RAISE] == (written,)
    (allowed,) = site.writable
    assert isinstance(allowed, WritableRange)
    assert (allowed.address, allowed.count) == (900, 2)


def test_links() -> None:
    site = site_of(points("alarm: a.low, link: bms, address: 10001, behaviour: follows"))
    bms, log = site.links["bms"], site.links["log"]
    assert isinstance(bms, ModbusTcpLink)
    assert isinstance(log, TextLink)
    assert (bms.host, bms.port, bms.unit, bms.timeout_ns, bms.in_flight) == ("h", 502, 1, NS_PER_S, 1)
    assert (log.host, log.tcp_port, log.serial, log.longest_delay_ns) == ("h", 1, None, NS_PER_S)


@pytest.mark.parametrize(
    "name",
    ["../p.csv", "/etc/passwd", "C:\\p.csv", "..\\p.csv", "a/../../p.csv", "\\\\host\\p.csv", "c:p.csv", ".", ""],
)
def test_a_site_file_reaches_no_other_folder(name: str, tmp_path: Path) -> None:
    assert not is_beside(name)
    path = tmp_path / "in" / "site.yaml"
    path.parent.mkdir()
    (tmp_path / "p.csv").write_text("alarm,link,address,behaviour\n")
    path.write_text(HEAD + f"points: '{name}'\n")
    assert set(gather(path).files) == {"site.yaml"}
    with pytest.raises(SiteError):
        load_site(path)


def test_map_override(tmp_path: Path) -> None:
    header = "alarm,link,address,behaviour\n"
    (tmp_path / "site.yaml").write_text(HEAD + "points: p.csv\n")
    (tmp_path / "p.csv").write_text(header + "a.low,bms,10001,follows\n")
    other = tmp_path / "corrected.csv"
    other.write_text(header + "a.low,bms,10002,follows\n")
    assert set(load_site(tmp_path / "site.yaml")[0].points) == {"bms:10001"}
    assert set(load_site(tmp_path / "site.yaml", map_override=other)[0].points) == {"bms:10002"}
    (tmp_path / "site.yaml").write_text(HEAD + points("alarm: a.low, link: bms, address: 10001, behaviour: follows"))
    assert set(load_site(tmp_path / "site.yaml", map_override=other)[0].points) == {"bms:10002"}
    (tmp_path / "other").mkdir()
    same_name = tmp_path / "other" / "site.yaml"
    same_name.write_bytes(other.read_bytes())
    documents = gather(tmp_path / "site.yaml", map_override=same_name)
    assert documents.replaces_rows
    assert set(documents.files) == {"site.yaml", "map-site.yaml"}
    assert set(read_site(documents.files, "site.yaml", point_map="map-site.yaml")[0].points) == {"bms:10002"}


@pytest.mark.parametrize("what", ["missing", "folder", "huge"])
def test_site_file_that_cannot_be_read(what: str, tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    if what == "folder":
        path.mkdir()
    elif what == "huge":
        path.write_bytes(b"#" * (1024 * 1024 + 1))
    with pytest.raises(SiteError, match=r"site\.yaml:1: file="):
        load_site(path)


def test_first_point_name_given_later_is_taken_over_by_earlier_rows() -> None:
    site = site_of(
        points(
            "alarm: a.low, link: bms, address: 10001, behaviour: follows",
            "alarm: a.high, link: bms, address: 10001, point: lamp, behaviour: follows",
        )
    )
    assert set(site.points) == {"lamp"}
    assert [row.key for row in site.expectations] == ["a.low@lamp", "a.high@lamp"]
    assert site.points["lamp"].name == "lamp"


def test_a_class_that_may_not_react_and_a_row_that_says_it_does() -> None:
    with pytest.raises(SiteError, match="both cannot hold"):
        site_of(
            points(
                "alarm: b.due, link: bms, address: 10001, behaviour: follows",
                "alarm: class:warning, link: bms, address: '*', behaviour: quiet",
            )
        )


@pytest.mark.parametrize("behaviour", list(Behaviour))
def test_behaviour_is_read_for_each(behaviour: Behaviour) -> None:
    site = site_of(points(f"alarm: a.low, link: bms, address: 10001, behaviour: {behaviour.value}"))
    assert site.expectations[0].behaviour is behaviour
