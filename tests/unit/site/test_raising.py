"""What a site file says of raising: properties with their priority, the list of what may be written, limits of time."""

from __future__ import annotations

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.model import HOLD_OFF_DEFAULT_NS, RAISED_AT_MOST_DEFAULT_NS, Site, Step
from harness.core.places import ObjectType, Table
from harness.core.writing import (
    AnyWritable,
    ObjectProperty,
    PropertyWrite,
    WritableProperty,
    WritableRange,
    Write,
    writable_words,
)
from harness.site.reading import read_site

PRESENT = ObjectProperty.PRESENT_VALUE
BV, AV, BI = ObjectType.BINARY_VALUE, ObjectType.ANALOG_VALUE, ObjectType.BINARY_INPUT

TEXT = """\
site: wharf
controller: {{name: c}}
links:
  panel: {{modbus-tcp: "127.0.0.1:9", numbering: from-0, poll every: 20 ms}}
  bus: {{modbus-rtu: /dev/ttyUSB0, numbering: from-0, poll every: 100 ms}}
  building: {{bacnet: 192.0.2.12, device: 1001, listen on: 192.0.2.5/24, poll every: 1 s}}
{stimulus}
{writable}
alarms:
  a.high: {{text: A, code: 7, side effects: none{high}}}
  a.low: {{text: B, code: 8, side effects: none, lasts: 1 s{low}}}
points:
  - {{alarm: a.high, link: panel, table: coil, address: 1, behaviour: follows}}
  - {{alarm: a.low, link: panel, table: coil, address: 2, behaviour: follows}}
"""


def site_of(stimulus: str, *writable: str, high: str = "", low: str = "") -> Site:
    lines = "\n".join(["writable:", *(f"  - {{{it}}}" for it in writable)]) if writable else ""
    text = TEXT.format(stimulus=stimulus, writable=lines, high=high, low=low)
    return read_site({"site.yaml": text.encode()}, "site.yaml")[0]


def test_properties_are_written_at_a_priority_and_relinquished() -> None:
    site = site_of(
        "stimulus:\n"
        "  raise: {link: building, object: binary-value code, property: present-value, value: active, priority: 8}\n"
        "  clear: {link: building, object: binary-value code, property: present-value, value: relinquish, priority: 8}",
        "link: building, object: binary-value 1-24, property: present-value, priority: 8",
    )
    alarm = site.alarms["a.high"]
    raised = PropertyWrite(link="building", object_type=BV, instance=7, property=PRESENT, value=1.0, priority=8)
    assert alarm.writes[Step.RAISE] == (raised,)
    (cleared,) = alarm.writes[Step.CLEAR]
    assert isinstance(cleared, PropertyWrite)
    assert (cleared.value, cleared.priority) == (None, 8)
    (allowed,) = site.writable
    assert allowed.covers(raised)
    assert writable_words(allowed) == "building: binary-value 1 to 24, present-value at priority 8"


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("object: BV 1, property: present-value, value: inactive", 0.0),
        ("object: BI 1, property: out-of-service, value: yes", 1.0),
        ("object: BI 1, property: out-of-service, value: no", 0.0),
        ("object: BI 1, property: present-value, value: active", 1.0),
        ("object: AV 1, property: present-value, value: -7.25", -7.25),
        ("object: AV 1, property: present-value, value: code", 7.0),
        ("object: AI 1, property: high-limit, value: 80", 80.0),
        ("object: MSV 1, property: present-value, value: 3", 3.0),
    ],
)
def test_values_in_the_words_of_the_property(line: str, value: float) -> None:
    place = line.rpartition(", value")[0]
    site = site_of("", f"link: building, {place}", high=f", raise: {{link: building, {line}}}, lasts: 1 s")
    (write,) = site.alarms["a.high"].writes[Step.RAISE]
    assert isinstance(write, PropertyWrite)
    assert (write.value, write.priority) == (value, None)


def listed(**rest: object) -> WritableProperty:
    given: dict[str, object] = {"link": "building", "object_type": BV, "instance": 7, "property": PRESENT, **rest}
    return WritableProperty(origin=site_of("").alarms["a.high"].origin, **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "is_covered"),
    [
        ({}, True),
        ({"instance": 8}, True),
        ({"instance": 9}, False),
        ({"instance": 6}, False),
        ({"priority": 9}, False),
        ({"priority": None}, False),
        ({"object_type": AV}, False),
        ({"property": ObjectProperty.OUT_OF_SERVICE}, False),
        ({"link": "other"}, False),
    ],
)
def test_only_what_is_listed_is_covered(changed: dict[str, object], is_covered: bool) -> None:
    mine: dict[str, object] = {"link": "building", "object_type": BV, "instance": 7, "property": PRESENT, "priority": 8}
    write = PropertyWrite(value=1.0, **{**mine, **changed})  # type: ignore[arg-type]
    assert listed(priority=8, count=2).covers(write) is is_covered
    modbus = Write(link="building", unit=1, table=Table.COIL, address=7, values=(1,))
    assert not listed(priority=8, count=2).covers(modbus)


def test_what_the_list_says_of_reading_back_and_of_as_left() -> None:
    site = site_of(
        "",
        "link: panel, coil: coil 1, read back: no, because: the controller clears it",
        "link: panel, holding register: holding register 40-41, as left: may differ",
        "link: bus, holding register: holding register 50, tolerance: 2",
        "link: building, object: AV 2, property: present-value, priority: 9, tolerance: 0.5",
    )
    found: tuple[AnyWritable, ...] = site.writable
    assert [(it.link, it.read_back, it.because, it.may_differ, it.tolerance) for it in found] == [
        ("panel", False, "the controller clears it", False, 0.0),
        ("panel", True, "", True, 0.0),
        ("bus", True, "", False, 2.0),
        ("building", True, "", False, 0.5),
    ]
    assert isinstance(found[2], WritableRange)


WRITES = (
    ", raise: {link: panel, coil: coil 1, values: 1}, clear: {link: panel, coil: coil 1, values: 0}",
    ", raise: {link: panel, coil: coil 2, values: 1}",
)
COILS = "link: panel, coil: coil 1-2"


def test_times_are_those_of_the_site_unless_an_alarm_says_its_own() -> None:
    site = site_of("", COILS, high=WRITES[0], low=WRITES[1])
    assert (site.hold_off_of("a.high"), site.raised_at_most_of("a.high")) == (
        HOLD_OFF_DEFAULT_NS, RAISED_AT_MOST_DEFAULT_NS,
    )  # fmt: skip
    assert site.isolated_by_of("a.high") == ""
    site = site_of(
        "stimulus: {hold off: 0 s, raised at most: 60 s, isolated by: valve A closed and tagged}",
        COILS,
        high=f"{WRITES[0]}, hold off: 5 s, raised at most: 1500 ms",
        low=f"{WRITES[1]}, isolated by: pump off",
    )
    assert (site.hold_off_of("a.high"), site.raised_at_most_of("a.high")) == (5 * NS_PER_S, 1500 * NS_PER_MS)
    assert (site.hold_off_of("a.low"), site.raised_at_most_of("a.low")) == (0, 60 * NS_PER_S)
    assert [site.isolated_by_of(it) for it in ("a.high", "a.low")] == ["valve A closed and tagged", "pump off"]


def test_clearing_that_hangs_on_farend_is_noted_in_one_line() -> None:
    site = site_of("", COILS, high=WRITES[0], low=WRITES[1])
    assert site.clearing_hangs_on_farend == ("a.high",)
    (note,) = (it for it in site.notes if "not guaranteed" in it)
    assert note == (
        "clearing is not guaranteed for a.high: it hangs on farend's process and its link (no 'lasts', so the "
        "controller does not end it by itself); isolate what it acts on"
    )
    assert not [it for it in site_of("").notes if "guaranteed" in it or "hold off" in it]
    transient = site_of("", COILS, low=WRITES[1])
    assert not [it for it in transient.notes if "guaranteed" in it]
