"""The assumptions and defaults in force, in words; they are printed with the results."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from harness.core.current_loop import is_failure
from harness.core.links import (
    BacnetLink,
    BusWay,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    PushLink,
    TextLink,
)
from harness.core.model import HOLD_ASSUMED_NS, LEAK_DEFAULT_NS, SEARCH_DEFAULT_NS, SETTLE_DEFAULT_NS
from harness.core.places import BacnetPlace, ModbusPlace
from harness.site.durations import write_duration
from harness.site.fields import LIMIT_NAMES
from harness.site.forms import Form
from harness.site.looking import pushed
from harness.site.pointmap import PointMap

_OWN_DEFAULTS: Final = {
    "search": SEARCH_DEFAULT_NS,
    "settle": SETTLE_DEFAULT_NS,
    "shortest leak": LEAK_DEFAULT_NS,
}


def notes_of(form: Form, links: Mapping[str, LinkSpec], point_map: PointMap) -> tuple[str, ...]:
    """One sentence for each default and each assumption that some result rests on."""
    notes = []
    defaults = form.get("defaults", Form)
    for name in LIMIT_NAMES:
        stated = defaults.get(name, int) if defaults is not None else None
        if stated is not None and defaults is not None:
            notes.append(f"{name} {write_duration(stated)} where a row says nothing ({defaults.at(name)})")
        elif name in _OWN_DEFAULTS:
            notes.append(f"{name} {write_duration(_OWN_DEFAULTS[name])} where nothing is said")
        else:
            notes.append(
                f"{name}: no limit where a row says nothing" if name != "dwell" else "dwell 0 s where nothing is said"
            )
    for which in ("on", "off"):
        count = sum(not getattr(point.hold, f"{which}_declared") for point in point_map.points.values())
        if count:
            text = f"shortest {which} is not declared for {count} of {len(point_map.points)} points: "
            notes.append(text + f"{write_duration(HOLD_ASSUMED_NS)} is assumed")
    for link in links.values():
        notes += _link_notes(link, point_map)
    notes += _loop_notes(point_map)
    return tuple(notes)


def _link_notes(link: LinkSpec, point_map: PointMap) -> Iterator[str]:
    """How a link is looked at, and what that leaves open."""
    own = [point for point in point_map.points.values() if point.link == link.name]
    told = [pushed(point, link) for point in own if pushed(point, link) is not None]
    if told and isinstance(link, PushLink):
        what = "printed" if isinstance(link, TextLink) else "notified" if isinstance(link, BacnetLink) else "published"
        if link.longest_delay_ns is None:
            yield f"{link.name}: longest delay is not declared: when a change happened is known only from above"
        if not link.promises_every_change:
            yield f"{link.name}: it is not promised that every change is {what}: silence proves nothing"
    match link:
        case ModbusTcpLink() | ModbusRtuLink(way=BusWay.POLL):
            every = write_duration(link.poll_period_ns)
            yield f"{link.name}: numbering {link.numbering.value}, polled every {every}"
        case ModbusRtuLink():
            cycle = write_duration(link.poll_period_ns) if link.poll_period_ns else "not declared"
            yield f"{link.name}: numbering {link.numbering.value}, overheard; the master's cycle: {cycle}"
        case BacnetLink():
            yield f"{link.name}: device {link.device}, polled every {write_duration(link.poll_period_ns)}"
        case MqttLink():
            if link.will_within_ns is None and link.promises_every_change:
                yield f"{link.name}: last will within is not declared: only its own messages prove the controller alive"
            if link.sequence_pointer is None:
                yield f"{link.name}: messages carry no sequence number: one that the broker dropped is not noticed"
        case PersonLink(in_sight=True):
            low, high = write_duration(link.reaction_min_ns), write_duration(link.reaction_max_ns)
            yield f"{link.name}: a person reports {low} to {high} after it was so; silence proves nothing"
            noticed = write_duration(link.noticed_ns)
            yield f"{link.name}: who says that it stayed off is relied on to have noticed what was on for {noticed}"
        case PersonLink():
            yield f"{link.name}: out of sight: that it showed is told, never when; no default time limit holds there"


def _loop_notes(point_map: PointMap) -> Iterator[str]:
    """The persistence of each loop whose failure is looked for."""
    loops = {
        place.loop.name: place.loop
        for point in point_map.points.values()
        if isinstance(place := point.place, ModbusPlace | BacnetPlace)
        and place.loop is not None
        and is_failure(place.on_when)
    }
    for loop in loops.values():
        persistence = write_duration(loop.persistence_ns)
        yield f"loop {loop.name}: a failure current counts once it has lasted {persistence} (NAMUR NE 43)"
