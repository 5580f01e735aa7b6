"""One stimulus at one expectation: class first, over all worlds; then the name, from the plainest world.

The plainest world has the fewest changes: the sampled sightings and nothing else.
"""

from __future__ import annotations

from dataclasses import replace

from harness.core.instants import FOREVER, elapsed
from harness.core.model import Behaviour, Expectation, Hold, Result, Step, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.demand import Demand, demand_of
from harness.correlate.outline import Outline, outline
from harness.correlate.plain import Seen, choose, name_fail, seen_at
from harness.correlate.reasons import fail_reason, from_zero, hidden_reason, limit_doubt, quiet_doubt
from harness.correlate.wording import time_text
from harness.correlate.worlds import every_world_obliges, is_ready, may_hide, some_plain_world_meets, some_world_meets


def judge_one(
    trace: Trace,
    stimulus: Stimulus,
    expectation: Expectation,
    hold: Hold,
    next_raise: int | None = None,
    next_other: int | None = None,
) -> Result:
    """Judge one stimulus at one expectation from one trace. ``next_raise``, ``next_other``: see :func:`demand_of`."""
    return judge_outlined(outline(trace, hold), stimulus, expectation, next_raise, next_other)


def judge_outlined(
    sketch: Outline,
    stimulus: Stimulus,
    expectation: Expectation,
    next_raise: int | None = None,
    next_other: int | None = None,
    *,
    masked_by: str = "",
) -> Result:
    """Judge from an outline that is shared by all stimuli of a point.

    ``masked_by``: says in words what else held the point in this window; evidence of it was taken out of ``sketch``.
    """
    demand = demand_of(stimulus, expectation, next_raise, next_other)
    if not sketch.trace.timed and demand.behaviour is not Behaviour.QUIET:
        return _judge_untimed(sketch, demand, stimulus, expectation, masked_by)
    return _judge(sketch, demand, stimulus, expectation, masked_by)


def _judge_untimed(
    sketch: Outline, demand: Demand, stimulus: Stimulus, expectation: Expectation, masked_by: str
) -> Result:
    """A point of which was told that it showed, and no time: it can be seen to have appeared, and be on time never.

    Its bounds put the report behind the raise, so that a fail that every world shares stands. They are no measurement:
    how long somebody walked is no latency, and a report in time would only say that the walk was short. So a
    row that demands a time is unknown at best; and one that demands none passes where it showed while it was raised,
    however long after.
    """
    judged = _judge(sketch, demand, stimulus, expectation, masked_by)
    if judged.verdict.verdict_class is VerdictClass.FAIL or judged.verdict is Verdict.NOT_RUN:
        return replace(judged, latency=None, visible=None)
    limits = demand.limits
    free = replace(
        limits,
        appears_within_ns=None,
        visible_for_ns=None,
        gone_within_ns=None,
        search_ns=FOREVER // 2,
    )
    untimed = replace(demand, limits=free, reach_ns=free.search_ns, begin_max=demand.seen_max)
    seen = _judge(sketch, untimed, stimulus, replace(expectation, limits=free), masked_by)
    if VerdictClass.PASS not in (seen.verdict.verdict_class, judged.verdict.verdict_class):
        return replace(judged, latency=None, visible=None)
    demanded = (limits.appears_within_ns, limits.visible_for_ns, limits.gone_within_ns)
    is_timed = any(limit is not None for limit in demanded)
    verdict = Verdict.UNRESOLVED if is_timed else Verdict.APPEARED
    reason = _NO_TIME + ("; what the row demands of times is not decided by it" if is_timed else "")
    return replace(seen, verdict=verdict, latency=None, visible=None, reason=reason)


_NO_TIME = "seen, time not measured: the point is out of sight, and somebody went there to look"


def _judge(sketch: Outline, demand: Demand, stimulus: Stimulus, expectation: Expectation, masked_by: str) -> Result:
    if not stimulus.proven:
        denied = f"its reference point {stimulus.timed_by} stayed off" if stimulus.timed_by else ""
        reason = f"the raise is not proven: {denied or 'no answer and no read-back'}"
        return _result(sketch, demand, stimulus, expectation, Verdict.NOT_RUN, None, reason)
    if sketch.is_contradictory:
        reason = "the evidence of this point contradicts itself: two samples exclude each other"
        return _result(sketch, demand, stimulus, expectation, Verdict.UNRESOLVED, None, reason)
    if demand.behaviour is Behaviour.QUIET:
        return _judge_quiet(sketch, demand, stimulus, expectation, masked_by)
    seen = choose(sketch, demand)
    witnessed = some_plain_world_meets(sketch, demand)
    if not witnessed and not some_world_meets(sketch, demand):
        failed = _judge_failed(sketch, demand, stimulus, expectation, seen, masked_by)
        if failed is not None:
            return failed
    elif every_world_obliges(sketch, demand) and some_plain_world_meets(sketch, demand, proven=True):
        doubt = _doubt_of_pass(sketch, demand, seen)
        if not doubt:
            passed = Verdict.APPEARED if demand.limits.appears_within_ns is None else Verdict.ON_TIME
            return _result(sketch, demand, stimulus, expectation, passed, seen, "")
        return _result(sketch, demand, stimulus, expectation, Verdict.UNRESOLVED, seen, doubt)
    verdict, reason = _name_unknown(sketch, demand, seen, masked_by)
    return _result(sketch, demand, stimulus, expectation, verdict, seen, reason)


def _judge_failed(
    sketch: Outline, demand: Demand, stimulus: Stimulus, expectation: Expectation, seen: Seen | None, masked_by: str
) -> Result | None:
    """The result where no world meets the demand, by its name; None where the point was not ready to show ``stuck``."""
    verdict, also = name_fail(seen, ready=is_ready(sketch, demand))
    hidden = _behind_another(sketch, demand) if masked_by and verdict in (Verdict.MISSED, Verdict.LATE) else None
    if hidden is Verdict.BRIEF and verdict is Verdict.LATE:
        hidden = None  # it did come on, and the plainest world is the one in which that was all
    is_unseen = verdict is Verdict.MISSED and _is_unseen(sketch, demand)
    if hidden is Verdict.BRIEF and is_unseen and (demand.is_pulse or demand.release is not None):
        # The row fails by itself alone, and all that was seen in its window may be the other alarm's.
        return _result(sketch, demand, stimulus, expectation, Verdict.MASKED, None, masked_by)
    if hidden is not None:
        verdict, also = hidden, ()
    if verdict is Verdict.MISSED and is_unseen:
        return _result(sketch, demand, stimulus, expectation, Verdict.NOT_OBSERVED, None, _UNSEEN)
    is_short = stimulus.stopped if verdict is Verdict.BRIEF else _is_cut_short(stimulus, demand)
    if is_short and verdict in (Verdict.MISSED, Verdict.BRIEF):
        return _result(sketch, demand, stimulus, expectation, Verdict.UNRESOLVED, seen, _STOPPED)
    if verdict is None:
        return None
    reason = hidden_reason(hidden, masked_by) if hidden and seen is None else fail_reason(verdict, demand, seen)
    return _result(sketch, demand, stimulus, expectation, verdict, seen, reason, also)


def _behind_another(sketch: Outline, demand: Demand) -> Verdict | None:
    """What fails an alarm in every world in which it showed behind another one; None where it cannot have.

    That a point was on, whoever held it, proves no miss. What fails it then is the onset that follows, or that the
    point was off before this alarm let it go.
    """
    if some_world_meets(sketch, demand, alone=False):
        return Verdict.REPEATED
    may_have_shown = sketch.was_on_by_others(demand.raised.lo, demand.onset_hi)
    if may_have_shown and some_world_meets(sketch, demand, alone=False, kept=False):
        return Verdict.BRIEF
    return None


def _is_cut_short(stimulus: Stimulus, demand: Demand) -> bool:
    """True where a test was stopped and put back, by any step, before the point had to show."""
    return stimulus.stopped and any(step.lo < demand.onset_hi for step in stimulus.later)


_UNSEEN = "there is no sample in its window, and what the row demands cannot be met in the time that it had"


def _is_unseen(sketch: Outline, demand: Demand) -> bool:
    """True where no sample lies in the window and an appearance may hide: then the demand fails by itself alone.

    Up to its release it had to be on: whoever looked before that, however late, has looked.
    """
    until = demand.search_end_hi if demand.deadline is None else max(demand.search_end_hi, demand.deadline.hi)
    if demand.stay_until is not None:
        until = max(until, demand.stay_until.lo)
    if demand.is_pulse:
        until += demand.limits.gone_within_ns or 0
    return not len(sketch.samples_within(demand.raised.lo, until)) and may_hide(sketch, demand)


def _judge_quiet(
    sketch: Outline, demand: Demand, stimulus: Stimulus, expectation: Expectation, masked_by: str
) -> Result:
    raised = demand.raised
    until = demand.quiet_until(raised.hi, None if demand.cleared is None else demand.cleared.hi)
    numbers = [n for n in sketch.sightings_touching(raised.lo, until) if sketch.onset_hi[n] >= raised.lo]
    seen = seen_at(sketch, numbers[0]) if numbers else None
    if not some_world_meets(sketch, demand):
        verdict, reason = Verdict.LEAKED, "it reacted while it was required to stay quiet"
    elif every_world_obliges(sketch, demand):
        if is_ready(sketch, demand):
            return _result(sketch, demand, stimulus, expectation, Verdict.QUIET, None, "")
        verdict, reason = Verdict.UNRESOLVED, _NOT_READY
    elif masked_by:
        verdict, reason = Verdict.MASKED, masked_by
    else:
        verdict, reason = _name_unknown(sketch, demand, seen, "")
        if verdict is Verdict.UNRESOLVED and is_ready(sketch, demand):
            reason = quiet_doubt(sketch, demand, seen, until)
    return _result(sketch, demand, stimulus, expectation, verdict, seen, reason)


_STOPPED = "the test was stopped and the alarm put back early, so what it did not show in that time proves nothing"
_EXCUSED = "it was acknowledged before it had to show, or silenced; not showing is neither pass nor fail"
_NOT_READY = "the point was already on before the raise, so its reaction proves nothing"


def _doubt_of_pass(sketch: Outline, demand: Demand, seen: Seen | None) -> str:
    """Why a proven set of obligations is not yet a pass; '' where it is."""
    if not is_ready(sketch, demand):
        if sketch.last_before(demand.raised.lo) < 0:
            return "there is no sample before the raise, so the point may have been on already"
        return _NOT_READY
    if demand.release is None and demand.limits.gone_within_ns is not None and not demand.is_pulse:
        return "it was never released, so that it goes back to normal was not tested"
    if demand.untested:
        return demand.untested
    if seen is not None and not seen.end.is_open_above and seen.end.hi > demand.else_released_lo:
        return (
            "it was seen silent only once it had been acknowledged or cleared as well, so that silence did it is open"
        )
    if seen is not None and _came_before(sketch, demand, seen):
        return "it came on twice, and the first time may have been after the raise as well: then it dropped in between"
    return ""


def _came_before(sketch: Outline, demand: Demand, seen: Seen) -> bool:
    """Whether there is an earlier sighting that only a raise after its onset would excuse."""
    earlier = (
        number
        for number in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
        if sketch.onset_hi[number] < seen.onset.hi
    )
    return any(sketch.onset_hi[number] >= demand.raised.lo for number in earlier)


def _name_unknown(sketch: Outline, demand: Demand, seen: Seen | None, masked_by: str) -> tuple[Verdict, str]:
    if masked_by:
        return Verdict.MASKED, masked_by
    raised = demand.raised
    if sketch.last_before(raised.lo) < 0 and not is_ready(sketch, demand):
        return Verdict.NOT_OBSERVED, "there is no sample before the raise"
    window_end = demand.search_end_hi
    if not len(sketch.samples_within(raised.lo + 1, window_end)) and seen is None:
        return Verdict.NOT_OBSERVED, "there is no sample between the raise and the end of its window"
    if not is_ready(sketch, demand):
        return Verdict.UNRESOLVED, _NOT_READY
    if seen is None:
        if _released_before_due(demand):
            return Verdict.UNRESOLVED, _EXCUSED
        gap = sketch.widest_gap(raised.lo, window_end)
        room = "a gap without end" if gap is None else f"a gap of {time_text(gap)}"
        where = "it may not have been told" if sketch.is_told else "fell between polls"
        return Verdict.UNRESOLVED, f"{where}: {room} leaves room for an appearance that no sample met"
    return Verdict.UNRESOLVED, limit_doubt(sketch, demand, seen)


def _released_before_due(demand: Demand) -> bool:
    return demand.excused is not None and demand.excused.lo <= demand.raised.hi + demand.reach_ns


def _result(
    sketch: Outline,
    demand: Demand,
    stimulus: Stimulus,
    expectation: Expectation,
    verdict: Verdict,
    seen: Seen | None,
    reason: str,
    also: tuple[Verdict, ...] = (),
) -> Result:
    until = demand.search_end_hi if seen is None else max(demand.search_end_hi, min(seen.end.hi, FOREVER - 1))
    until = min(until, (demand.cleared.hi if demand.cleared is not None else until) + demand.limits.search_ns)
    return Result(
        expectation=expectation.key,
        alarm=expectation.alarm,
        point=expectation.point,
        stimulus=stimulus.id,
        verdict=verdict,
        also=also,
        onset=None if seen is None else seen.onset,
        end=None if seen is None else seen.end,
        latency=None if seen is None else from_zero(elapsed(demand.raised, seen.onset)),
        visible=None if seen is None else from_zero(elapsed(seen.onset, seen.end)),
        attributed=seen is not None and seen.onset.lo >= demand.raised.hi,
        samples=len(sketch.samples_within(demand.raised.lo, until)),
        widest_gap_ns=sketch.widest_gap(demand.raised.lo, min(until, _last_hi(sketch))),
        reason=reason,
        assumptions=(*_assumptions(sketch, verdict), *_not_shown(stimulus, expectation, verdict)),
        is_doubted=sketch.is_contradictory or not is_ready(sketch, demand),
    )


def _last_hi(sketch: Outline) -> int:
    return int(sketch.trace.lo[-1]) - 1 if len(sketch.trace) else 0


def _not_shown(stimulus: Stimulus, expectation: Expectation, verdict: Verdict) -> tuple[str, ...]:
    """What a pass of a latched row does not show: acknowledged before its clear, one that follows acts the same."""
    first, cleared = stimulus.acknowledged, stimulus.cleared
    is_pass = verdict.verdict_class is VerdictClass.PASS and expectation.behaviour is Behaviour.LATCHED
    if not is_pass or expectation.released_by is not Step.ACKNOWLEDGE or first is None or cleared is None:
        return ()
    return (_ACKNOWLEDGED_FIRST,) if first.lo < cleared.hi else ()


_ACKNOWLEDGED_FIRST = (
    "that it latches (it was acknowledged before it cleared, and would have gone with the clear as well)"
)


def _assumptions(sketch: Outline, verdict: Verdict) -> tuple[str, ...]:
    hold = sketch.hold
    taken: list[str] = []
    if not hold.on_declared and verdict in (Verdict.MISSED, Verdict.LATE):
        taken.append(f"shortest on time {time_text(hold.on_ns)} (assumed, not declared)")
    if verdict is Verdict.QUIET and not sketch.first:
        taken.append("that this point can react at all (it was never seen on in this record)")
    if not hold.off_declared and verdict in (Verdict.ON_TIME, Verdict.APPEARED, Verdict.STUCK, Verdict.BRIEF):
        taken.append(f"shortest off time {time_text(hold.off_ns)} (assumed, not declared)")
    return tuple(taken)
