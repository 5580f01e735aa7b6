"""Possible worlds in closed form: does some world meet the demand, does every world?

A world is a trace of the point together with true stimulus times, consistent with everything observed. All bounds
of one world are differences of instants, so "is there such a world" is a question of whether a few intervals meet.

Both questions err on one side only. :func:`some_world_meets` may say yes where the true answer is no (then a fail
becomes unknown); :func:`every_world_obliges` may say no where it is yes (then a pass becomes unknown). The tests hold
both against an enumeration of all worlds on small grids.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from harness.core.instants import FOREVER
from harness.core.model import Behaviour, Hold
from harness.correlate.demand import Demand
from harness.correlate.outline import Outline


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A sighting that some world may hold: begin in [begin_lo, begin_hi], end in [end_lo, end_hi], at least shortest.

    ``before``: number of the last sampled sighting that lies before it (-1: none), ``after``: of the first one behind.
    ``resumes_hi``: the latest instant of the next onset that this candidate forces (it splits a sampled sighting,
    or ends where the next one begins), FOREVER where none is forced. ``previous_begin_lo``, ``previous_begin_hi``:
    of a later piece of a sampled sighting, bounds of the onset of the piece before it.
    """

    begin_lo: int
    begin_hi: int
    end_lo: int
    end_hi: int
    shortest: int
    before: int
    after: int
    resumes_hi: int = FOREVER
    previous_begin_lo: int = -FOREVER
    previous_begin_hi: int = -FOREVER


def some_world_meets(outline: Outline, demand: Demand, *, alone: bool = True, kept: bool = True) -> bool:
    """True unless no world at all meets the demand: every obligation, and no offence, in one and the same world.

    Not ``alone``: a second onset is not looked at. Not ``kept``: nor is whether it stayed on for as long as it had to.
    """
    if demand.behaviour is Behaviour.QUIET:
        return _some_world_is_quiet(outline, demand)
    if _some_world_is_released_first(outline, demand):
        return True
    return any(_meets(outline, demand, it, alone=alone, kept=kept) for it in _candidates(outline, demand))


def some_plain_world_meets(outline: Outline, demand: Demand, *, proven: bool = False) -> bool:
    """True only if there really is a world that meets the demand: a sampled sighting at one instant of the raise.

    At a given instant of the raise the test is exact. A pass needs such a witness: offences count only when proven, and
    what is proven must not be hidden by the slack of :func:`some_world_meets`. ``proven``: by a sighting that keeps the
    obligations in every world. Of two of which one keeps them and only the other one is without an offence, the first
    would be excused by a second onset, and that is an offence of its own wherever the first one follows the raise.
    """
    if demand.behaviour is Behaviour.QUIET:
        return True
    raised = demand.raised
    numbers = (it for it in _sampled(outline, demand) if not proven or _is_proven(outline, demand, it))
    wholes = [_whole(outline, number) for number in numbers]
    for at in dict.fromkeys((raised.hi, raised.lo, *(it.end_hi - 1 for it in wholes if it.end_hi - 1 in raised))):
        if any(_meets(outline, demand.raised_at(at), it) for it in wholes):
            return True
    return False


def may_hide(outline: Outline, demand: Demand) -> bool:
    """Whether some gap of the window leaves room for an appearance that no sample met, whatever is demanded of it."""
    return next(_unsampled(outline, demand), None) is not None


def every_world_obliges(outline: Outline, demand: Demand) -> bool:
    """True only if the obligations hold in every world (offences count only when proven, elsewhere)."""
    if demand.behaviour is Behaviour.QUIET:
        return _every_world_is_quiet(outline, demand)
    return any(_is_proven(outline, demand, number) for number in _sampled(outline, demand))


def is_ready(outline: Outline, demand: Demand) -> bool:
    """True if the last sample told before the raise is off, or the first one after it is itself a change to on."""
    before = outline.last_before(demand.raised.lo)
    if before >= 0:
        return outline.state_at(before) is False
    trace = outline.trace
    return len(trace) > 0 and trace.first_on and bool(trace.edges[0])


def settle_end_lo(demand: Demand, begin_lo: int, end_lo: int) -> int:
    """The earliest instant at which, in some world with such a sighting, a second onset stops being an offence."""
    limits = demand.limits
    gone = limits.gone_within_ns or 0
    if demand.is_pulse:
        last = begin_lo + gone
    elif demand.release is None:
        return min(demand.begin_max, demand.alone_max)
    else:
        held = limits.dwell_ns + gone
        earliest = max(demand.release.lo, end_lo - held) if limits.gone_within_ns is not None else demand.release.lo
        last = min(earliest, demand.release.hi) + held
    return min(last + limits.settle_ns, demand.begin_max, demand.alone_max)


def _sampled(outline: Outline, demand: Demand) -> range:
    """Numbers of the sampled sightings that can be the one: e > r and u <= r + S in some world."""
    return outline.sightings_touching(demand.raised.lo, demand.search_end_hi)


def _candidates(outline: Outline, demand: Demand) -> Iterator[Candidate]:
    """Everything that can be the sighting in some world: sampled ones, pieces of them, and ones nobody sampled."""
    for number in _sampled(outline, demand):
        whole = _whole(outline, number)
        yield whole
        yield from _pieces(outline, whole, number)
    yield from _unsampled(outline, demand)


def _whole(outline: Outline, number: int) -> Candidate:
    """A sampled sighting as it was sampled."""
    return Candidate(
        begin_lo=outline.onset_lo[number],
        begin_hi=outline.onset_hi[number],
        end_lo=outline.end_lo[number],
        end_hi=outline.end_hi[number],
        shortest=1,
        before=number - 1,
        after=number + 1,
    )


def _pieces(outline: Outline, whole: Candidate, number: int) -> Iterator[Candidate]:
    """The first and the last piece of a sighting that may have been off in one of its wide gaps, and middle ones."""
    trace, shortest_off = outline.trace, outline.hold.off_ns
    cuts = [
        (int(trace.lo[at]), int(trace.hi[at + 1]), min(1, shortest_off) if outline.is_blurred(at) else shortest_off)
        for at in outline.splits(number)
    ]
    if outline.hides_before_end(number):
        last = outline.last[number]
        cuts.append((int(trace.lo[last]), int(trace.hi[last + 1]) - max(outline.hold.on_ns, 1), shortest_off))
    for lo, hi, off in cuts:
        yield Candidate(
            begin_lo=whole.begin_lo,
            begin_hi=whole.begin_hi,
            end_lo=lo + 1,
            end_hi=hi - off,
            shortest=1,
            before=number - 1,
            after=number + 1,
            resumes_hi=hi,
        )
    # A piece that begins later than its sighting is of use only where an older onset lies before the raise.
    for lo, hi, off in cuts:
        later = Candidate(
            begin_lo=lo + 1 + off,
            begin_hi=hi,
            end_lo=whole.end_lo,
            end_hi=whole.end_hi,
            shortest=1,
            before=number - 1,
            after=number + 1,
            previous_begin_lo=whole.begin_lo,
            previous_begin_hi=whole.begin_hi,
        )
        yield later
        for next_lo, next_hi, next_off in cuts:
            if next_lo > lo:
                yield Candidate(
                    begin_lo=later.begin_lo,
                    begin_hi=hi,
                    end_lo=next_lo + 1,
                    end_hi=next_hi - next_off,
                    shortest=1,
                    before=number - 1,
                    after=number + 1,
                    resumes_hi=next_hi,
                    previous_begin_lo=whole.begin_lo,
                    previous_begin_hi=whole.begin_hi,
                )
                break


def _unsampled(outline: Outline, demand: Demand) -> Iterator[Candidate]:
    """Sightings that fit into a gap without being sampled."""
    for gap in outline.wide_gaps(outline.hold.on_ns, demand.raised.lo, demand.search_end_hi, blurred=True):
        hold = Hold(on_ns=1, off_ns=1) if outline.is_blurred(gap.index) else outline.hold
        begin_lo = gap.lo + 1 + (hold.off_ns if gap.on_before else 0)
        end_hi = gap.hi - (hold.off_ns if gap.on_after else 0) if gap.hi < FOREVER else FOREVER
        if end_hi - begin_lo < hold.on_ns:
            continue
        before, after = _neighbours(outline, gap.index)
        yield Candidate(
            begin_lo=begin_lo,
            begin_hi=end_hi,
            end_lo=begin_lo,
            end_hi=end_hi,
            shortest=max(hold.on_ns, 1),
            before=before,
            after=after,
            resumes_hi=gap.hi if gap.on_after else FOREVER,
        )


def _neighbours(outline: Outline, index: int) -> tuple[int, int]:
    """Numbers of the last sighting that began by sample ``index`` (it may go on behind it) and of the next one."""
    before = bisect_right(outline.first, index) - 1
    return before, before + 1


def _meets(outline: Outline, demand: Demand, it: Candidate, *, alone: bool = True, kept: bool = True) -> bool:
    """True if some world holds the candidate as its sighting, on time, long enough, gone in time, and alone."""
    raised, limits = demand.raised, demand.limits
    shortest = max(it.shortest, (limits.visible_for_ns or 0) if kept else 0, 1)
    begin_hi = min(it.begin_hi, demand.onset_hi)
    end_lo, end_hi = max(it.end_lo, raised.lo + 1, it.begin_lo + shortest), it.end_hi
    if demand.is_pulse:
        if limits.gone_within_ns is not None and max(end_lo - begin_hi, shortest) > limits.gone_within_ns:
            return False
    else:
        stay, deadline = demand.stay_until, demand.deadline
        if stay is None and end_hi < FOREVER and kept:
            return False  # it was never released, so any end is an early one
        end_lo = max(end_lo, stay.lo) if stay is not None and kept else end_lo
        end_hi = min(end_hi, deadline.hi) if deadline is not None else end_hi
    if it.begin_lo > begin_hi or end_lo > end_hi:
        return False
    settled = settle_end_lo(demand, it.begin_lo, end_lo)
    raised_lo = max(raised.lo, it.begin_lo - demand.reach_ns)
    if it.previous_begin_lo > -FOREVER:
        if it.previous_begin_hi <= demand.alone_max:
            raised_lo = max(raised_lo, it.previous_begin_lo + 1)
    else:
        before = _last_offender(outline, demand, it.before)
        if before >= 0:
            raised_lo = max(raised_lo, outline.onset_lo[before] + 1)
    if raised_lo > min(raised.hi, end_hi - 1):
        return False
    if not alone:
        return True
    if it.resumes_hi < FOREVER and it.resumes_hi <= settled:
        return False
    return it.after >= len(outline.onset_hi) or outline.onset_hi[it.after] > settled


def _last_offender(outline: Outline, demand: Demand, before: int) -> int:
    """The last sighting up to number ``before`` whose onset, where it follows the raise, is its repeat; -1: none."""
    return min(before, bisect_right(outline.onset_hi, demand.alone_max) - 1)


def _is_proven(outline: Outline, demand: Demand, number: int) -> bool:
    """True if sampled sighting ``number`` meets every obligation in every world, however it may have dropped unseen."""
    limits, raised, trace = demand.limits, demand.raised, outline.trace
    end_hi = outline.end_hi[number]
    if demand.is_pulse:
        if limits.gone_within_ns is not None and end_hi - outline.onset_lo[number] > limits.gone_within_ns:
            return False
    else:
        deadline = demand.deadline
        if deadline is not None and end_hi > deadline.lo:
            return False
    cuts = outline.splits(number)
    onset_max = min(raised.lo + min(demand.reach_ns, limits.search_ns), demand.begin_max)
    first = outline.first[number]
    for last in [*cuts, outline.last[number]]:
        begin_hi = int(trace.hi[first])
        if begin_hi > onset_max:
            return False
        is_whole = last == outline.last[number] and not outline.hides_before_end(number)
        end_lo = outline.end_lo[number] if is_whole else int(trace.lo[last]) + 1
        long_enough = max(1, end_lo - begin_hi) >= (limits.visible_for_ns or 0)
        if end_lo > raised.hi and long_enough:
            return True
        first = last + 1
    return False


def _some_world_is_released_first(outline: Outline, demand: Demand) -> bool:
    """Acknowledged before it had to show: a world without a sighting is then neither a pass nor a fail."""
    if demand.excused is None or demand.excused.lo > demand.raised.hi + demand.reach_ns:
        return False
    raised_lo, search_lo = demand.raised.lo, min(demand.raised.lo + demand.limits.search_ns, demand.begin_max)
    return not any(
        outline.end_lo[number] > demand.raised.hi
        and outline.onset_hi[number] <= search_lo
        and not outline.splits(number)  # its pieces may lie before the raise, and behind the search limit
        and not outline.hides_before_end(number)
        for number in outline.sightings_touching(raised_lo, demand.search_end_hi)
    )


def _some_world_is_quiet(outline: Outline, demand: Demand) -> bool:
    raised, cleared = demand.raised, demand.cleared
    cleared_lo = None if cleared is None else cleared.lo
    numbers = outline.sightings_touching(raised.lo, demand.quiet_until(raised.hi, cleared_lo))
    onsets = [(outline.onset_lo[number], outline.onset_hi[number]) for number in numbers]
    instants = {raised.lo, raised.hi, *(lo + 1 for lo, _ in onsets if lo + 1 in raised)}
    return any(
        all(lo < instant or hi > demand.quiet_until(instant, cleared_lo) for lo, hi in onsets) for instant in instants
    )


def _every_world_is_quiet(outline: Outline, demand: Demand) -> bool:
    raised, cleared = demand.raised, demand.cleared
    until = demand.quiet_until(raised.hi, None if cleared is None else cleared.hi)
    if len(outline.sightings_touching(raised.lo, until)):
        return False
    return next(outline.wide_gaps(demand.limits.leak_ns, raised.lo, until), None) is None
