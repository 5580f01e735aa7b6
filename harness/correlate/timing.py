"""Times of a stimulus from its reference point: when the alarm was really raised and cleared."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import Final

from harness.core.errors import Origin
from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.core.model import Behaviour, Expectation, Limits, Site, Stimulus
from harness.correlate.demand import Demand, demand_of
from harness.correlate.outline import Outline
from harness.correlate.worlds import is_ready, some_world_meets

REFERENCE_PATIENCE_NS: Final = 2 * NS_PER_S
"""Silence of a reference point denies a raise only after this time at least (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Others:
    """The stimuli that may hold one reference point, in the order of raising, and the latest end among each and before.

    Lists of length n: ``lo`` earliest raise, ``hi`` latest clearing (of one not cleared: latest raise; the point going
    off says that it went by itself), ``hi_so_far`` running maximum of ``hi``, ``ids``.
    """

    lo: list[int]
    hi: list[int]
    hi_so_far: list[int]
    ids: list[str]

    @classmethod
    def of(cls, stimuli: Sequence[Stimulus]) -> Others:
        """From stimuli in the order of their earliest raise."""
        hi = [it.raised.hi if it.cleared is None else max(it.raised.hi, it.cleared.hi) for it in stimuli]
        return cls([it.raised.lo for it in stimuli], hi, list(accumulate(hi, max)), [it.id for it in stimuli])

    def touch(self, stimulus: str, start: int, stop: int) -> bool:
        """Whether any other than ``stimulus`` may hold the point at some instant in [start, stop]."""
        at = bisect_right(self.lo, stop) - 1
        while at >= 0 and self.hi_so_far[at] >= start:
            if self.hi[at] >= start and self.ids[at] != stimulus:
                return True
            at -= 1
        return False


def time_by_reference(
    stimulus: Stimulus,
    site: Site,
    sketches: Mapping[str, Outline],
    next_raise: int | None = None,
    others: Others | None = None,
) -> Stimulus:
    """The stimulus as its alarm's reference point times it, or as it was where there is none or it saw nothing.

    ``next_raise``: when anything was raised next; what the reference point may show only from then on times nothing.
    Where the reference point proves that the alarm did not come up at all, the raise is not proven. Raises that
    follow each other faster than a reference point can show them are no such proof. ``others``: all that may hold the
    reference point. Where one of them may have brought the onset, it times nothing; where one may have held the point
    afterwards, its end is only the latest instant at which this stimulus was cleared.
    """
    alarm = site.alarms.get(stimulus.alarm)
    if alarm is None or alarm.reference is None or not stimulus.proven:
        return stimulus
    sketch = sketches.get(alarm.reference)
    if sketch is None or not len(sketch.trace):
        return stimulus
    patient = None if next_raise is None else max(next_raise, stimulus.raised.hi + REFERENCE_PATIENCE_NS)
    if not some_world_meets(sketch, _any_appearance(stimulus, alarm.reference, patient)):
        return replace(stimulus, proven=False, timed_by=alarm.reference)
    demand = _any_appearance(stimulus, alarm.reference, next_raise)
    own = [
        number
        for number in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
        if demand.raised.lo <= sketch.onset_hi[number] <= demand.begin_max
    ]
    if not own or not is_ready(sketch, demand):
        return stimulus
    onset = Bounds(sketch.onset_lo[own[0]], sketch.onset_hi[own[0]])
    end = Bounds(sketch.end_lo[own[0]], sketch.end_hi[own[0]])
    if others is not None:
        if others.touch(stimulus.id, onset.lo, onset.hi):
            return stimulus
        if others.touch(stimulus.id, onset.lo, end.hi):
            end = Bounds(onset.lo, end.hi)
    return _retimed(stimulus, onset, end, alarm.reference)


def _any_appearance(stimulus: Stimulus, point: str, next_raise: int | None) -> Demand:
    """The weakest demand: the reference point comes on at all before anything else is raised."""
    origin = Origin(file="", line=0)
    row = Expectation(
        key="", alarm=stimulus.alarm, point=point, behaviour=Behaviour.PULSE, limits=Limits(settle_ns=0), origin=origin
    )
    return demand_of(stimulus, row, next_raise)


def _retimed(stimulus: Stimulus, onset: Bounds, end: Bounds, reference: str) -> Stimulus:
    """The steps as the reference point saw them, cut by what is known of them otherwise (a raise precedes the rest)."""
    latest = min([onset.hi, *(step.hi for step in stimulus.later)])
    raised = Bounds(stimulus.raised.lo, FOREVER).meet(Bounds(onset.lo, latest)) if onset.lo <= latest else None
    if raised is None:
        return stimulus  # it came on only after a later step: what it tells the time of is not this raise
    cleared = end
    if stimulus.cleared is not None:
        # Nobody clears an alarm before the order to clear it; where the point went off earlier, it cleared itself.
        cleared = Bounds(stimulus.cleared.lo, FOREVER).meet(end) or end
    elif end.is_open_above:
        return replace(stimulus, raised=raised, timed_by=reference)
    return replace(stimulus, raised=raised, cleared=cleared, timed_by=reference)
