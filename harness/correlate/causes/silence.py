"""What the silence did not do, and what it did besides: a horn that sounds on, an output that goes off with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from harness.core.instants import Bounds, elapsed
from harness.core.model import Cause, CauseKind, Step
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import ANSWER_NS, Finding
from harness.correlate.causes.words import pair_text, points, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text


def silenced(case: Case) -> Iterator[Finding]:
    """Horns that only a later step stopped, by that step; and by link what the silence put out and should not have."""
    later: dict[str, list[int]] = defaultdict(list)
    besides: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result, silence = case.results[number], case.stimulus(number).silenced
        if silence is None or silence.is_open_above or result.end is None or result.end.is_open_above:
            continue
        verdicts = (result.verdict, *result.also)
        if case.rows[result.expectation].released_by is Step.SILENCE:
            step = _stopped_by(case, number, silence) if Verdict.STUCK in verdicts else ""
            if step:
                later[step].append(number)
        elif Verdict.BRIEF in verdicts and _is_answer(case, number, silence):
            besides[case.link_of(result.point)].append(number)
    for step, numbers in later.items():
        yield Finding(cause=_not_silenced(case, step, numbers), results=tuple(numbers))
    for numbers in besides.values():
        yield Finding(cause=_put_out(case, numbers), results=tuple(numbers))


def _is_answer(case: Case, number: int, silence: Bounds) -> bool:
    """True where it went off at once after the silence, and surely before any later step."""
    end, stimulus = case.results[number].end, case.stimulus(number)
    later = (stimulus.acknowledged, stimulus.cleared, stimulus.reset)
    if end is None or any(step is not None and end.hi >= step.lo for step in later):
        return False
    return end.hi >= silence.lo and end.lo <= silence.hi + ANSWER_NS


def _stopped_by(case: Case, number: int, silence: Bounds) -> str:
    """The step behind the silence after which it went off at once; '' where that was none, or more than one."""
    end, stimulus = case.results[number].end, case.stimulus(number)
    slack = max(case.demand(number).limits.gone_within_ns or 0, ANSWER_NS)
    named = (("acknowledge", stimulus.acknowledged), ("clear", stimulus.cleared))
    found = [
        name
        for name, at in named
        if at is not None and end is not None and at.lo > silence.hi and at.lo <= end.hi and end.lo <= at.hi + slack
    ]
    return found[0] if len(found) == 1 else " or the ".join(found)


def _not_silenced(case: Case, step: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="not-silenced",
        text=f"silence does nothing there, the {step} does: {points(case, numbers)}",
        evidence=series(_after(case, n) for n in numbers),
        next_check="press the silence of the panel and listen: is this output wired to it; if it is meant to sound "
        "until it is acknowledged, take 'released by: silence' from its rows",
    )


def _put_out(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="silenced-too",
        text=f"goes off with the silence, which should leave it on: {points(case, numbers)}; it hangs on the horn, or "
        "the silence acknowledges as well",
        evidence=series(_after(case, n) for n in numbers),
        next_check="silence an alarm and read its state at the controller: where it is acknowledged now, the silence "
        "acknowledges; if the output is meant to be silenced, say so (released by: silence)",
    )


def _after(case: Case, number: int) -> str:
    result, stimulus = case.results[number], case.stimulus(number)
    end = result.end or Bounds(0, 0)
    named = (("silence", stimulus.silenced), ("acknowledge", stimulus.acknowledged), ("clear", stimulus.cleared))
    told = [
        f"{span_text(from_zero(elapsed(at, end)))} after the {name}"
        for name, at in named
        if at is not None and at.lo <= end.hi
    ]
    return f"{pair_text(result)} went off {', '.join(told)}"
