"""Points that stay on too long: latched, never gone, left on by an alarm before, slow to go."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.instants import Bounds, elapsed
from harness.core.model import Behaviour, Cause, CauseKind, Equal, Stimulus
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.delays import LATE_CODES
from harness.correlate.causes.findings import ANSWER_NS, MISSING, Finding
from harness.correlate.causes.observation import end_not_told
from harness.correlate.causes.spots import Block
from harness.correlate.causes.words import alarms, block, pair_text, points, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text


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


def left_on(case: Case) -> Iterator[Finding]:
    """Points that an alarm cleared long before had never let go when the next one was raised: one cause a point."""
    groups: dict[str, list[int]] = defaultdict(list)
    since: dict[str, Stimulus] = {}
    for number in case.opened(Verdict.MASKED, Verdict.UNRESOLVED):
        point = case.results[number].point
        holder = _let_go_long_ago(case, number)
        if holder is not None:
            groups[point].append(number)
            since.setdefault(point, holder)
    for name, numbers in groups.items():
        if case.sketches[name].is_told:
            before = [n for n in case.by_point[name] if n in case.open and n not in numbers and _open(case, n)]
            numbers = sorted([*numbers, *before])  # noqa: PLW2901  # the one that was never told gone, and those behind
            yield Finding(cause=end_not_told(case, name, numbers), results=tuple(numbers))
            continue
        holder = since[name]
        waited = 0 if holder.cleared is None else case.stimulus(numbers[-1]).raised.lo - holder.cleared.hi
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code="left-on",
                text=f"still on from {holder.alarm}, which was cleared: {points(case, numbers)}; the output is stuck, "
                "or it latches and waits for a step that was not given",
                evidence=f"it came on after the raise of {holder.alarm} ({holder.id}) and was still on "
                f"{time_text(waited)} after its clear; not judged because of it: {alarms(case, numbers)}",
                next_check="bring the point back to normal, then raise these again, each alone",
                equals=_NEVER,
                deciding="the step that it may wait for, given by hand: does it go off then",
            ),
            results=tuple(numbers),
        )


_NEVER: Final = (Equal(kind=CauseKind.MEANING, code="never-gone", text="the output is stuck, whatever is done"),)


def _let_go_long_ago(case: Case, number: int) -> Stimulus | None:
    """The alarm whose sighting still held the point at a raise, long after all that could release it."""
    demand, sketch = case.demand(number), case.sketches[case.results[number].point]
    slack = (demand.limits.gone_within_ns or 0) + demand.limits.dwell_ns + ANSWER_NS
    for at in sketch.sightings_touching(demand.raised.lo, demand.raised.lo):
        onset = Bounds(sketch.onset_lo[at], sketch.onset_hi[at])
        if onset.is_open_below or onset.hi >= demand.raised.lo or sketch.end_lo[at] <= demand.raised.lo:
            continue
        for holder in reversed(case.raises.latest(onset)):
            steps = [holder.cleared, *([] if demand.behaviour is Behaviour.FOLLOWS else [holder.acknowledged])]
            if all(step is not None and step.hi + slack < demand.raised.lo for step in steps):
                return holder
    return None


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
        equals=_FROZEN if _stands_still(case, numbers) else (),
        deciding="raise one more alarm that shows beside it: does anything in this block change"
        if _stands_still(case, numbers)
        else "",
    )


_FROZEN: Final = (
    Equal(
        kind=CauseKind.IDENTITY,
        code="block-frozen",
        text="the device goes on answering old values for all that is read beside it (nothing there has changed since)",
    ),
)


def _stands_still(case: Case, numbers: Sequence[int]) -> bool:
    """True where nothing of the same kind on the link has changed since the first of these came on and stayed."""
    blocks = {case.spots[case.results[n].point].block for n in numbers}
    since = max(onset.hi for n in numbers if (onset := case.results[n].onset) is not None)
    beside = [name for name, spot in case.spots.items() if spot.block in blocks]
    return not any(
        len(trace.starts) > 1 and int(trace.lo[trace.starts[-1]]) > since
        for trace in (case.sketches[name].trace for name in beside)
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
        equals=_BOTH_WAYS if any(_is_late_too(case, n) for n in numbers) else (),
        deciding="how late it comes on and how late it goes off, several times: what delays all of it delays both alike"
        if any(_is_late_too(case, n) for n in numbers)
        else "",
    )


_BOTH_WAYS: Final = (
    Equal(kind=CauseKind.TIME, code="output-delay", text="all that it shows is late, coming on as well as going off"),
)


def _is_late_too(case: Case, number: int) -> bool:
    """True where the point of a result came on late as well, or not in time, in this or in another of its results."""
    found = case.by_point[case.results[number].point]
    late = (Verdict.LATE, *MISSING)
    return any(
        case.results[n].verdict in late or ((cause := case.cause_of.get(n)) is not None and cause.code in LATE_CODES)
        for n in found
    )


def _lag(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    start = demand.release or demand.cleared
    if start is None or result.end is None:
        return f"{pair_text(result)} went off late"
    return f"{pair_text(result)} went off {span_text(from_zero(elapsed(start, result.end)))} after its release"
