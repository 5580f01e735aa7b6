"""The definitions of possible worlds written down as plainly as they can be: loops over every world of a small grid.

The oracle in ``worlds`` is compared with it. The grid is a margin, the evidence, and a margin: both margins must be
wider than every limit and hold, so that what lies outside of them could change nothing.
"""

from __future__ import annotations

from itertools import pairwise, product

from harness.core.model import Behaviour, Expectation, Hold, Step, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import VerdictClass

INFINITY = 10**9

Run = tuple[int, int, bool]
"""First instant, first instant behind it, state."""


def judge_naively(
    trace: Trace,
    stimulus: Stimulus,
    expectation: Expectation,
    hold: Hold,
    next_raise: int | None,
    instants: int,
    next_other: int | None = None,
) -> VerdictClass:
    """Judge by looping over all worlds of a grid of ``instants``."""
    shortest_on = expectation.limits.leak_ns if expectation.behaviour is Behaviour.QUIET else hold.on_ns
    any_world, any_good, all_oblige = False, False, True
    for mask in range(1 << instants):
        on = [bool(mask >> t & 1) for t in range(instants)]
        runs = runs_of(on)
        if not any(is_consistent(on, runs, trace, placed, shortest_on, hold.off_ns) for placed in placings(trace, on)):
            continue
        any_world = True
        for raised, silenced, acknowledged, reset, cleared in times(stimulus):
            for release, excused in releases(expectation, silenced, acknowledged, reset, cleared):
                good, obliges = meets(runs, instants, expectation, raised, release, excused, next_raise, next_other)
                any_good |= good
                all_oblige &= obliges
    if not any_world:
        return VerdictClass.UNKNOWN
    if not any_good:
        return VerdictClass.FAIL
    return VerdictClass.PASS if all_oblige and ready(trace, stimulus) else VerdictClass.UNKNOWN


def runs_of(on: list[bool]) -> list[Run]:
    """The maximal runs of equal state."""
    cuts = [0, *(t for t in range(1, len(on)) if on[t] != on[t - 1]), len(on)]
    return [(first, behind, on[first]) for first, behind in pairwise(cuts)]


def states(trace: Trace) -> list[tuple[bool, bool]]:
    """State of each sample, and whether it is the change itself."""
    found = []
    for index in range(len(trace)):
        run = max(r for r in range(len(trace.starts)) if int(trace.starts[r]) <= index)
        found.append((trace.first_on ^ (run % 2 == 1), bool(trace.edges[run]) and int(trace.starts[run]) == index))
    return found


def placings(trace: Trace, on: list[bool]) -> list[tuple[int, ...]]:
    """Every choice of one instant a sample, in order, at which the trace shows what the sample tells."""
    told = states(trace)
    choices = [
        [
            at
            for at in range(int(trace.lo[i]), int(trace.hi[i]) + 1)
            if on[at] == told[i][0] and (not told[i][1] or on[at - 1] != on[at])
        ]
        for i in range(len(trace))
    ]
    return [xs for xs in product(*choices) if all(a <= b for a, b in pairwise(xs))]


def is_consistent(
    on: list[bool], runs: list[Run], trace: Trace, placed: tuple[int, ...], shortest_on: int, shortest_off: int
) -> bool:
    """Holds and seals of one trace with one choice of sample instants."""
    for first, behind, state in runs:
        inside = first > 0 and behind < len(on)
        sampled = any(first <= x < behind for x in placed)
        if inside and not sampled and behind - first < (shortest_on if state else shortest_off):
            return False
    if trace.sealed is not None:
        told = states(trace)
        for i in range(1, len(placed)):
            for first, _, state in runs:
                own_edge = told[i][1] and first == placed[i]
                onset_between = state and first > 0 and placed[i - 1] < first <= placed[i]
                if trace.sealed[i] and onset_between and not own_edge:
                    return False
    return True


def times(stimulus: Stimulus) -> list[tuple[int, int, int, int, int]]:
    """Raised, silenced, acknowledged, reset, cleared: each in its bounds, none before the raise."""
    raised = range(stimulus.raised.lo, stimulus.raised.hi + 1)
    others = [
        [INFINITY] if step is None else list(range(step.lo, step.hi + 1))
        for step in (stimulus.silenced, stimulus.acknowledged, stimulus.reset, stimulus.cleared)
    ]
    return [(r, *rest) for r in raised for rest in product(*others) if min(rest) >= r]  # type: ignore[misc]


def releases(
    expectation: Expectation, silenced: int, acknowledged: int, reset: int, cleared: int
) -> list[tuple[int, int]]:
    """(release, from when on nothing is owed any more) in this one world, in every way that a device may have it."""
    by = expectation.released_by
    horn = min(silenced, acknowledged)
    freed = {Step.RESET: reset, Step.SILENCE: horn}.get(by, acknowledged)
    match expectation.behaviour:
        case Behaviour.FOLLOWS:
            return [(min(cleared, horn), horn)] if by is Step.SILENCE else [(cleared, INFINITY)]
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return [(freed, freed)]
        case Behaviour.LATCHED:
            both = max(freed, cleared)
            ignored = [(INFINITY, INFINITY)] if by is Step.RESET and reset < cleared else []
            return [(both, both), *ignored]
        case Behaviour.QUIET:
            return [(cleared, INFINITY)]
        case Behaviour.PULSE:
            return [(INFINITY, INFINITY)]


def meets(
    runs: list[Run],
    instants: int,
    expectation: Expectation,
    raised: int,
    release: int,
    excused: int,
    next_raise: int | None,
    next_other: int | None = None,
) -> tuple[bool, bool]:
    """(meets everything without an offence, or owes nothing; keeps every obligation) in this one world."""
    limits, behaviour = expectation.limits, expectation.behaviour
    upto = INFINITY if next_raise is None else next_raise
    apart = min(upto, INFINITY if next_other is None else next_other)
    sightings = [(u, e if e < instants else INFINITY) for u, e, state in runs if state]
    dwell, gone, visible = limits.dwell_ns, limits.gone_within_ns, limits.visible_for_ns
    if behaviour is Behaviour.QUIET:
        until = INFINITY if release == INFINITY else max(raised + limits.search_ns, release + (gone or 0))
        quiet = not any(raised <= u <= until and u < upto for u, _ in sightings)
        return quiet, quiet
    good, obliges, appeared = False, False, False
    for u, e in sightings:
        if not (e > raised and u <= raised + limits.search_ns and u < upto):
            continue
        appeared = True
        if behaviour is Behaviour.PULSE:
            last, gone_before = u + (gone or 0), False
        else:
            last = INFINITY if release == INFINITY else release + dwell + (gone or 0)
            gone_before = e < INFINITY if release == INFINITY else e < release + dwell
        on_time = limits.appears_within_ns is None or max(0, u - raised) <= limits.appears_within_ns
        long_enough = visible is None or e - u >= visible
        gone_in_time = gone is None or last == INFINITY or e <= last
        if not (on_time and long_enough and gone_in_time):
            continue
        obliges = True
        again = [u2 for u2, _ in sightings if u2 != u and raised <= u2 <= last + limits.settle_ns and u2 < apart]
        good |= not gone_before and not again
    had_to_show = raised + (limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns)
    return good or (excused <= had_to_show and not appeared), obliges


def ready(trace: Trace, stimulus: Stimulus) -> bool:
    """The last sample told before the raise is off, or there is none and the first one is an onset."""
    told = states(trace)
    before = [told[i][0] for i in range(len(trace)) if int(trace.hi[i]) < stimulus.raised.lo]
    if before:
        return not before[-1]
    return bool(told) and told[0] == (True, True)
