"""What is true of a simulated site, by its own log: when each output was really on, and by how much that meets limits.

Nothing of the correlator, and nothing of the links' decoding: each point is looked up in the truth log by what it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Behaviour, Expectation, Point, Site, Step, Stimulus
from harness.core.places import (
    Arrival,
    BacnetPlace,
    CurrentLoop,
    ModbusPlace,
    MqttPlace,
    ObjectType,
    OnWhen,
    PersonPlace,
    Sign,
    TextPlace,
    ValueType,
)

STAMPS_NS: Final = 2 * NS_PER_MS
"""What the truth log's own stamps leave open (before and after a change), and the relay behind them."""

Entry = Mapping[str, Any]
Instant = tuple[int, int]
"""Stamps in ns before and after something happened."""


@dataclass(frozen=True, slots=True)
class Interval:
    """One true time for which an output was on; None while it still is."""

    begin: Instant
    end: Instant | None

    @property
    def spread_ns(self) -> int:
        """What its own stamps leave open."""
        return self.begin[1] - self.begin[0] + (0 if self.end is None else self.end[1] - self.end[0])


def true_intervals(entries: Iterable[Entry], site: Site, name: str) -> list[Interval]:
    """When the output at a point was really on."""
    point = site.points[name]
    found: list[Interval] = []
    begun: Instant | None = None
    for is_on, at in _changes(entries, site, point):
        if is_on and begun is None:
            begun = at
        elif not is_on and begun is not None:
            found.append(Interval(begun, at))
            begun = None
    if begun is not None:
        found.append(Interval(begun, None))
    loop = failing_loop(point)
    return found if loop is None else list(_lasting(found, loop.persistence_ns))


def failing_loop(point: Point) -> CurrentLoop | None:
    """The loop of a point that is on only once a failure current has lasted; None for every other point."""
    place = point.place
    if isinstance(place, ModbusPlace) and place.on_when in (OnWhen.FAILURE_LOW, OnWhen.FAILURE_HIGH):
        return place.loop
    return None


def _lasting(found: Iterable[Interval], persistence_ns: int) -> Iterator[Interval]:
    for it in found:
        begin = (it.begin[0] + persistence_ns, it.begin[1] + persistence_ns)
        if it.end is None or it.end[0] > begin[1]:
            yield Interval(begin, it.end)


def _changes(entries: Iterable[Entry], site: Site, point: Point) -> Iterator[tuple[bool, Instant]]:
    """(on, when) for every change that the log has of a point."""
    place, alarms = point.place, [row.alarm for row in site.expectations if row.point == point.name]
    for entry in entries:
        kind = entry["kind"]
        if isinstance(place, TextPlace):
            if kind == "line" and entry["alarm"] == alarms[0] and entry["word"] in ("RAISED", "CLEARED"):
                yield entry["word"] == "RAISED", _stamps(entry)
        elif isinstance(place, BacnetPlace) and place.arrives is Arrival.EVENT:
            mine = (place.object_type.value, place.instance)
            if kind == "event" and (entry["table"], entry["address"]) == mine:
                yield entry["to_state"] != "normal", (entry["due_ns"], entry["at_ns"])
        elif kind == "output":
            on = _shows(entry, point, alarms)
            if on is not None:
                yield on, _stamps(entry)


def _stamps(entry: Entry) -> Instant:
    return entry["set_before_ns"], entry["set_after_ns"]


def _shows(entry: Entry, point: Point, alarms: Sequence[str]) -> bool | None:
    """Whether an output's entry says that a point is on now; None where it is of something else."""
    device, value, signal = entry["place"].partition(".")[0], entry["value"], entry["signal"]
    match point.place:
        case ModbusPlace(loop=loop) as place if loop is not None:
            return bool(value) if entry["place"] == "bus.loop" and signal == _condition(loop, place) else None
        case ModbusPlace() as place:
            bit = place.bit if place.value_type is ValueType.BIT and not place.table.is_bits else None
            mine = (place.table.value, place.address, bit)
            bus = f"bus.{place.unit}"
            is_there = entry["place"] == bus if device == "bus" else device == point.link
            is_of_bus = point.link == "bus"
            if not is_there or is_of_bus != (device == "bus"):
                return None
            return _counts_as_on(place, value) if (entry["table"], entry["address"], entry["bit"]) == mine else None
        case BacnetPlace() as place:
            return _object_shows(entry, place)
        case MqttPlace(topic=topic):
            return bool(value) if device == "broker" and topic.endswith(f"/{signal}") else None
        case PersonPlace(sign=Sign.TEXT):
            return bool(value) if entry["place"] == "annunciator.display" and signal in alarms else None
        case PersonPlace(sign=sign):
            return bool(value) if entry["place"] == "annunciator" and signal == sign.value else None
        case _:
            return None


def _condition(loop: CurrentLoop, place: ModbusPlace) -> str:
    tank = loop.name.removesuffix(".level")
    return f"{tank}." + {OnWhen.ABOVE: "high", OnWhen.BELOW: "low", OnWhen.FAILURE_LOW: "probe-fault"}[place.on_when]


def _object_shows(entry: Entry, place: BacnetPlace) -> bool | None:
    if not entry["place"].startswith("building"):
        return None
    if (entry["table"], entry["address"]) != (place.object_type.value, place.instance):
        return None
    if place.object_type is ObjectType.ANALOG_INPUT:
        condition = {OnWhen.ABOVE: "high", OnWhen.BELOW: "low"}[place.on_when]
        return bool(entry["value"]) if entry["signal"].endswith(f".{condition}") else None
    if place.object_type is ObjectType.MULTI_STATE_VALUE:
        number = entry["value"] + 1
        return bool(number == place.threshold if place.on_when is OnWhen.EQUAL else number > (place.threshold or 0))
    return bool(entry["value"])


def _counts_as_on(place: ModbusPlace, value: int) -> bool:
    threshold = place.threshold or 0
    return value == threshold if place.on_when is OnWhen.EQUAL else value > threshold


def margins(
    row: Expectation, own: Interval | None, r: int, k: int | None, c: int, s: int | None = None
) -> dict[str, int]:
    """By how much the truth meets each obligation (ns, negative: breaks it)."""
    limits = row.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    if own is None:
        return {"shows": -limits.search_ns}
    u = own.begin[1]
    e = None if own.end is None else own.end[1]
    if row.released_by is Step.SILENCE:  # a horn: by silence or by acknowledge, whichever came first
        k = min((it for it in (s, k) if it is not None), default=None)
        c = c if k is None else min(c, k)
    release = {Behaviour.FOLLOWS: c, Behaviour.UNTIL_ACKNOWLEDGED: k}.get(
        row.behaviour, None if k is None else max(k, c)
    )
    found = {"late": reach - max(0, u - r)}
    if limits.visible_for_ns is not None and e is not None:
        found["brief"] = e - u - limits.visible_for_ns
    if release is not None and e is not None:
        found["early"] = e - release - limits.dwell_ns
        if limits.gone_within_ns is not None:
            found["stuck"] = release + limits.dwell_ns + limits.gone_within_ns - e
    return found


def holds(bounds: Bounds, at: Instant) -> bool:
    """Whether bounds contain an instant that the truth log stamped before and after."""
    return bounds.lo <= at[1] and at[0] <= bounds.hi


def first_truth(entries: Sequence[Entry], kind: str, after_ns: int, **wanted: Any) -> Instant | None:
    """The first entry of a kind with these values that ended at or after an instant."""
    for entry in entries:
        if entry["kind"] == kind and all(entry[key] == value for key, value in wanted.items()):
            at = _stamps(entry) if "set_before_ns" in entry else (entry["at_ns"],) * 2
            if at[1] >= after_ns:
                return at
    return None


def true_step(truth: Sequence[Entry], site: Site, stimulus: Stimulus, value: int) -> Instant | None:
    """When the reference point really came on (1), and went off after that (0)."""
    reference = site.alarms[stimulus.alarm].reference
    assert reference is not None
    for interval in true_intervals(truth, site, reference):
        if interval.begin[1] >= stimulus.raised.lo:
            return interval.begin if value else interval.end
    return None
