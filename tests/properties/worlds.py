"""The oracle of the correlator: a judge that counts out every possible world on a small grid of instants.

It shares nothing with ``harness.correlate``; it takes the types of ``harness.core`` and the definitions:

*World*: whether the point was on at each instant (a change at u is visible at u), an instant x_i in [lo_i, hi_i] for
each sample with x_0 <= x_1 <= ..., and true instants of the stimulus, each in its bounds. It is *consistent* if

1. at x_i the point was in the state that sample i tells;
2. where sample i is itself the change (an edge), the point changed at x_i;
3. a maximal run of one state that holds none of the x_i lasts at least as long as the hold of that state: the hold
   rules out only what no sample saw;
4. where sample i is sealed, no onset lies behind x_{i-1} and up to x_i, other than sample i's own edge.

Time has no end on either side. All x_i and all stimulus times lie on a grid 0..T-1; what the point did there is counted
out completely. Before the grid only the onset of a run that reaches into it matters. Behind the grid nothing is
sampled, and only two things there can change an answer: when a run that leaves the grid ends, and one more
sighting. Both are counted out up to an instant behind every limit, and "never".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Hold, Step, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import VerdictClass

NEVER = 10**6
"""Later than every instant of a grid; -NEVER is earlier."""

GRID_MAX = 14
"""2**14 traces are the most that is counted out."""

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One world in words: the on-times [onset, end) in order, and the true stimulus times (NEVER: not done)."""

    on: tuple[tuple[int, int], ...]
    raised: int
    released: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OracleAnswer:
    """``worlds``: how many traces were looked at (counting stops when the class is settled).

    ``example_pass_world`` meets the expectation without an offence; ``example_fail_world`` breaks an obligation.
    """

    verdict_class: VerdictClass
    worlds: int
    example_pass_world: World | None
    example_fail_world: World | None


@dataclass(frozen=True, slots=True)
class Case:
    """Limits and bounds of one case, as plain numbers."""

    behaviour: Behaviour
    raised: Bounds
    cleared: Bounds | None
    freed: Bounds | None
    silenced: Bounds | None
    released_by: Step
    raised_max: int
    within: int | None
    visible: int | None
    gone: int | None
    dwell: int
    search: int
    settle: int
    next_raise: int
    next_other: int
    hold_on: int
    hold_off: int

    @property
    def later(self) -> tuple[Bounds, ...]:
        """Bounds of every step that was done after the raise, as far as it matters."""
        return tuple(step for step in (self.cleared, self.freed, self.silenced) if step is not None)

    @property
    def reach(self) -> int:
        """How long after the raise the point has to show at the latest."""
        return self.search if self.within is None else self.within


def judge_by_enumeration(
    trace: Trace,
    stimulus: Stimulus,
    expectation: Expectation,
    hold: Hold,
    next_raise: int | None = None,
    horizon: int | None = None,
    next_other: int | None = None,
) -> OracleAnswer:
    """Judge by counting out all worlds. ``horizon``: instants of the grid, None for as few as hold all evidence.

    Raises ValueError where the grid would be larger than GRID_MAX, or something lies before instant 1.
    """
    case = case_of(stimulus, expectation, hold, next_raise, next_other)
    instants = max([*trace.hi.tolist(), *(b.hi for b in (case.raised, *case.later))]) + 2
    instants = instants if horizon is None else max(instants, horizon)
    if instants > GRID_MAX or min([*trace.lo.tolist(), case.raised.lo]) < 1:
        raise ValueError(f"grid of {instants} instants: from 1 on, and at most {GRID_MAX} of them, can be counted out")
    ready = is_ready(trace, case.raised.lo)
    traces = _Traces(instants, trace, case)
    good: World | None = None
    bad: World | None = None
    looked_at = 0
    for onset, end in traces.parts():
        looked_at += onset.shape[1]
        for raised, release, excused in times_of(case):
            meets, obliges = _meets(case, onset, end, raised, release, excused)
            if good is None and meets.any():
                good = _world(onset, end, int(np.argmax(meets)), raised, release)
            if bad is None and not obliges.all():
                bad = _world(onset, end, int(np.argmin(obliges)), raised, release)
        if good is not None and (bad is not None or not ready):
            break
    if not looked_at:
        found = VerdictClass.UNKNOWN
    elif good is None:
        found = VerdictClass.FAIL
    else:
        found = VerdictClass.PASS if bad is None and ready else VerdictClass.UNKNOWN
    return OracleAnswer(verdict_class=found, worlds=looked_at, example_pass_world=good, example_fail_world=bad)


def is_ready(trace: Trace, raised_lo: int) -> bool:
    """The last sample that was told before the raise is off; a first sample that is an onset is ready by itself."""
    before = [index for index in range(len(trace)) if int(trace.hi[index]) < raised_lo]
    if before:
        return not states_of(trace)[before[-1]]
    return len(trace) > 0 and trace.first_on and bool(trace.edges[0])


def states_of(trace: Trace) -> list[bool]:
    """One state a sample."""
    states: list[bool] = []
    for run in range(len(trace.starts)):
        states += [trace.run_is_on(run)] * (trace.run_last(run) - int(trace.starts[run]) + 1)
    return states


def edges_of(trace: Trace) -> list[bool]:
    """For each sample, whether it is itself the change."""
    edges = [False] * len(trace)
    for run, start in enumerate(trace.starts.tolist()):
        edges[start] = bool(trace.edges[run])
    return edges


def case_of(
    stimulus: Stimulus, expectation: Expectation, hold: Hold, next_raise: int | None, next_other: int | None = None
) -> Case:
    """Everything that is asked, as numbers. For ``quiet`` the shortest leak looked for stands for the shortest on."""
    limits = expectation.limits
    quiet = expectation.behaviour is Behaviour.QUIET
    return Case(
        behaviour=expectation.behaviour,
        raised=stimulus.raised,
        cleared=stimulus.cleared,
        freed=stimulus.reset if expectation.released_by is Step.RESET else stimulus.acknowledged,
        silenced=stimulus.silenced if expectation.released_by is Step.SILENCE else None,
        released_by=expectation.released_by,
        raised_max=min((step.hi for step in _done(stimulus)), default=NEVER),
        within=limits.appears_within_ns,
        visible=limits.visible_for_ns,
        gone=limits.gone_within_ns,
        dwell=limits.dwell_ns,
        search=limits.search_ns,
        settle=limits.settle_ns,
        next_raise=NEVER if next_raise is None else next_raise,
        next_other=NEVER if next_other is None else next_other,
        hold_on=limits.leak_ns if quiet else hold.on_ns,
        hold_off=hold.off_ns,
    )


def _done(stimulus: Stimulus) -> list[Bounds]:
    steps = (stimulus.silenced, stimulus.acknowledged, stimulus.reset, stimulus.cleared)
    return [step for step in steps if step is not None]


def times_of(case: Case) -> Iterator[tuple[int, int, int]]:
    """Every (raised, release, excused) that the bounds allow; no step comes earlier than the raise.

    From ``excused`` on a point that did not show owes nothing any more: a person has released it.
    """
    seen: set[tuple[int, int, int]] = set()
    for raised in _instants(case.raised):
        if raised > case.raised_max:
            continue
        for cleared in _instants(case.cleared):
            for freed in _instants(case.freed):
                for silenced in _instants(case.silenced):
                    if min(cleared, freed, silenced) < raised:
                        continue
                    for release, excused in _releases(case, cleared, freed, silenced):
                        if (raised, release, excused) not in seen:
                            seen.add((raised, release, excused))
                            yield raised, release, excused


def _releases(case: Case, cleared: int, freed: int, silenced: int) -> Iterator[tuple[int, int]]:
    """(release, excused) at true instants; a reset before the clear may have been taken, or not."""
    by_person = min(freed, silenced)
    match case.behaviour:
        case Behaviour.FOLLOWS if case.released_by is Step.SILENCE:
            yield min(cleared, by_person), by_person
        case Behaviour.FOLLOWS | Behaviour.QUIET:
            yield cleared, NEVER
        case Behaviour.UNTIL_ACKNOWLEDGED:
            yield by_person, by_person
        case Behaviour.LATCHED:
            yield (release := max(by_person, cleared)), release
            if case.released_by is Step.RESET and freed < cleared:
                yield NEVER, NEVER
        case Behaviour.PULSE:
            yield NEVER, NEVER


def _instants(bounds: Bounds | None) -> range:
    return range(NEVER, NEVER + 1) if bounds is None else range(bounds.lo, bounds.hi + 1)


def _meets(case: Case, onset: Ints, end: Ints, raised: int, release: int, excused: int) -> tuple[Bools, Bools]:
    """(worlds,), (worlds,): meets everything without an offence (or owes nothing); keeps every obligation.

    ``onset``, ``end``: (runs, worlds); a run that is not there begins at 2 * NEVER.
    """
    if case.behaviour is Behaviour.QUIET:
        until = NEVER if release >= NEVER else max(raised + case.search, release + (case.gone or 0))
        leaks = (onset >= raised) & (onset <= until) & (onset < case.next_raise)
        quiet: Bools = ~np.logical_or.reduce(leaks, axis=0)
        return quiet, quiet
    ours = (end > raised) & (onset <= raised + case.search) & (onset < case.next_raise)
    keeps = ours & (end - onset >= (case.visible or 0))
    if case.within is not None:
        keeps &= onset - raised <= case.within
    if case.behaviour is Behaviour.PULSE:
        last = onset + (case.gone or 0)
        early = np.zeros_like(ours)
        if case.gone is not None:
            keeps &= end <= last
    else:
        stays = NEVER if release >= NEVER else release + case.dwell
        last = np.full_like(onset, NEVER if release >= NEVER else stays + (case.gone or 0))
        early = end < stays
        if case.gone is not None and release < NEVER:
            keeps &= end <= last
    alone = np.empty_like(ours)
    for this in range(len(onset)):
        again = (
            (onset >= raised)
            & (onset <= last[this] + case.settle)
            & (onset < case.next_raise)
            & (onset < case.next_other)
        )
        alone[this] = again.sum(axis=0) == again[this]
    obliges: Bools = np.logical_or.reduce(keeps, axis=0)
    meets: Bools = np.logical_or.reduce(keeps & ~early & alone, axis=0)
    if excused <= raised + case.reach:
        meets |= ~np.logical_or.reduce(ours, axis=0)
    return meets, obliges


def _world(onset: Ints, end: Ints, at: int, raised: int, release: int) -> World:
    pairs = sorted((int(u), int(e)) for u, e in zip(onset[:, at], end[:, at], strict=True) if u < NEVER)
    return World(on=tuple(pairs), raised=raised, released=release)


# --- the traces of the grid that fit the samples ------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Masks:
    """All 2**T traces of a grid: ``on`` (T, masks); ``length`` (T, masks) of the run that ends or goes on at t so far;
    ``from_start`` (T, masks): that run began with the grid. ``onset``, ``end`` (runs, masks) of the on-runs in order,
    2 * NEVER where there is none; an end at T is where the grid ends."""

    on: Bools
    length: Ints
    from_start: Bools
    onset: Ints
    end: Ints


@cache
def _masks(instants: int) -> _Masks:
    count = 1 << instants
    on = (np.arange(count) >> np.arange(instants)[:, None] & 1).astype(np.bool_)
    length = np.ones((instants, count), dtype=np.int64)
    from_start = np.ones((instants, count), dtype=np.bool_)
    runs = (instants + 1) // 2
    onset = np.full((runs + 1, count), 2 * NEVER, dtype=np.int64)
    end = np.full((runs + 1, count), 2 * NEVER, dtype=np.int64)
    number = np.full(count, -1)
    every = np.arange(count)
    for t in range(instants):
        before = on[t - 1] if t else np.zeros(count, dtype=np.bool_)
        if t:
            same = on[t] == before
            length[t] = np.where(same, length[t - 1] + 1, 1)
            from_start[t] = from_start[t - 1] & same
        began = on[t] & ~before
        number[began] += 1
        onset[number[began], every[began]] = t
        end[number[on[t]], every[on[t]]] = t + 1
    return _Masks(on=on, length=length, from_start=from_start, onset=onset, end=end)


class _Traces:
    """The traces of one case: those of the grid that fit the samples, continued on both sides in every way."""

    def __init__(self, instants: int, trace: Trace, case: Case) -> None:
        self._instants = instants
        self._trace = trace
        self._case = case
        self._all = _masks(instants)
        self._hold = {True: case.hold_on, False: case.hold_off}

    def parts(self) -> Iterator[tuple[Ints, Ints]]:
        """Blocks (runs, worlds), (runs, worlds) of onsets and ends."""
        masks = self._all
        reached = self._fitting()
        for first_sampled in (True, False):
            for last_sampled in (True, False):
                fits = reached[first_sampled, last_sampled]
                for first_on in (False, True):
                    for last_on in (False, True):
                        chosen = np.flatnonzero(fits & (masks.on[0] == first_on) & (masks.on[-1] == last_on))
                        if chosen.size:
                            yield from self._continued(chosen, first_on, first_sampled, last_on, last_sampled)

    def _continued(
        self, chosen: Ints, first_on: bool, first_sampled: bool, last_on: bool, last_sampled: bool
    ) -> Iterator[tuple[Ints, Ints]]:
        masks = self._all
        for head in self._heads() if first_on else [None]:
            onset, end = masks.onset[:, chosen].copy(), masks.end[:, chosen].copy()
            if head is not None:
                onset[0] = head
            whole = masks.from_start[-1, chosen]  # one run fills the grid: its head and its tail are the same run
            if head is not None and not first_sampled:
                fits = whole | (end[0] - head >= self._hold[True])
                onset, end, whole = onset[:, fits], end[:, fits], whole[fits]
                length = masks.length[-1, chosen][fits]
            else:
                length = masks.length[-1, chosen]
            if not onset.shape[1]:
                continue
            begun = np.where(whole, -NEVER if head is None else head, self._instants - length)
            earliest = np.full(len(begun), self._instants)
            if not last_sampled:
                earliest = np.maximum(earliest, begun + self._hold[last_on])
            yield from self._ended(onset, end, earliest) if last_on else self._reappearing(onset, end, earliest)

    def _heads(self) -> list[int]:
        """Onsets of a run that reaches into the grid; which one, matters only to how long it lasts."""
        case = self._case
        pulse_ends = case.behaviour is Behaviour.PULSE and case.gone is not None
        if case.visible is None and not pulse_ends:
            return [-NEVER]
        reach = max(case.visible or 0, case.gone or 0, case.hold_on) + 1
        return [-NEVER, *range(-reach, 1)]

    def _tail(self) -> range:
        """Instants behind the grid at which something may end, up to one behind all limits."""
        case = self._case
        latest = [case.raised.hi + case.search, self._instants]
        latest += [b.hi + case.dwell + (case.gone or 0) for b in case.later]
        slack = max(case.visible or 0, case.gone or 0, case.hold_on, case.hold_off)
        return range(self._instants, max(latest) + slack + 3)

    def _ended(self, onset: Ints, end: Ints, earliest: Ints) -> Iterator[tuple[Ints, Ints]]:
        """The run that leaves the grid ends at every instant behind it, and never."""
        leaves = (end == self._instants) & (onset < NEVER)
        blocks = []
        for ends in [NEVER, *self._tail()]:
            fits = earliest <= ends
            if fits.any():
                blocks.append((onset[:, fits], np.where(leaves, ends, end)[:, fits]))
        yield from _joined(blocks)

    def _reappearing(self, onset: Ints, end: Ints, earliest: Ints) -> Iterator[tuple[Ints, Ints]]:
        """Nothing more comes, or one more sighting behind the grid."""
        yield onset, end
        case = self._case
        quiet = case.behaviour is Behaviour.QUIET
        search_end = self._tail()[-1] if quiet else case.raised.hi + case.search
        blocks = []
        for again in self._tail():
            fits = earliest <= again
            if again > search_end or not fits.any():
                continue
            for ends in [NEVER] if quiet else [NEVER, *self._tail()]:
                if ends < again + self._hold[True]:
                    continue
                one_more = onset[:, fits].copy(), end[:, fits].copy()
                one_more[0][-1], one_more[1][-1] = again, ends
                blocks.append(one_more)
        yield from _joined(blocks)

    def _fitting(self) -> dict[tuple[bool, bool], Bools]:
        """Which traces of the grid fit the samples, by whether a sample lies in the first run and in the last.

        Goes through the instants in order and keeps, for each trace at once, which numbers of samples can have been
        placed so far; a run that ends without a sample in it must have lasted as long as its hold.
        """
        masks, trace, count = self._all, self._trace, len(self._trace)
        states, edges = states_of(trace), edges_of(trace)
        sealed = [False] * count if trace.sealed is None else [bool(it) for it in trace.sealed]
        reach = np.zeros((count + 1, 2, 2, masks.on.shape[1]), dtype=np.bool_)  # placed, first sampled, this sampled
        reach[0, 0, 0] = True
        nothing = np.zeros(masks.on.shape[1], dtype=np.bool_)
        for t in range(self._instants):
            changed = nothing if t == 0 else masks.on[t] != masks.on[t - 1]
            forced = {}
            if t:
                hold = np.where(masks.on[t - 1], self._hold[True], self._hold[False])
                may_end = masks.from_start[t - 1] | (masks.length[t - 1] >= hold)
                reach[:, :, 0] = (reach[:, :, 0] & (~changed | may_end)) | (reach[:, :, 1] & changed)
                reach[:, :, 1] &= ~changed
                begins = changed & masks.on[t]
                for index in range(1, count):
                    if sealed[index]:
                        forced[index] = reach[index] & begins
                        reach[index] &= ~begins
            in_first = masks.from_start[t]
            for index in range(count):
                if not trace.lo[index] <= t <= trace.hi[index]:
                    continue
                fits = masks.on[t] == states[index]
                if edges[index]:
                    fits = fits & changed
                source = reach[index]
                if edges[index] and index in forced:
                    source = source | forced[index]
                for first_sampled in (0, 1):
                    placed = (source[first_sampled, 0] | source[first_sampled, 1]) & fits
                    reach[index + 1, 1, 1] |= placed & in_first
                    reach[index + 1, first_sampled, 1] |= placed & ~in_first
        done = reach[count]
        return {(bool(f), bool(c)): done[f, c] for f in (0, 1) for c in (0, 1)}


def _joined(blocks: list[tuple[Ints, Ints]], at_most: int = 20_000) -> Iterator[tuple[Ints, Ints]]:
    """Blocks put together up to about ``at_most`` worlds each."""
    batch: list[tuple[Ints, Ints]] = []
    for block in blocks:
        batch.append(block)
        if sum(it[0].shape[1] for it in batch) >= at_most:
            yield np.concatenate([it[0] for it in batch], axis=1), np.concatenate([it[1] for it in batch], axis=1)
            batch = []
    if batch:
        yield np.concatenate([it[0] for it in batch], axis=1), np.concatenate([it[1] for it in batch], axis=1)
