"""Times of a stimulus from its reference point: when the alarm was really raised and cleared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.core.errors import Origin
from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Limits, Site, Stimulus
from harness.correlate.demand import Demand, demand_of
from harness.correlate.outline import Outline
from harness.correlate.worlds import is_ready, some_world_meets


def time_by_reference(
    stimulus: Stimulus, site: Site, sketches: Mapping[str, Outline], next_raise: int | None = None
) -> Stimulus:
    """The stimulus as its alarm's reference point times it, or as it was where there is none or it saw nothing.

    ``next_raise``: when anything else was raised next; what the reference point shows from then on is no evidence.
    Where the reference point proves that the alarm did not come up at all, the raise is not proven.
    """
    alarm = site.alarms.get(stimulus.alarm)
    if alarm is None or alarm.reference is None or not stimulus.proven:
        return stimulus
    sketch = sketches.get(alarm.reference)
    if sketch is None or not len(sketch.trace):
        return stimulus
    demand = _any_appearance(stimulus, alarm.reference, next_raise)
    if not some_world_meets(sketch, demand):
        return replace(stimulus, proven=False, timed_by=alarm.reference)
    own = [
        number
        for number in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
        if sketch.onset_hi[number] >= demand.raised.lo
    ]
    if not own or not is_ready(sketch, demand):
        return stimulus
    onset = Bounds(sketch.onset_lo[own[0]], sketch.onset_hi[own[0]])
    end = Bounds(sketch.end_lo[own[0]], sketch.end_hi[own[0]])
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
    later = [step.hi for step in (stimulus.acknowledged, stimulus.reset, stimulus.cleared) if step is not None]
    raised = Bounds(stimulus.raised.lo, FOREVER).meet(Bounds(onset.lo, min([onset.hi, *later])))
    if raised is None:
        return stimulus
    cleared = end
    if stimulus.cleared is not None:
        # Nobody clears an alarm before the order to clear it; where the point went off earlier, it cleared itself.
        cleared = Bounds(stimulus.cleared.lo, FOREVER).meet(end) or end
    elif end.is_open_above:
        return replace(stimulus, raised=raised, timed_by=reference)
    return replace(stimulus, raised=raised, cleared=cleared, timed_by=reference)
