"""Why a verdict is what it is, in a sentence, and which measurement would settle an unknown one."""

from __future__ import annotations

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.verdicts import Verdict
from harness.correlate.demand import Demand
from harness.correlate.outline import Outline
from harness.correlate.plain import Seen
from harness.correlate.wording import span_text, time_text


def from_zero(bounds: Bounds) -> Bounds:
    """Latency and visible time are reported from 0 upwards; the upper end is never cut."""
    return Bounds(max(0, bounds.lo), max(0, bounds.hi))


def fail_reason(verdict: Verdict, demand: Demand, seen: Seen | None) -> str:
    """Why it failed."""
    limits = demand.limits
    if seen is None:
        searched = time_text(limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns)
        return f"it did not appear within {searched} of the raise, and no gap leaves room for an appearance"
    latency, visible = from_zero(elapsed(demand.raised, seen.onset)), from_zero(elapsed(seen.onset, seen.end))
    joint = "" if verdict in seen.proven else "; no single limit proves it, but no world meets all of them together"
    match verdict:
        case Verdict.LATE:
            shown = span_text(latency, against_ns=demand.reach_ns)
            return f"it appeared after {shown}; the limit is {time_text(demand.reach_ns)}{joint}"
        case Verdict.BRIEF if limits.visible_for_ns is not None and visible.hi < limits.visible_for_ns:
            shown = span_text(visible, against_ns=limits.visible_for_ns)
            return f"it was visible for {shown}; required are {time_text(limits.visible_for_ns)}{joint}"
        case Verdict.BRIEF:
            return f"it went off before it was released, after {span_text(visible)}{joint}"
        case Verdict.STUCK if demand.is_pulse:
            limit = limits.gone_within_ns or 0
            return f"it stayed on for {span_text(visible, against_ns=limit)}; the limit is {time_text(limit)}{joint}"
        case Verdict.STUCK if demand.release is not None:
            lag = elapsed(demand.release, seen.end)
            allowed = limits.dwell_ns + (limits.gone_within_ns or 0)
            late = span_text(from_zero(lag), against_ns=allowed)
            return f"it was still on {late} after its release; allowed are {time_text(allowed)}{joint}"
        case Verdict.REPEATED:
            return "it came on a second time before it had settled"
        case _:
            return "no world meets the expectation"


def hidden_reason(verdict: Verdict, masked_by: str) -> str:
    """Why it failed where it may have shown behind another alarm, and nothing else of it was seen."""
    behind = f"it may have shown in time, since {masked_by}"
    if verdict is Verdict.REPEATED:
        return f"{behind}; but then it came on a second time before it had settled"
    return f"{behind}; but then it went off sooner than its row allows"


def limit_doubt(sketch: Outline, demand: Demand, seen: Seen) -> str:
    """Which limits lie inside their bounds, and what would settle them."""
    limits = demand.limits
    doubts: list[str] = []
    latency = elapsed(demand.raised, seen.onset)
    if Verdict.LATE in seen.possible and Verdict.LATE not in seen.proven:
        doubts.append(
            f"the limit of {time_text(demand.reach_ns)} lies inside the latency of {span_text(from_zero(latency))}; "
            + _would_settle(demand.reach_ns, latency, seen.onset.width, demand.raised.width, _finer(sketch))
        )
    visible = elapsed(seen.onset, seen.end)
    if limits.visible_for_ns is not None and visible.lo < limits.visible_for_ns <= visible.hi:
        doubts.append(
            f"visible for {span_text(from_zero(visible))}, and {time_text(limits.visible_for_ns)} lies inside; "
            + (
                "holding the alarm for longer would settle it"
                if sketch.is_told
                else "a shorter poll period would settle it"
            )
        )
    elif limits.visible_for_ns is not None and sketch.splits(seen.number):
        widest, off = time_text(sketch.sighting(seen.number).widest_gap_ns), time_text(sketch.hold.off_ns)
        doubts.append(
            f"a gap of {widest} is wider than the shortest off time of {off}: it may have been off in between"
        )
    if Verdict.STUCK in seen.possible and Verdict.STUCK not in seen.proven:
        if seen.end.is_open_above:
            doubts.append("it was never told to be gone" if sketch.is_told else "its end was not observed")
        else:
            doubts.append("the time in which it had to be gone lies inside the bounds of its end")
    return "; ".join(doubts) or (_told_too_close(sketch, demand, seen) if sketch.is_told else _FITS_BOTH)


_FITS_BOTH = "what was seen fits both a pass and a fail"


def _told_too_close(sketch: Outline, demand: Demand, seen: Seen) -> str:
    """Why something told, which breaks no limit, is still open."""
    trace = sketch.trace
    if seen.end.lo <= demand.raised.hi and demand.is_pulse:
        return (
            "it was told within the longest delay of its path after the raise, so it may have come and gone before it; "
            "only a path that tells the end too, or a shorter longest delay, would settle it"
        )
    if seen.end.lo <= demand.raised.hi:
        return (
            "by the longest delay of its path it may have been gone before the raise: its end lies "
            f"{span_text(from_zero(elapsed(demand.raised, seen.end)))} after it; holding the alarm for longer would "
            "settle it"
        )
    onset = sketch.first[seen.number]
    if trace.sealed is None or not trace.sealed[onset]:
        return "what was not told between is not known: its path does not promise every change, or was not alive"
    return _FITS_BOTH


def _finer(sketch: Outline) -> str:
    """What would time the point more finely."""
    return "a longest delay" if sketch.is_told else "a poll period"


def _would_settle(limit: int, latency: Bounds, onset_width: int, raised_width: int, finer: str) -> str:
    """Which poll period, or longest delay, would settle a straddled limit, or that none would."""
    if onset_width >= FOREVER or latency.is_open_below:
        return "an observation before the raise would be needed"
    below, above = limit - latency.lo, latency.hi - limit
    if raised_width >= below + above - raised_width and onset_width <= raised_width:
        return f"no {finer[2:]} would: the time of the raise alone is not known well enough"
    return f"{finer} below {time_text(max(1, min(below, above)))} may settle it"


def quiet_doubt(sketch: Outline, demand: Demand, seen: Seen | None, until: int) -> str:
    """Why a point that must stay quiet is neither proven quiet nor proven to have reacted."""
    if seen is not None:
        return "it reacted, but whether inside the window that must stay quiet is not proven"
    gap = sketch.widest_gap(demand.raised.lo, until)
    room = "a gap without end" if gap is None else f"a gap of {time_text(gap)}"
    return f"{room} is wider than the shortest leak looked for, {time_text(demand.limits.leak_ns)}"
