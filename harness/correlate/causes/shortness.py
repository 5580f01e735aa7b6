"""Points that drop early: with the alarm itself, with the clear, or by themselves after much the same time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from harness.core.instants import NS_PER_MS, Bounds, elapsed
from harness.core.model import Behaviour, Cause, CauseKind, Equal, Result
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import ALIKE, ANSWER_NS, Finding
from harness.correlate.causes.spots import thing
from harness.correlate.causes.words import alarms, pair_text, points, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text


def brief(case: Case) -> Iterator[Finding]:
    """Points that dropped early: with the alarm itself, with the clear, or by themselves after much the same time."""
    by_link: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if _is_behind_another(result):
            by_link[case.link_of(result.point)].append(number)
        if result.onset is None or result.onset.hi < case.demand(number).raised.lo:
            continue  # what was on before the raise says nothing about how long this alarm shows
        if result.verdict is Verdict.BRIEF or Verdict.BRIEF in result.also:
            by_link[case.link_of(result.point)].append(number)
    for link, numbers in by_link.items():
        short = [n for n in numbers if _alarm_was_short(case, n)]
        with_clear = [n for n in numbers if n not in short and _went_with_clear(case, n)]
        # The point that was let go of with a clear of one alarm let go of all that it held for.
        spots = {case.results[n].point for n in with_clear}
        behind = [n for n in numbers if n not in short and _is_behind_another(case.results[n])]
        with_clear = sorted({*with_clear, *(n for n in behind if case.results[n].point in spots)})
        behind = [n for n in behind if n not in with_clear]
        rest = [n for n in numbers if n not in short and n not in with_clear and n not in behind]
        if short:
            yield Finding(cause=_short_alarm(case, short), results=tuple(short))
        if with_clear:
            yield Finding(cause=_follows(case, with_clear), results=tuple(with_clear))
        for point in dict.fromkeys(case.results[n].point for n in behind):
            here = [n for n in behind if case.results[n].point == point]
            yield Finding(cause=_not_held_for_all(case, here), results=tuple(here))
        yield from _momentary(case, link, rest)


def _alarm_was_short(case: Case, number: int) -> bool:
    stimulus, limits = case.stimulus(number), case.demand(number).limits
    if stimulus.cleared is None or limits.visible_for_ns is None:
        return False
    result = case.results[number]
    follows = result.end is not None and result.end.hi >= stimulus.cleared.lo
    return follows and elapsed(stimulus.raised, stimulus.cleared).hi < limits.visible_for_ns


def _went_with_clear(case: Case, number: int) -> bool:
    result, stimulus, demand = case.results[number], case.stimulus(number), case.demand(number)
    if demand.behaviour not in (Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED):
        return False
    cleared, end = stimulus.cleared, result.end
    return cleared is not None and end is not None and end.hi >= cleared.lo and end.lo <= cleared.hi + ANSWER_NS


def _is_behind_another(result: Result) -> bool:
    """True of a point that another alarm held first, and that went off before this one let it go."""
    return result.verdict is Verdict.BRIEF and result.onset is None


def _short_alarm(case: Case, numbers: Sequence[int]) -> Cause:
    told = (
        f"{case.results[n].alarm} ({case.results[n].stimulus}) was up for "
        f"{span_text(from_zero(elapsed(case.stimulus(n).raised, case.stimulus(n).cleared or case.stimulus(n).raised)))}"
        for n in numbers
    )
    return Cause(
        kind=CauseKind.TIME,
        code="alarm-too-short",
        text=f"the alarm itself was up for less time than the point must show it: {alarms(case, numbers)}",
        evidence=series(told),
        next_check="hold the alarm longer when raising it, or lower the visible time in the point map to what the "
        "alarm lasts",
    )


def _follows(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="not-held",
        text=f"follows the alarm, and is not held until it is released: {points(case, numbers)}",
        evidence=series(f"{_after_clear(case, n)}, before it was released" for n in numbers),
        next_check="if the output is meant to follow, say so in the point map (behaviour follows) and judge the "
        "record again; else set the latch in the device",
    )


def _not_held_for_all(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="not-held-for-all",
        text=f"shared, and not held until the last of its alarms lets it go: {points(case, numbers)} went off while "
        f"{alarms(case, numbers)} was still to be shown there",
        evidence=series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers),
        next_check="raise these alarms alone, each only after the point went off again: one that shows then is shown "
        "there, and the point lets go too early; one that does not is not sent there",
        equals=(
            Equal(
                kind=CauseKind.ADDRESS,
                code="point-silent",
                text="the device does not send these alarms there, and what was on was the other alarm alone",
            ),
        ),
        deciding="each of these alarms raised alone",
    )


def _after_clear(case: Case, number: int) -> str:
    result, cleared = case.results[number], case.stimulus(number).cleared
    if cleared is None or result.end is None:
        return f"{pair_text(result)} went off with it"
    return f"{pair_text(result)} went off {span_text(from_zero(elapsed(cleared, result.end)))} after the clear"


def _momentary(case: Case, link: str, numbers: Sequence[int]) -> Iterator[Finding]:
    """Groups of the same visible time are one cause; points that dropped after times of their own are one each."""
    left = sorted(numbers, key=lambda n: (_visible(case, n).hi, n))
    while left:
        group = [left[0]]
        low, high = _visible(case, left[0]).lo, _visible(case, left[0]).hi
        for n in left[1:]:
            new_low, new_high = max(low, _visible(case, n).lo), min(high, _visible(case, n).hi)
            if new_low <= new_high * ALIKE + NS_PER_MS:
                group.append(n)
                low, high = new_low, new_high
        left = [n for n in left if n not in set(group)]
        group.sort()
        visible = span_text(Bounds(min(low, high), max(low, high)))
        several = len({thing(case.site.points[case.results[n].point]) for n in group}) > 1
        yield Finding(cause=_momentary_cause(case, link, group, visible, several=several), results=tuple(group))


def _visible(case: Case, number: int) -> Bounds:
    return case.results[number].visible or Bounds(0, 0)


def _momentary_cause(case: Case, link: str, numbers: Sequence[int], visible: str, *, several: bool) -> Cause:
    told = series(f"{pair_text(case.results[n])}: {span_text(_visible(case, n))}" for n in numbers)
    if several:
        return Cause(
            kind=CauseKind.MEANING,
            code="momentary",
            text=f"momentary: points of link {link} drop by themselves after much the same time, {visible}: "
            f"{points(case, numbers)}",
            evidence=f"visible while the alarm was still up: {told}",
            next_check="look for a pulse length or a momentary setting that these outputs share; if a pulse is meant, "
            "say so in the point map (behaviour pulse) and judge the record again",
        )
    return Cause(
        kind=CauseKind.MEANING,
        code="drops-early",
        text=f"drops by itself after {visible} while the alarm is still up: {points(case, numbers)}; a momentary "
        "output, or an output or contact that does not hold",
        evidence=f"visible: {told}",
        next_check="look for a pulse length set for this output; raise the alarm again, hold it, and see whether it "
        "drops after the same time",
    )
