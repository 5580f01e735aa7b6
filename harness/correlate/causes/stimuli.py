"""What was wrong with the raising, or with the controller itself: not raised, not proven, sent nowhere."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from harness.core.model import Cause, CauseKind
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.spots import thing
from harness.correlate.causes.words import listed, pairs, point, points
from harness.correlate.wording import time_text


def not_proven(case: Case) -> Iterator[Finding]:
    """Raises without an answer or read-back, and raises that the reference point denies."""
    numbers = case.opened(Verdict.NOT_RUN)
    silent = [n for n in numbers if not case.stimulus(n).timed_by]
    if silent:
        told = listed(f"{case.results[n].alarm} ({case.results[n].stimulus})" for n in silent)
        yield Finding(
            cause=Cause(
                kind=CauseKind.STIMULUS,
                code="raise-not-proven",
                text="the raise got no answer and no read-back, so nothing is judged from it",
                evidence=f"not proven: {told}",
                next_check="check the link and the writable addresses through which alarms are raised, then raise "
                "these again",
            ),
            results=tuple(silent),
        )
    denied: dict[str, list[int]] = defaultdict(list)
    for n in numbers:
        if case.stimulus(n).timed_by:
            denied[case.stimulus(n).timed_by].append(n)
    free = {name: each for name, each in denied.items() if _explained_by_reference(case, name) is None}
    for name in sorted(denied.keys() - free.keys()):
        cause = _explained_by_reference(case, name)
        if cause is not None:
            yield Finding(cause=cause, results=tuple(denied[name]))
    if free:
        yield _denied(case, free)


def _explained_by_reference(case: Case, name: str) -> Cause | None:
    """The cause that already explains why the reference point did not show its alarm."""
    for number in case.by_point.get(name, ()):
        cause = case.cause_of.get(number)
        if cause is not None and cause.kind in (CauseKind.IDENTITY, CauseKind.ADDRESS, CauseKind.DECODING):
            return cause
    return None


def _denied(case: Case, free: dict[str, list[int]]) -> Finding:
    numbers = sorted(n for each in free.values() for n in each)
    elsewhere = sorted({case.results[n].stimulus for n in numbers if _shown_elsewhere(case, n)})
    also = f"; yet another output reacted to {listed(elsewhere)}" if elsewhere else ""
    return Finding(
        cause=Cause(
            kind=CauseKind.STIMULUS,
            code="reference-silent",
            text="the controller did not raise the alarm, or the reference point is not that alarm's: "
            + listed(case.results[n].alarm for n in numbers),
            evidence=f"stayed off through the whole window: {listed(point(case, name) for name in free)}{also}",
            next_check="look at the controller's own screen while raising it again: is it this alarm that comes up, "
            "and is the controller in its test mode; then check the reference point's address",
        ),
        results=tuple(numbers),
    )


def _shown_elsewhere(case: Case, number: int) -> bool:
    mine = case.results[number]
    return any(
        case.results[n].point != case.stimulus(number).timed_by and case.shows_at(n, case.spots[case.results[n].point])
        for n in case.by_stimulus[mine.stimulus]
        if len(case.shown_at[case.results[n].point]) == 1
    )


def contradicted(case: Case) -> Iterator[Finding]:
    """Stimuli whose points reacted before they were raised."""
    by_point: dict[str, list[int]] = defaultdict(list)
    for at in case.open_strays:
        by_point[case.strays[at].point].append(at)
    groups: dict[str, tuple[int, list[int]]] = {}
    for number in case.opened(Verdict.UNRESOLVED):
        result = case.results[number]
        demand = case.demand(number)
        for at in sorted(by_point.get(result.point, ())):
            onset = case.strays[at].onset
            early = demand.raised.lo - demand.limits.search_ns <= onset.lo and onset.hi < demand.raised.lo
            if early and result.onset is None and "contradicted" in result.reason:
                groups.setdefault(result.stimulus, (at, []))
    for stimulus, (at, _) in groups.items():
        numbers = [n for n in case.by_stimulus[stimulus] if n in case.open and "contradicted" in case.results[n].reason]
        stray, raised = case.strays[at], case.stimuli[stimulus].raised
        yield Finding(
            cause=Cause(
                kind=CauseKind.STIMULUS,
                code="stimulus-time",
                text=f"the stated time of {stimulus} ({case.stimuli[stimulus].alarm}) is wrong, or the alarm came up "
                "by itself before it was raised",
                evidence=f"{point(case, stray.point)} came on at least {time_text(raised.lo - stray.onset.hi)} before "
                "the raise, and showed nothing after it",
                next_check="compare the clock and the moment of pressing the key with how the stimulus was recorded; "
                "raise it again",
            ),
            results=tuple(numbers),
            strays=(at,),
        )


def sent_nowhere(case: Case) -> Iterator[Finding]:
    """Every output of an alarm missed it: it was not raised, was another alarm, or the controller sends it nowhere."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(Verdict.MISSED):
        groups[case.results[number].alarm].append(number)
    nowhere: dict[bool, list[int]] = defaultdict(list)
    for alarm, numbers in groups.items():
        own = [n for n in _loud_of(case, alarm) if _is_own(case, n, alarm)]
        places = {
            thing(case.site.points[case.results[n].point]) for n in own if case.results[n].verdict is Verdict.MISSED
        }
        if len(places) >= 2 and all(case.results[n].verdict is Verdict.MISSED and n in case.open for n in own):
            up = all(case.stimulus(n).timed_by for n in own)
            nowhere[up] += numbers
    for up, numbers in nowhere.items():
        yield Finding(cause=_sent_nowhere(case, sorted(numbers), up=up), results=tuple(sorted(numbers)))


def _loud_of(case: Case, alarm: str) -> list[int]:
    stimuli = dict.fromkeys(it.id for it in case.raises.of_alarm.get(alarm, ()))
    return [
        n
        for stimulus in stimuli
        for n in case.by_stimulus.get(stimulus, ())
        if case.is_loud(n) and case.results[n].verdict not in (Verdict.NOT_RUN, Verdict.NOT_OBSERVED, Verdict.MASKED)
    ]


def _is_own(case: Case, number: int, alarm: str) -> bool:
    """True of a point that only this alarm uses, and that does not time it."""
    name = case.results[number].point
    return len(case.shown_at[name]) == 1 and name != case.site.alarms[alarm].reference


def _sent_nowhere(case: Case, numbers: Sequence[int], *, up: bool) -> Cause:
    names = listed(case.results[n].alarm for n in numbers)
    common = [
        n
        for stimulus in dict.fromkeys(case.results[n].stimulus for n in numbers)
        for n in case.by_stimulus[stimulus]
        if case.results[n].onset is not None
    ]
    shown = f"; a shared output did show: {points(case, common)}" if common else ""
    if up:
        references = listed(point(case, case.stimulus(n).timed_by) for n in numbers)
        return Cause(
            kind=CauseKind.STIMULUS,
            code="sent-nowhere",
            text=f"the controller raises {names} and sends it to none of its outputs",
            evidence=f"up by its reference point: {references}; missed: {pairs(case, numbers)}{shown}",
            next_check="check in the controller whether this alarm is enabled for these outputs (group, class, "
            "priority)",
        )
    return Cause(
        kind=CauseKind.STIMULUS,
        code="not-raised",
        text=f"{names}: the controller did not raise it, it was not this alarm that was raised, or it is sent nowhere "
        "(no reference point says which)",
        evidence=f"every output of its own missed it: {pairs(case, numbers)}{shown}",
        next_check="look at the controller's own screen while raising it again: is it this alarm that comes up; name "
        "a reference point for it in the site file",
    )
