"""Alarms that were cleared, and that the controller still had by all that was seen: then they may be real."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.model import Behaviour, Cause, CauseKind, Equal, Step
from harness.core.verdicts import Verdict
from harness.core.wording import TAKE_FOR_REAL
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import ANSWER_NS, Finding
from harness.correlate.causes.words import alarms, pairs, point, points, series
from harness.correlate.wording import time_text

LINKS_MIN: Final = 2
"""Stuck on so many links that do not read one another, it is no output that is stuck, but what they all show."""


def still_active(case: Case) -> Iterator[Finding]:
    """By the reference point, else by outputs of several links: one cause an alarm."""
    by_reference: dict[str, list[int]] = defaultdict(list)
    by_outputs: dict[str, list[int]] = defaultdict(list)
    for stimulus, every in case.by_stimulus.items():
        still_on = [n for n in every if n in case.open and _is_on_to_the_end(case, n)]
        if still_on and _is_on_at_reference(case, stimulus):
            by_reference[case.results[still_on[0]].alarm] += still_on
        elif still_on and not case.stimuli[stimulus].timed_by and _is_on_at_several(case, every):
            by_outputs[case.results[still_on[0]].alarm] += still_on
    for numbers in by_reference.values():
        yield Finding(cause=_cause(case, numbers, _at_reference(case, numbers), _REFERENCE), results=tuple(numbers))
    for numbers in by_outputs.values():
        yield Finding(cause=_cause(case, numbers, _at_outputs(case, numbers), _OUTPUTS), results=tuple(numbers))


def _is_on_to_the_end(case: Case, number: int) -> bool:
    result = case.results[number]
    return case.is_loud(number) and result.end is not None and result.end.is_open_above


def _is_on_at_reference(case: Case, stimulus: str) -> bool:
    """True where the reference point was read on well after the clear, and never off again."""
    done, timed = case.done[stimulus], case.stimuli[stimulus]
    if not timed.timed_by or case.sketches[timed.timed_by].is_told or done.cleared is None or timed.cleared is None:
        return False
    return timed.cleared.is_open_above and timed.cleared.lo >= done.cleared.hi + ANSWER_NS


def _is_on_at_several(case: Case, every: Sequence[int]) -> bool:
    """True where its own outputs are stuck on several links, and none of them has gone."""
    own = [n for n in every if _follows(case, n)]
    stuck = [n for n in own if case.results[n].verdict is Verdict.STUCK and _is_on_to_the_end(case, n)]
    has_gone = any((end := case.results[n].end) is not None and not end.is_open_above for n in own)
    links = {case.link_of(case.results[n].point) for n in stuck}
    return not has_gone and sum(links.isdisjoint(case.site.before(link)) for link in links) >= LINKS_MIN


def _follows(case: Case, number: int) -> bool:
    """True of a row that goes with its alarm alone, at a point of its own that is read again and again."""
    result = case.results[number]
    row = case.rows[result.expectation]
    follows = row.behaviour is Behaviour.FOLLOWS and row.released_by is not Step.SILENCE
    return follows and len(case.shown_at[result.point]) == 1 and not case.sketches[result.point].is_told


def _cause(case: Case, numbers: Sequence[int], evidence: str, equals: Equal) -> Cause:
    return Cause(
        kind=CauseKind.STIMULUS,
        code="still-active",
        text=f"{alarms(case, numbers)} was cleared, and the controller still showed it: {TAKE_FOR_REAL}",
        evidence=evidence,
        next_check="look at the sensing point first; where nothing is there, look at the controller's own screen: did "
        "the clear reach it, or does the alarm wait for an acknowledge or a reset there",
        equals=(equals,),
        deciding="the controller's own screen: is the alarm active there",
    )


_REFERENCE: Final = Equal(
    kind=CauseKind.MEANING, code="reference-wrong", text="the reference point is stuck, or it latches"
)
_OUTPUTS: Final = Equal(
    kind=CauseKind.MEANING,
    code="never-gone",
    text="all these outputs are stuck, or latch where the point map does not say so",
)


def _at_reference(case: Case, numbers: Sequence[int]) -> str:
    told = []
    for stimulus in dict.fromkeys(case.results[n].stimulus for n in numbers):
        done, timed = case.done[stimulus].cleared, case.stimuli[stimulus]
        after = 0 if done is None or timed.cleared is None else timed.cleared.lo - done.hi
        told.append(f"{point(case, timed.timed_by)} was still on {time_text(after)} after the clear of {stimulus}")
    return f"{series(told)}; still on as well: {points(case, numbers)}"


def _at_outputs(case: Case, numbers: Sequence[int]) -> str:
    return (
        f"on to the end, on links that do not read one another, and none of its own outputs went off: "
        f"{pairs(case, numbers)}; no reference point says whether the controller has it"
    )
