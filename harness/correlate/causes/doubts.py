"""Which fails an unknown result may be: what its bounds leave open."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.model import CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case


def in_doubt(case: Case, numbers: Sequence[int]) -> tuple[Equal, ...]:
    """The fails that these results may be: each obligation whose limit lies within the bounds."""
    found: dict[str, Equal] = {}
    for n in numbers:
        result, demand = case.results[n], case.demand(n)
        limits, latency, end, visible = demand.limits, result.latency, result.end, result.visible
        if limits.appears_within_ns is not None and latency is not None and latency.hi > limits.appears_within_ns:
            found["late"] = Equal(kind=CauseKind.TIME, code="output-delay", text="it comes late by itself")
        stay, short = demand.stay_until, limits.visible_for_ns
        too_short = short is not None and visible is not None and visible.lo < short
        may_drop = (end is not None and stay is not None and end.lo < stay.hi) or _went_off_before(case, n)
        if may_drop or (end is not None and too_short):
            text = "it drops by itself while the alarm is still up"
            found["short"] = Equal(kind=CauseKind.MEANING, code="drops-early", text=text)
        if end is not None and end.is_open_above:
            found["stays"] = Equal(kind=CauseKind.MEANING, code="never-gone", text="the output is stuck")
        elif end is not None and demand.deadline is not None and end.hi > demand.deadline.lo:
            found["slow"] = Equal(kind=CauseKind.TIME, code="slow-to-go", text="it goes off late by itself")
    return tuple(found.values())


def _went_off_before(case: Case, number: int) -> bool:
    """True where a point that another alarm held as well was seen to go off before this one released it."""
    result, demand = case.results[number], case.demand(number)
    if result.verdict is not Verdict.MASKED or demand.stay_until is None:
        return False
    sketch, until = case.sketches[result.point], demand.stay_until.lo
    return any(
        demand.raised.lo <= sketch.onset_hi[at] and sketch.end_hi[at] < until
        for at in sketch.sightings_touching(demand.raised.lo, until)
    )
