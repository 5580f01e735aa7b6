"""When an unknown result would have needed samples that it has not."""

from __future__ import annotations

from collections.abc import Iterator

from harness.core.instants import FOREVER, Bounds
from harness.core.links import BacnetLink, ModbusLink
from harness.core.model import Behaviour
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.demand import Demand
from harness.correlate.worlds import is_ready


def unseen(case: Case, number: int) -> list[Bounds]:
    """The times in which an unknown result would have needed samples; none where that is not what it lacks."""
    result, demand = case.results[number], case.demand(number)
    if result.verdict is Verdict.NOT_OBSERVED or (result.verdict is Verdict.UNRESOLVED and result.onset is None):
        until = demand.onset_hi
        if demand.behaviour is Behaviour.QUIET:
            until = demand.quiet_until(demand.raised.hi, None if demand.cleared is None else demand.cleared.hi)
        return [Bounds(demand.raised.lo, max(demand.raised.lo, until))]
    if result.verdict is Verdict.MASKED:
        return list(_ends(case, result.point, demand))
    if result.verdict is not Verdict.UNRESOLVED or _was_on(case, result.point, demand):
        return []  # what was on before the raise proves nothing, however well it was seen
    if case.sketches[result.point].is_told and result.onset is not None:
        # Its bounds are as wide as the longest delay, whether anybody was listening all the while or not.
        ends = [it.hi for it in (result.onset, result.end) if it is not None and not it.is_open_above]
        return [Bounds(demand.raised.lo, max([demand.raised.lo, *ends]))]
    found = [it for it in (result.onset, result.end) if it is not None and not it.is_open_below]
    until = FOREVER if demand.deadline is None else demand.deadline.hi
    spans = ((it.lo, until if it.is_open_above else it.hi) for it in found)
    return [Bounds(lo, hi) for lo, hi in spans if hi >= lo]


def _ends(case: Case, point: str, demand: Demand) -> Iterator[Bounds]:
    """The gaps in which what held a point at a raise may have gone, or this alarm come on, unseen."""
    sketch = case.sketches[point]
    if sketch.is_told or not isinstance(case.site.links.get(case.link_of(point)), ModbusLink | BacnetLink):
        return  # what is told, or looked at by a person, has no polls that could fail
    for at in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi):
        if sketch.end_lo[at] < demand.raised.hi <= sketch.end_hi[at] < FOREVER:
            yield Bounds(sketch.end_lo[at], sketch.end_hi[at])
    for gap in sketch.wide_gaps(sketch.hold.on_ns, demand.raised.lo, demand.search_end_hi):
        if gap.lo > -FOREVER:
            yield Bounds(gap.lo, min(gap.hi, demand.search_end_hi))


def _was_on(case: Case, point: str, demand: Demand) -> bool:
    """True where the last sample before the raise was on."""
    sketch = case.sketches[point]
    return sketch.last_before(demand.raised.lo) >= 0 and not is_ready(sketch, demand)
