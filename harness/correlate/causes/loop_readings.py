"""Current loops that gave no level: for the whole run, or just when one was needed."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import ModbusLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.places import BacnetPlace, ModbusPlace
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.loops import FAILURES, loop_of, on_when
from harness.correlate.causes.words import pairs, points

BLIND_SHARE: Final = 20
"""Polls that failed for more than this part of the run (one in so many) may be why a loop was never read."""


def dead_loops(case: Case) -> Iterator[Finding]:
    """Loops of which every answer was outside of what a loop can carry: no current, or an input that is not read."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED):
        loop = loop_of(case, case.results[number].point)
        if loop is not None and _never_a_level(case, loop.name):
            groups[case.link_of(case.results[number].point)].append(number)
    for link, numbers in groups.items():
        yield Finding(
            cause=Cause(
                kind=CauseKind.IDENTITY,
                code="block-dead",
                text=f"the inputs of link {link} answer, and never with a level: {points(case, numbers)}",
                evidence="polled for the whole run without one reading in the range of the loop: "
                f"{pairs(case, numbers)}",
                next_check="read the raw counts: 0 is an input that nothing is wired to, or a block that is "
                "not written to",
                equals=(Equal(kind=CauseKind.TRANSPORT, code="loop-broken", text="the loops carry no current"),),
                deciding="a meter in one of the loops",
            ),
            results=tuple(numbers),
        )


def out_of_range(case: Case) -> Iterator[Finding]:
    """Levels that could not be read in their window, though every poll was answered: the current was no level then."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED):
        result = case.results[number]
        loop = loop_of(case, result.point)
        if loop is None or on_when(case, number) in FAILURES or not case.is_loud(number):
            continue
        demand, sketch = case.demand(number), case.sketches[result.point]
        window = Bounds(demand.raised.lo, demand.onset_hi)
        unit, link = case.spots[result.point].block.unit, case.link_of(result.point)
        failed = any(it.link == link and it.unit in (unit, None) and it.span.lo <= window.hi and it.span.hi >= window.lo
                     for it in case.evidence.blind)  # fmt: skip
        gap = sketch.widest_gap(window.lo, window.hi)
        spec = case.site.links[link]
        period = spec.poll_period_ns if isinstance(spec, ModbusLink) else 0
        if not failed and result.onset is None and (gap is None or gap > GAPS_MISSED * period):
            groups[link].append(number)
    for link, numbers in groups.items():
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code="loop-out-of-range",
                text=f"the current was no level in these windows, below or above what a level can be: "
                f"{points(case, numbers)}",
                evidence=f"every poll of link {link} was answered then, and none with a level: {pairs(case, numbers)}",
                next_check="read the raw counts while the alarm is up, and compare the current with the failure range "
                "of NAMUR NE 43, below 3.6 mA and above 21 mA",
                equals=_DRIVEN_OUT,
                deciding="a meter in the loop while the alarm is up",
            ),
            results=tuple(numbers),
        )


GAPS_MISSED: Final = 4
"""A gap between levels that is wider than so many polls, all of them answered, is no chance of their timing."""

_DRIVEN_OUT: Final = (
    Equal(kind=CauseKind.ADDRESS, code="wrong-bit", text="the alarm drives the failure current of the loop"),
    Equal(kind=CauseKind.TRANSPORT, code="loop-broken", text="the loop carries no current"),
)


def _never_a_level(case: Case, loop: str) -> bool:
    """No point of the loop that tells a level had one sample, while its link was polled."""
    levels = [
        name
        for name, point in case.site.points.items()
        if (of := loop_of(case, name)) is not None
        and of.name == loop
        and isinstance(point.place, ModbusPlace | BacnetPlace)
        and point.place.on_when not in FAILURES
    ]
    where = {(case.link_of(name), case.spots[name].block.unit) for name in levels}
    blind_ns = sum(it.span.width for it in case.evidence.blind if (it.link, it.unit) in where)
    run_ns = case.raises.in_order[-1].raised.hi - case.raises.in_order[0].raised.lo if case.raises.in_order else 0
    return (
        bool(levels) and blind_ns * BLIND_SHARE <= run_ns and not any(len(case.sketches[name].trace) for name in levels)
    )
