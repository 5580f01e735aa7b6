"""What rows of each kind are read as: objects, topics, signs and loops, one for all alarms or one for each."""

from __future__ import annotations

import csv
import io

import openpyxl
import pytest

from harness.core.errors import SiteError
from harness.core.instants import NS_PER_S
from harness.core.model import Acknowledgement, Behaviour, Site
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    MqttPlace,
    ObjectPart,
    ObjectType,
    OnWhen,
    PersonPlace,
    Place,
    Sign,
    TextPlace,
    ValueType,
)
from harness.site.describe import describe_point
from harness.site.reading import read_site

HEAD = """site: s
controller: {name: c}
links:
  bms: {modbus-tcp: h, numbering: reference, poll every: 100 ms}
  building: {bacnet: h, device: 7, poll every: 100 ms, longest delay: 100 ms, promises every change: yes}
  broker: {mqtt: h, longest delay: 100 ms, promises every change: yes}
  eyes: {person: door, reaction within: 1 s}
  roof: {person: roof, in sight: no}
loops:
  level: {link: bms, address: 30001, raw at 4 mA: 819, raw at 20 mA: 4095, input from: 0 mA, input to: 24 mA}
  inner: {link: building, object: AI 9, raw at 4 mA: 4, raw at 20 mA: 20, value at 4 mA: 20, value at 20 mA: -20,
          units: C, input from: 0 mA, input to: 24 mA, resolution: 0.01 mA, accuracy: 0.1 mA, persistence: 0 s}
alarms:
  a.low: {text: 'A/LOW+', code: 11, side effects: none}
  a.high: {text: A HIGH, code: 12, side effects: none}
"""


def site_of(*rows: str, head: str = HEAD) -> Site:
    """A site with these rows, each without its braces and behaviour."""
    lines = "".join(f"  - {{behaviour: follows, {row}}}\n" for row in rows)
    return read_site({"site.yaml": f"{head}points:\n{lines}".encode()}, "site.yaml")[0]


def places(*rows: str) -> dict[str, Place]:
    return {name: point.place for name, point in site_of(*rows).points.items()}


@pytest.mark.parametrize(
    "written", ["binary-input 3", "BI 3", "bi3", "BI,3", "'binary-input,3'", "binary input 3", "binaryInput 3", "BI:3"]
)
def test_an_object_in_every_way_of_writing_it(written: str) -> None:
    quoted = written if written.startswith("'") else f"'{written}'"
    expected = BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=3)
    assert places(f"alarm: a.low, link: building, object: {quoted}") == {"building:binary-input 3": expected}


@pytest.mark.parametrize("object_type", list(ObjectType))
def test_every_object_type_by_its_name(object_type: ObjectType) -> None:
    when = "" if object_type.value.startswith("binary") else ", on when: above 1"
    (place,) = places(f"alarm: a.low, link: building, object: {object_type.value} 0{when}").values()
    assert isinstance(place, BacnetPlace)
    assert (place.object_type, place.instance) == (object_type, 0)


def test_ways_of_arriving_are_points_of_their_own() -> None:
    found = places(
        "alarm: a.low, link: building, object: BI 3",
        "alarm: a.low, link: building, object: BI 3, arrives by: cov",
        "alarm: a.low, link: building, object: BI 3, arrives by: event",
        "alarm: a.low, link: building, object: BI 3, arrives by: event, part: fault",
        "alarm: a.low, link: building, object: AI 1, part: in-alarm",
        "alarm: a.low, link: building, object: AI 1, arrives by: event",
    )
    assert list(found) == [
        "building:binary-input 3",
        "building:binary-input 3 by cov",
        "building:binary-input 3 by event",
        "building:binary-input 3 fault by event",
        "building:analog-input 1 in-alarm",
        "building:analog-input 1 by event",
    ]
    parts = [(p.arrives, p.part) for p in found.values() if isinstance(p, BacnetPlace)]
    assert parts == [
        (Arrival.POLL, ObjectPart.PRESENT_VALUE),
        (Arrival.COV, ObjectPart.PRESENT_VALUE),
        (Arrival.EVENT, ObjectPart.PRESENT_VALUE),
        (Arrival.EVENT, ObjectPart.FAULT),
        (Arrival.POLL, ObjectPart.IN_ALARM),
        (Arrival.EVENT, ObjectPart.PRESENT_VALUE),
    ]


def test_an_event_is_one_point_whatever_part_is_named() -> None:
    """An event tells its own state: two rows would otherwise map the same place twice."""
    rows = [f"alarm: {name}, link: building, object: BI 3, arrives by: event{part}"
            for name, part in (("a.low", ""), ("a.high", ", part: event-state"))]  # fmt: skip
    assert len(places(*rows)) == 1


def test_the_code_of_each_alarm_makes_an_object_of_its_own() -> None:
    site = site_of("alarm: class:alarm, link: building, object: 'MSV {code}', on when: equal 2")
    found = {row.alarm: site.points[row.point].place for row in site.expectations}
    assert found == {
        name: BacnetPlace(object_type=ObjectType.MULTI_STATE_VALUE, instance=code, on_when=OnWhen.EQUAL, threshold=2.0)
        for name, code in (("a.low", 11), ("a.high", 12))
    }


def test_topics_of_each_alarm() -> None:
    row = "alarm: class:alarm, link: broker, topic: 'plant/{name}/{code}', pointer: '/{text}/x', "
    row += "on values: [on, '{code}']"
    assert places(row) == {
        "broker:plant/a.low/11/A~1LOW+/x": MqttPlace(
            topic="plant/a.low/11", pointer="/A~1LOW+/x", on_values=("on", "11")
        ),
        "broker:plant/a.high/12/A HIGH/x": MqttPlace(
            topic="plant/a.high/12", pointer="/A HIGH/x", on_values=("on", "12")
        ),
    }


def test_one_topic_for_all_alarms_is_one_point() -> None:
    site = site_of("alarm: class:alarm, link: broker, topic: plant/any")
    assert {name: point.place for name, point in site.points.items()} == {
        "broker:plant/any": MqttPlace(topic="plant/any")
    }
    assert [row.alarm for row in site.expectations] == ["a.low", "a.high"]


def test_alarms_told_apart_by_the_payload_of_one_topic() -> None:
    """The text stands for itself in a pattern, whatever signs it holds."""
    row = "alarm: class:alarm, link: broker, topic: log, pattern: '(?P<value>ON|OFF) {text}', "
    row += "on values: ON, off values: OFF"
    found = places(row)
    assert list(found) == ["broker:log a.low", "broker:log a.high"]
    patterns = [place.pattern for place in found.values() if isinstance(place, MqttPlace)]
    assert patterns == [r"(?P<value>ON|OFF) A/LOW\+", r"(?P<value>ON|OFF) A\ HIGH"]


def test_a_number_of_a_message() -> None:
    (place,) = places("alarm: a.low, link: broker, topic: level, on when: below 10").values()
    assert place == MqttPlace(topic="level", on_when=OnWhen.BELOW, threshold=10.0)


def test_a_name_stands_for_itself_in_printed_lines_too() -> None:
    head = HEAD.replace("loops:", "  log: {text+tcp: 'h:1', longest delay: 100 ms, raised: 'N {name}'}\nloops:")
    site = site_of("alarm: a.low, link: log", head=head)
    (place,) = (point.place for point in site.points.values())
    assert place == TextPlace(raised=r"N a\.low")


def test_signs() -> None:
    found = places(
        "alarm: class:alarm, link: eyes, sign: lamp, label: red",
        "alarm: a.low, link: eyes, sign: text",
        "alarm: class:alarm, link: roof, sign: horn, label: '{name}'",
    )
    assert found == {
        "eyes:lamp red": PersonPlace(sign=Sign.LAMP, label="red"),
        "eyes:text A/LOW+": PersonPlace(sign=Sign.TEXT, label="A/LOW+"),
        "roof:horn a.low": PersonPlace(sign=Sign.HORN, label="a.low"),
        "roof:horn a.high": PersonPlace(sign=Sign.HORN, label="a.high"),
    }


def test_loops() -> None:
    found = places(
        "alarm: a.high, loop: level, on when: above 90",
        "alarm: a.low, loop: level, link: bms, on when: failure low",
        "alarm: a.low, loop: inner, on when: below -10",
    )
    assert list(found) == ["bms:level>90", "bms:level failure low", "building:inner<-10"]
    level, failure, inner = found.values()
    assert isinstance(level, ModbusPlace)
    assert isinstance(failure, ModbusPlace)
    assert isinstance(inner, BacnetPlace)
    assert level.loop is not None
    assert level.loop == failure.loop
    assert (level.value_type, level.address, level.on_when, level.threshold) == (ValueType.U16, 0, OnWhen.ABOVE, 90.0)
    assert (failure.on_when, failure.threshold) == (OnWhen.FAILURE_LOW, None)
    assert level.loop.resolution_ma == pytest.approx(16 / 3276)  # one count
    assert (level.loop.value_at_4, level.loop.value_at_20, level.loop.units) == (0.0, 100.0, "%")
    assert level.loop.persistence_ns == 4 * NS_PER_S
    assert inner.loop is not None
    assert (inner.loop.persistence_ns, inner.loop.accuracy_ma, inner.loop.value_at_20) == (0, 0.1, -20.0)


def test_a_specific_row_wins_over_a_class_on_every_kind_of_link() -> None:
    site = site_of(
        "alarm: class:alarm, link: broker, topic: 'x/{name}'",
        "alarm: a.low, link: broker, topic: 'x/{name}', visible for: 1 s",
    )
    limits = {row.alarm: row.limits.visible_for_ns for row in site.expectations}
    assert limits == {"a.low": NS_PER_S, "a.high": None}


def test_every_mapped_point_of_any_link() -> None:
    site = site_of(
        "alarm: a.low, link: broker, topic: 'x/{name}'",
        "alarm: a.low, loop: inner, on when: below -10",
        "alarm: a.high, link: broker, address: '*', behaviour: quiet".replace("behaviour: quiet", "note: all"),
        "alarm: a.high, link: building, address: '*'",
    )
    assert [row.point for row in site.expectations if row.alarm == "a.high"] == ["broker:x/a.low", "building:inner<-10"]


def test_default_time_limits_do_not_hold_out_of_sight() -> None:
    """No time is measured there, so a default could only ever be unmet; a limit of the row itself is kept."""
    head = HEAD + "defaults: {appears within: 5 s, gone within: 5 s, visible for: 1 s, dwell: 1 s}\n"
    site = site_of(
        "alarm: a.low, link: roof, sign: lamp, label: red",
        "alarm: a.high, link: roof, sign: lamp, label: red, appears within: 9 s",
        "alarm: a.low, link: eyes, sign: lamp, label: red",
        head=head,
    )
    roof, own, eyes = (row.limits for row in site.expectations)
    assert (roof.appears_within_ns, roof.visible_for_ns, roof.gone_within_ns, roof.dwell_ns) == (None, None, None, 0)
    assert own.appears_within_ns == 9 * NS_PER_S
    assert (eyes.appears_within_ns, eyes.dwell_ns) == (5 * NS_PER_S, NS_PER_S)
    assert any("roof: out of sight" in note for note in site.notes)


def test_a_reference_may_be_an_object_that_no_row_maps() -> None:
    head = HEAD.replace("code: 11", "code: 11, reference: 'building:BI 40'")
    site = site_of("alarm: a.low, link: bms, address: 10001", head=head)
    reference = site.alarms["a.low"].reference
    assert reference == "building:binary-input 40"
    assert site.points[reference].place == BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=40)


def test_acknowledging_needs_the_sites_own_permission() -> None:
    stimulus = "stimulus:\n  acknowledge: {link: building, object: 'BI {code}'}\n"
    allowed = "writable:\n  - {link: building, acknowledge: yes}\n"
    row = "alarm: class:alarm, link: building, object: 'BI {code}'"
    site = site_of(row, head=HEAD + stimulus + allowed)
    assert site.acknowledgeable == ("building",)
    assert site.writable == ()
    assert [alarm.acknowledgements for alarm in site.alarms.values()] == [
        (Acknowledgement(link="building", object_type=ObjectType.BINARY_INPUT, instance=code),) for code in (11, 12)
    ]
    for permission in ("", "writable:\n  - {link: building, acknowledge: no}\n"):
        with pytest.raises(SiteError, match="may not be acknowledged"):
            site_of(row, head=HEAD + stimulus + permission)


def test_a_step_writes_and_acknowledges() -> None:
    """Each line is held against its own permission, whatever stands before it."""
    stimulus = """stimulus:
  acknowledge:
    - {link: building, object: BI code}
    - {link: bms, coil: 00001, values: 1}
    - {link: building, object: BI 99}
writable:
  - {link: building, acknowledge: yes}
"""
    row = "alarm: class:alarm, link: building, object: 'BI {code}'"
    with pytest.raises(SiteError) as caught:
        site_of(row, head=HEAD + stimulus)
    assert [(p.code, p.origin.line) for p in caught.value.problems if p.severity == "error"] == [("not-writable", 19)]
    site = site_of(row, head=HEAD + stimulus + "  - {link: bms, coil: 00001}\n")
    assert [it.instance for it in site.alarms["a.low"].acknowledgements] == [11, 99]


# --- point lists ----------------------------------------------------------------------------------

COLUMNS = ("alarm", "link", "address", "loop", "object", "arrives by", "topic", "on values", "sign", "label", "on when",
           "behaviour")  # fmt: skip
LIST = (
    ("a.low", "bms", 10001, None, None, None, None, None, None, None, None, "follows"),
    ("a.high", None, None, "level", None, None, None, None, None, None, "above 90", "follows"),
    ("a.low", "building", None, None, "BI 3", "cov", None, None, None, None, None, "follows"),
    ("a.low", "broker", None, None, None, None, "x/{name}", "on, 1", None, None, None, "follows"),
    ("a.low", "eyes", None, None, None, None, None, None, "lamp", "red", None, "follows"),
)
FOUND = ["bms:10001", "bms:level>90", "building:binary-input 3 by cov", "broker:x/a.low", "eyes:lamp red"]


def test_a_list_holds_every_kind_of_row() -> None:
    text = io.StringIO()
    csv.writer(text).writerows([COLUMNS, *LIST])
    site, problems = read_site(
        {"site.yaml": f"{HEAD}points: p.csv\n".encode(), "p.csv": text.getvalue().encode()}, "site.yaml"
    )
    assert list(site.points) == FOUND
    assert {problem.code for problem in problems} == {"unused-loop"}


def workbook(*rows: tuple[str | int | None, ...]) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.worksheets[0]
    for row in rows:
        sheet.append(row)
    data = io.BytesIO()
    book.save(data)
    return data.getvalue()


def test_a_workbook_holds_every_kind_of_row() -> None:
    site, _ = read_site(
        {"site.yaml": f"{HEAD}points: p.xlsx\n".encode(), "p.xlsx": workbook(COLUMNS, *LIST)}, "site.yaml"
    )
    assert list(site.points) == FOUND


def test_a_formula_without_its_result_is_said_and_never_read_as_blank() -> None:
    row = ("a.low", "bms", "=10000+1", *(None,) * 8, "follows")
    with pytest.raises(SiteError) as caught:
        read_site({"site.yaml": f"{HEAD}points: p.xlsx\n".encode(), "p.xlsx": workbook(COLUMNS, row)}, "site.yaml")
    messages = [str(problem) for problem in caught.value.problems if problem.severity == "error"]
    why = "a formula whose result is not in the file; open it in a spreadsheet and save it again"
    assert messages == [f"p.xlsx:2: address==10000+1: {why}"]


def test_a_formula_in_a_column_that_is_not_read_does_not_matter() -> None:
    data = workbook((*COLUMNS, "Sum"), (*LIST[0], "=1+1"))
    site, _ = read_site({"site.yaml": f"{HEAD}points: p.xlsx\n".encode(), "p.xlsx": data}, "site.yaml")
    assert list(site.points) == ["bms:10001"]


def test_a_column_that_happens_to_be_named_like_a_field() -> None:
    data = b"alarm,link,address,behaviour,label\na.low,bms,10001,follows,TX-1\n"
    with pytest.raises(SiteError, match="label=TX-1: a point of a modbus-tcp link has none"):
        read_site({"site.yaml": f"{HEAD}points: p.csv\n".encode(), "p.csv": data}, "site.yaml")
    points = "points: {file: p.csv, columns: {label: none}}\n"
    site, problems = read_site({"site.yaml": f"{HEAD}{points}".encode(), "p.csv": data}, "site.yaml")
    assert list(site.points) == ["bms:10001"]
    assert site.expectations[0].behaviour is Behaviour.FOLLOWS
    assert {problem.code for problem in problems} <= {"unused-loop", "no-expectation"}


# --- in words -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("link: building, object: BI 3, arrives by: cov",
         "binary-input 3 of device 7, arrives by cov, on when present-value is set"),
        ("link: building, object: AI 1, part: fault",
         "analog-input 1 of device 7, arrives by poll, on when its status flag fault is set"),
        ("link: building, object: AI 1, part: event-state",
         "analog-input 1 of device 7, arrives by poll, on when event-state is not normal"),
        ("link: building, object: AI 1, arrives by: event",
         "analog-input 1 of device 7, arrives by event, on at an event to an off-normal state"),
        ("link: building, object: MSV 1, on when: above 1",
         "multi-state-value 1 of device 7, arrives by poll, on when present-value is above 1"),
        ("link: broker, topic: a/b", "topic a/b, on when true or a number other than 0"),
        ("link: broker, topic: a/b, on when: clear", "topic a/b, on when false or 0"),
        ("link: broker, topic: a/b, on when: above 3", "topic a/b, on when above 3"),
        ("link: broker, topic: a/b, pointer: /x, on values: [a, b]",
         "topic a/b, value at /x, on when a or b, off when anything else"),
        ("link: broker, topic: a/b, off values: [a]", "topic a/b, on when anything else, off when a"),
        ("link: eyes, sign: lamp, label: red", "lamp red, seen by a person (door), reported within 1 s"),
        ("link: roof, sign: horn, label: red", "horn red, heard by a person (roof), out of sight: no time is measured"),
        ("loop: level, on when: above 90",
         ("input register at wire address 0, written 30001, unit 1, u16, "
          "current loop level (819 at 4 mA, 4095 at 20 mA, input 0 to 24 mA), on when above 90 % (18.4 mA)")),
        ("loop: inner, on when: failure low",
         ("analog-input 9 of device 7, arrives by poll, current loop inner (4 at 4 mA, 20 at 20 mA, input 0 to 24 mA), "
          "on when 3.6 mA and less for 0 s (NAMUR NE 43)")),
    ],
)  # fmt: skip
def test_every_point_in_words(row: str, expected: str) -> None:
    site = site_of(f"alarm: a.low, {row}")
    (point,) = site.points.values()
    assert describe_point(point, site).removesuffix(", shortest on 1 s (assumed), off 1 s (assumed)") == expected
