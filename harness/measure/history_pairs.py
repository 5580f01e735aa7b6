"""Which entry of an alarm history may be of which event, and by what offset of its clock. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from harness.core.instants import Bounds
from harness.measure.alarm_history import Clock, Entry

Pairs = list[list[tuple[int, Bounds]]]
"""For each event, the numbers of the entries that may be of it, ascending, and the offsets with which they are."""


def pairs_of(events: Sequence[tuple[str, Bounds]], entries: Sequence[Entry], clock: Clock) -> Pairs:
    """``events``: alarm, and when it happened. Only offsets within what is taken of the clock.

    A history may be one of many months, so only the entries that are near enough are looked at.
    """
    written: dict[str, list[tuple[int, int]]] = {}
    for number, entry in enumerate(entries):
        if entry.written_ns is not None:
            for alarm in entry.alarms:
                written.setdefault(alarm, []).append((entry.written_ns, number))
    for times in written.values():
        times.sort()
    coarsest = max((it.resolution_ns for it in entries), default=0)
    found: Pairs = []
    for alarm, at in events:
        times = written.get(alarm, [])
        slack = coarsest + clock.late_ns + clock.drift_ns(at.lo)
        first = bisect_left(times, (at.lo + clock.within.lo - slack, -1))
        last = bisect_left(times, (at.hi + clock.within.hi + slack, len(entries)))
        shifts = ((number, clock.shifts(entries[number], at)) for _, number in times[first:last])
        near = ((number, shift) for number, shift in shifts if shift is not None and shift.touches(clock.within))
        found.append(sorted(near, key=lambda it: it[0]))
    return found
