"""Points that stay on too long or too short: latched, never gone, momentary, or acting as another behaviour."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds, elapsed
from harness.core.model import Behaviour, Cause, CauseKind, Stimulus
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case, Finding
from harness.correlate.causes.spots import Block
from harness.correlate.causes.words import alarms, block, pair_text, points, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text

ANSWER_NS: Final = 2 * NS_PER_S
"""An end within this time of a step counts as the answer to it where no limit says more (common practice, no source).
"""

ALIKE: Final = 1.25
"""Times count as much the same where the largest lower bound is at most so many times the smallest upper one."""


def stuck(case: Case) -> Iterator[Finding]:
    """Points that went off with the acknowledge or the reset and not with the clear; then those that never went off."""
    ends: dict[tuple[Block, tuple[str, ...]], list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if result.end is not None and (result.verdict is Verdict.STUCK or Verdict.STUCK in result.also):
            of = case.spots[result.point].block
            ends[of, () if result.end.is_open_above else _answers(case, number)].append(number)
    for (of, steps), numbers in ends.items():
        held = [n for n in case.opened() if n in numbers or _is_held(case, n, numbers)]
        if steps:
            yield Finding(cause=_latched(case, block(of), steps, numbers), results=tuple(held))
        elif all(case.results[n].end is not None and _open(case, n) for n in numbers):
            yield Finding(cause=_never_gone(case, numbers), results=tuple(held))
        else:
            yield Finding(cause=_slow_to_go(case, numbers), results=tuple(held))


def _open(case: Case, number: int) -> bool:
    end = case.results[number].end
    return end is not None and end.is_open_above


def _steps(stimulus: Stimulus) -> list[tuple[str, Bounds]]:
    named = (("acknowledge", stimulus.acknowledged), ("reset", stimulus.reset))
    return [(name, at) for name, at in named if at is not None]


def _answers(case: Case, number: int) -> tuple[str, ...]:
    """The steps after which the end came at once; not those before the clear, which cannot have held it on."""
    end, stimulus = case.results[number].end, case.stimulus(number)
    if end is None:
        return ()
    slack = max(case.demand(number).limits.gone_within_ns or 0, ANSWER_NS)
    found = [
        name
        for name, at in _steps(stimulus)
        if end.hi >= at.lo and end.lo <= at.hi + slack and (stimulus.cleared is None or at.hi > stimulus.cleared.hi)
    ]
    return tuple(found)


def _is_held(case: Case, number: int, stuck_ones: Sequence[int]) -> bool:
    """True of a later unknown result at a point that an earlier one still held on."""
    result = case.results[number]
    if result.verdict not in (Verdict.UNRESOLVED, Verdict.MASKED, Verdict.STUCK):
        return False
    raised = case.stimulus(number).raised
    for other in stuck_ones:
        first = case.results[other]
        if first.point != result.point or first.onset is None or first.end is None:
            continue
        if first.onset.hi < raised.lo <= first.end.hi:
            return True
    return False


def _latched(case: Case, of: str, steps: tuple[str, ...], numbers: Sequence[int]) -> Cause:
    step = " or the ".join(steps)
    both = " (they came too close together to tell which)" if len(steps) > 1 else ""
    return Cause(
        kind=CauseKind.MEANING,
        code="latched",
        text=f"latched, on until the {step}{both} and not following the alarm: {points(case, numbers)}, in {of}",
        evidence=series(_after_steps(case, n, steps) for n in numbers),
        next_check="if the output is meant to latch, say so in the point map (behaviour latched) and judge the record "
        "again; else take the latch out in the device",
    )


def _after_steps(case: Case, number: int, steps: tuple[str, ...]) -> str:
    result, stimulus = case.results[number], case.stimulus(number)
    end = result.end or Bounds(0, 0)
    told = [
        f"{span_text(from_zero(elapsed(at, end)))} after the {name}" for name, at in _steps(stimulus) if name in steps
    ]
    cleared = (
        "" if stimulus.cleared is None else f", {span_text(from_zero(elapsed(stimulus.cleared, end)))} after the clear"
    )
    return f"{pair_text(result)} went off {' and '.join(told)}{cleared}"


def _never_gone(case: Case, numbers: Sequence[int]) -> Cause:
    done = {name for n in numbers for name, _ in _steps(case.stimulus(n))}
    given = f"after the {' and the '.join(sorted(done))}" if done else "no acknowledge or reset was given"
    undone = [name for name in ("acknowledge", "reset") if name not in done]
    latch = f"it latches and waits for the {' or the '.join(undone)}, or " if undone else ""
    return Cause(
        kind=CauseKind.MEANING,
        code="never-gone",
        text=f"stayed on to the end: {points(case, numbers)}; {latch}the output is stuck",
        evidence=f"{series(_stayed(case, n) for n in numbers)}; {given}",
        next_check=f"{'give the ' + ' and the '.join(undone) + ' and see whether it goes off; ' if undone else ''}see "
        "whether the device still writes this place when the alarm goes",
    )


def _stayed(case: Case, number: int) -> str:
    result, cleared = case.results[number], case.stimulus(number).cleared
    if cleared is None or result.end is None:
        return f"{pair_text(result)} never went off"
    return f"{pair_text(result)} was still on {time_text(max(0, result.end.lo - cleared.hi))} after the clear"


def _slow_to_go(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.TIME,
        code="slow-to-go",
        text=f"goes off later than allowed: {points(case, numbers)}; a delay on return to normal, or a slow refresh",
        evidence=series(_lag(case, n) for n in numbers),
        next_check="read the off-delay (or the time delay on return to normal) that is set for this output; compare "
        "it with the limit",
    )


def _lag(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    start = demand.release or demand.cleared
    if start is None or result.end is None:
        return f"{pair_text(result)} went off late"
    return f"{pair_text(result)} went off {span_text(from_zero(elapsed(start, result.end)))} after its release"


def brief(case: Case) -> Iterator[Finding]:
    """Points that dropped early: with the alarm itself, with the clear, or by themselves after much the same time."""
    by_link: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if result.onset is None or result.onset.hi < case.demand(number).raised.lo:
            continue  # what was on before the raise says nothing about how long this alarm shows
        if result.verdict is Verdict.BRIEF or Verdict.BRIEF in result.also:
            by_link[case.link_of(result.point)].append(number)
    for link, numbers in by_link.items():
        short = [n for n in numbers if _alarm_was_short(case, n)]
        with_clear = [n for n in numbers if n not in short and _went_with_clear(case, n)]
        rest = [n for n in numbers if n not in short and n not in with_clear]
        if short:
            yield Finding(cause=_short_alarm(case, short), results=tuple(short))
        if with_clear:
            yield Finding(cause=_follows(case, with_clear), results=tuple(with_clear))
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


def _after_clear(case: Case, number: int) -> str:
    result, cleared = case.results[number], case.stimulus(number).cleared
    if cleared is None or result.end is None:
        return f"{pair_text(result)} went off"
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
        several = len({case.results[n].point for n in group}) > 1
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
