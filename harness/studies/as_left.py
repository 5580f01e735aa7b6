"""What a record says of how things were left: each point that is not proven to be as it was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from harness.core.paths import is_told
from harness.core.places import ModbusPlace
from harness.report.document import Difference
from harness.report.human import utc
from harness.results.judging import JudgedRecord
from harness.results.steps import AS_LEFT_EVENT


def as_left(record: JudgedRecord) -> tuple[Difference, ...] | None:
    """Of every comparison of the run, each difference once; None where nothing was compared, and nothing is known."""
    found = [_not_cleared(name) for name in (*record.left_open, *record.left_raised)]
    events = record.reader.events(AS_LEFT_EVENT)
    if not events:
        return tuple(found) or None
    for event in events:
        data: Mapping[str, Any] = event.data
        left = set(data["on"])
        found += [_not_cleared(name) for name in data["not_cleared"]]  # first: a real plant may act on it
        found += [
            Difference(
                what=name,
                as_found="off" if name in left else "on",
                as_left=_state_left(record, name, event.at_ns, on=name in left),
            )
            for name in data["differs"]
        ]
        changed: Sequence[Mapping[str, str]] = data.get("changed", ())  # writable points
        found += [Difference(what=it["name"], as_found=it["found"], as_left=it["left"]) for it in changed]
    return tuple(dict.fromkeys(found))


def _state_left(record: JudgedRecord, name: str, compared_ns: int, *, on: bool) -> str:
    """The state at the comparison. Of a point that was not observed any more nobody knows it, only what it was last;
    nor of one that is told once, of which this is the last word.
    """
    state = "on" if on else "off"
    seen_ns = _lost_since(record, name, compared_ns)
    if seen_ns is not None:
        at = utc(record.reader.header.anchor.utc_ns + seen_ns - record.start_ns)
        return f"not known (last seen {state} at {at})"
    point = record.site.points.get(name)
    told = point is not None and is_told(record.site.links[point.link], point.place)
    return f"{state}{' by the last word of it' if told else ''}"


def _lost_since(record: JudgedRecord, name: str, compared_ns: int) -> int | None:
    """When a point was last seen, where its link or unit was lost between then and the comparison; else None."""
    point, trace = record.site.points.get(name), record.evidence.traces.get(name)
    if point is None or trace is None or not len(trace):
        return None
    index = int(np.searchsorted(trace.hi, compared_ns, side="right")) - 1
    if index < 0:
        return None
    seen_ns, place = int(trace.hi[index]), point.place
    for it in record.evidence.blind:
        if it.link != point.link or it.span.lo > compared_ns or it.span.hi <= seen_ns:
            continue
        if it.unit is None or (isinstance(place, ModbusPlace) and (it.unit, it.table) == (place.unit, place.table)):
            return seen_ns
    return None


def _not_cleared(alarm: str) -> Difference:
    return Difference(what=f"alarm {alarm}", as_found="not raised", as_left="raised; clearing is not proven")
