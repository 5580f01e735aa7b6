"""Alarms held for ever shorter times: at which of them each output still shows the alarm. Pure.

A try is *shown* where the output was sampled on after the raise, *not shown* where no world has it on, and otherwise
nobody can tell: then polls were too far apart for an alarm so short.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.model import Behaviour, Expectation, Limits, Site, Stimulus
from harness.core.sweep import Sweep, Tries
from harness.correlate.demand import demand_of
from harness.correlate.engine import outlines_of, timed_by_reference
from harness.correlate.evidence import Evidence
from harness.correlate.outline import Outline
from harness.correlate.worlds import is_ready, some_world_meets


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """One alarm held for a stated time, at one output. ``shown``: None where nobody can tell."""

    stimulus: str
    alarm: str
    point: str
    asked_ns: int
    held: Bounds
    shown: bool | None


def tries_of(site: Site, evidence: Evidence) -> tuple[Try, ...]:
    """Every try of a record at every output that had to react, by rows of the point map, in the order of raising."""
    swept = [it for it in evidence.stimuli if it.held_for_ns is not None and it.proven]
    if not swept:
        return ()
    sketches = outlines_of(site, evidence)
    stimuli = sorted(evidence.stimuli, key=lambda it: (it.raised.lo, it.raised.hi, it.id))
    timed = timed_by_reference(site, stimuli, sketches)
    starts = [it.raised.lo for it in stimuli]
    by_alarm: dict[str, list[Stimulus]] = defaultdict(list)
    for it in swept:
        if timed[it.id].proven:
            by_alarm[it.alarm].append(timed[it.id])
    found = []
    for row in site.expectations:
        # What a point was said to hold at least is what the sweep is out to undercut: nothing is ruled out by it.
        sketch = sketches[row.point].with_hold(replace(sketches[row.point].hold, on_ns=1))
        if row.behaviour is Behaviour.QUIET or not len(sketch.trace):
            continue
        found += [
            Try(
                stimulus=it.id,
                alarm=row.alarm,
                point=row.point,
                asked_ns=it.held_for_ns or 0,
                held=_held(it),
                shown=_told(row, sketch, it, starts),
            )
            for it in by_alarm.get(row.alarm, [])
        ]
    return tuple(found)


def _held(stimulus: Stimulus) -> Bounds:
    """For how long it really was held."""
    if stimulus.cleared is None:
        return Bounds(0, FOREVER)
    held = elapsed(stimulus.raised, stimulus.cleared)
    return Bounds(max(0, held.lo), max(0, held.hi))


def sweeps_of(site: Site, evidence: Evidence) -> tuple[Sweep, ...]:
    """What every sweep of a record came to, in the order of the site file."""
    groups: dict[tuple[str, str], dict[int, list[Try]]] = defaultdict(lambda: defaultdict(list))
    for it in tries_of(site, evidence):
        groups[it.alarm, it.point][it.asked_ns].append(it)
    return tuple(
        Sweep(alarm=alarm, point=point, tries=tuple(_tries(*each) for each in sorted(mine.items(), reverse=True)))
        for (alarm, point), mine in groups.items()
    )


def _tries(asked_ns: int, mine: Sequence[Try]) -> Tries:
    told = [it.shown for it in mine]
    return Tries(
        asked_ns=asked_ns,
        held=Bounds(min(it.held.lo for it in mine), max(it.held.hi for it in mine)),
        shown=told.count(True),
        not_shown=told.count(False),
        unknown=told.count(None),
    )


def _told(row: Expectation, sketch: Outline, stimulus: Stimulus, starts: Sequence[int]) -> bool | None:
    """Whether an output showed one try; None where that cannot be told."""
    at = bisect_right(starts, stimulus.raised.hi)
    next_raise = starts[at] if at < len(starts) else None
    anything = Expectation(
        key="",
        alarm=row.alarm,
        point=row.point,
        behaviour=Behaviour.PULSE,
        limits=Limits(settle_ns=0, search_ns=row.limits.search_ns),
        origin=row.origin,
    )
    demand = demand_of(stimulus, anything, next_raise)
    if not is_ready(sketch, demand):
        return None
    if not some_world_meets(sketch, demand):
        return False
    sampled = [
        number
        for number in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
        if demand.raised.lo <= sketch.onset_hi[number] and sketch.onset_lo[number] <= demand.search_end_hi
    ]
    return True if sampled else None
