"""Two runs of one plan, compared expectation by expectation: shares by exact tables, times by dealing them out. Pure.

Every test is two-sided. Over all of them the chance that any one calls different what is alike stays at most the level:
Holm's method, over those that could have come out significant at all. To find no difference is not to show that there
is none: that is said only where a change worth more would have shown (``shifted``), or where bounds of the difference
of the medians lie within what it is worth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import comb
from statistics import median
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.core.verdicts import VerdictClass
from harness.measure.compare_links import compare_links, finding_of, least_of_pairs, trials_for_links
from harness.measure.comparing import Difference, Score, compare, compare_visible, quantile_difference
from harness.measure.dealing import Dealt, compare_ends
from harness.measure.exact_tables import Alternative, fisher, holm, least_chance, trials_to_differ
from harness.measure.likelihood_ratio import Evidence, VisibleTimes
from harness.measure.run_comparison import (
    Asked,
    Compared,
    Finding,
    Kind,
    Lack,
    Method,
    Pair,
    RowCompared,
    RunsCompared,
    Side,
    WholeLink,
)
from harness.measure.shifted import is_equal, lies_off, shift_bounds
from harness.measure.visible_time import Seen, bounds_of

DIFFERENCES_MAX: Final = 200
"""Of so many significant changes of times it is sought by how much: some seconds. Who has more has other worries."""
ALIKE_WITHIN: Final = 1.25
"""Brackets whose middle width differs by more than this factor did not come about in the same way."""


def compare_runs(pairs: Sequence[Pair], asked: Asked, rng: np.random.Generator) -> RunsCompared:
    """Compare all expectations of two runs. ``rng`` is used only where there are too many trials to count all deals."""
    tested = [_comparisons(pair.before, pair.after, asked, rng) for pair in pairs]
    wholes = [] if asked.verdicts_only else compare_links(pairs, asked)
    counted = [it for mine in tested for it in mine if it.found.least <= asked.level]
    whole = [at for at, it in enumerate(wholes) if it.least <= asked.level]
    adjusted = holm([*(it.found.chance for it in counted), *(wholes[at].chance for at in whole)])
    for it, chance in zip(counted, adjusted, strict=False):
        it.found = replace(it.found, adjusted=chance)
    for at, chance in zip(whole, adjusted[len(counted) :], strict=True):
        wholes[at] = replace(wholes[at], adjusted=chance)
    counts = len(counted) + len(whole)
    planned = sum(_by_numbers(it.found) <= asked.level for mine in tested for it in mine) + len(whole)
    judged = [[_judged(it, asked, max(1, planned), rng) for it in mine] for mine in tested]
    significant = [(row, at) for row, mine in enumerate(judged) for at, it in enumerate(mine) if it.is_significant]
    for row, at in [(row, at) for row, at in significant if not judged[row][at].kind.is_share][:DIFFERENCES_MAX]:
        bounds = _difference(tested[row][at], asked, rng)
        judged[row][at] = replace(judged[row][at], difference=bounds, of_medians=not tested[row][at].moves)
    links = tuple(replace(it, finding=finding_of(it, asked, planned)) for it in wholes)
    known = {it.link: it.finding for it in links if it.finding is not Finding.TOO_FEW}
    rows = tuple(_row(pair, mine, known, asked) for pair, mine in zip(pairs, judged, strict=True))
    of_rows = sum(not it.found.kind.is_share or it.found.least <= asked.level for mine in tested for it in mine)
    together, all_tests = _trials_for_rows(of_rows, wholes, asked.level)
    return RunsCompared(
        asked=asked,
        rows=rows,
        links=links,
        tests=counts,
        not_counted=sum(map(len, tested)) + len(wholes) - counts,
        alone=trials_to_differ(asked.level),
        together=together,
        planned=planned,
        all_tests=all_tests,
        for_links=trials_for_links(wholes, asked.level, all_tests, together),
        all_exact=all(it.is_exact for mine in tested for it in mine),
    )


@dataclass(slots=True, kw_only=True)
class _Tested:
    """One comparison, and what it takes to say by how much: the times, which move with a change where ``moves``; or
    the evidence of each run by itself, where nothing is said of the other.
    """

    found: Compared
    before: Sequence[Bounds] = ()
    after: Sequence[Bounds] = ()
    moves: bool = False
    by_ends: bool = False
    evidence: Callable[[], tuple[Evidence, Evidence]] | None = None
    is_exact: bool = True


def _by_numbers(it: Compared) -> float:
    """The least chance that its numbers of trials allow; for a share, those of what was hit, since where nothing was
    there is nothing to tell apart.
    """
    return it.least if it.kind.is_share else float(least_chance(it.before, it.after))


def _trials_for_rows(rows: int, links: Sequence[WholeLink], level: float) -> tuple[int, int]:
    """The least trials in each run with which each row could differ significantly, and among how many tests: those of
    the links count from so many pairs on.
    """
    trials = trials_to_differ(level)
    while True:
        tests = max(1, rows + sum(least_of_pairs(trials * it.alarms) <= level for it in links))
        if trials_to_differ(level, comparisons=tests) <= trials:
            return trials, tests
        trials += 1


def _row(pair: Pair, found: Sequence[Compared], known: Mapping[str, Finding], asked: Asked) -> RowCompared:
    """With why nothing is known of its times and misses. ``known``: links that were compared as a whole."""
    before, after, row = pair.before, pair.after, RowCompared(pair=pair, compared=tuple(found))
    if asked.verdicts_only or before is None or after is None or not before.verdicts or not after.verdicts:
        return row
    if before.is_in_step or after.is_in_step:
        return replace(row, lack=Lack.IN_STEP if before.latencies or after.latencies else None)
    if bool(before.latencies) is not bool(after.latencies):
        return replace(row, lack=Lack.UNTIMED)
    times = [it for it in found if not it.kind.is_share]
    told = times or [it for it in found if it.kind is Kind.MISSES]
    if not any(it.finding is Finding.TOO_FEW for it in told):
        return row
    if pair.link not in known:
        return replace(row, lack=Lack.FEW)
    if known[pair.link] is not Finding.WORSE and _each_is_worse(before, after, asked.worth_ns):
        return replace(row, lack=Lack.WORSE)  # one slow alarm among many does not make its link slower
    return replace(row, by_link=True)


def _each_is_worse(before: Side, after: Side, worth_ns: int) -> bool:
    """Whether all of the second run came later for certain than any of the first, went later, or was on for less time,
    by more than ``worth_ns``.
    """
    visible = [[bounds_of(it) for it in side.visible] for side in (after, before)]
    pairs = ((before.latencies, after.latencies), (before.gone, after.gone), visible)
    return any(
        min(it.lo for it in longer) - max(it.hi for it in times) > worth_ns
        for times, longer in pairs
        if times and longer
    )


def _comparisons(before: Side | None, after: Side | None, asked: Asked, rng: np.random.Generator) -> list[_Tested]:
    if before is None or after is None or not before.verdicts or not after.verdicts:
        return []
    failed = _shares(
        Kind.FAILS,
        (before.count(VerdictClass.FAIL), before.count(VerdictClass.UNKNOWN), len(before.verdicts)),
        (after.count(VerdictClass.FAIL), after.count(VerdictClass.UNKNOWN), len(after.verdicts)),
    )
    found = [_Tested(found=failed)]
    if asked.verdicts_only:
        return found
    if before.measured and after.measured:
        one, other = (before.missed, before.unseen, before.measured), (after.missed, after.unseen, after.measured)
        found.append(_Tested(found=_shares(Kind.MISSES, one, other)))
    if before.is_in_step or after.is_in_step:
        return found
    is_read_alike = before.read == after.read and not (before.locked or after.locked) and not asked.ends_only
    is_read_alike &= asked.finer or not (before.is_polled or after.is_polled)
    for kind, times, others in (
        (Kind.LATENCY, before.latencies, after.latencies),
        (Kind.GONE, before.gone, after.gone),
    ):
        if times and others:
            is_cut = kind is Kind.LATENCY and before.widths_ns and after.widths_ns
            widths = (before.widths_ns, after.widths_ns) if is_cut else (widths_of(times), widths_of(others))
            is_alike = is_read_alike and as_wide(*widths)
            found.append(_times(kind, times, others, rng, is_alike=is_alike))
    return found + _visible(before, after, rng, is_read_alike=is_read_alike)


def _visible(before: Side, after: Side, rng: np.random.Generator, *, is_read_alike: bool) -> list[_Tested]:
    """Trials that nobody saw included; none where a run saw nothing at all.

    How wide these brackets are hangs on whether they were seen, so it is the onsets that tell how they were read. And
    how many are seen hangs on the visible time, so they do not simply move with it unless all were seen.
    """
    onsets = [[it.onset for it in side.visible if isinstance(it, Seen)] for side in (before, after)]
    if not all(onsets):
        return []
    one, other = ([bounds_of(it) for it in side.visible] for side in (before, after))
    known = before.widths_ns and after.widths_ns
    is_alike = is_read_alike and as_wide(*((before.widths_ns, after.widths_ns) if known else map(widths_of, onsets)))
    found = _tested(
        Kind.VISIBLE,
        one,
        other,
        compare_visible(before.visible, after.visible, rng) if is_alike else compare_ends(one, other),
    )
    found.moves = found.moves and all(it.lo > 0 for it in (*one, *other))
    if is_alike and before.at_random and after.at_random:
        found.evidence = lambda: (VisibleTimes(before.visible), VisibleTimes(after.visible))
    return [found]


def _times(
    kind: Kind, before: Sequence[Bounds], after: Sequence[Bounds], rng: np.random.Generator, *, is_alike: bool
) -> _Tested:
    if is_alike:
        return _tested(kind, before, after, compare(before, after, score=Score.WILCOXON, rng=rng))
    return _tested(kind, before, after, compare_ends(before, after))


def _tested(kind: Kind, before: Sequence[Bounds], after: Sequence[Bounds], test: Difference | Dealt) -> _Tested:
    is_alike = isinstance(test, Difference)
    is_later = test.z > 0.0 if isinstance(test, Difference) else test.later > 0
    found = Compared(
        kind=kind,
        method=Method.ALIKE if is_alike else Method.ENDS,
        before=len(before),
        after=len(after),
        chance=test.chance,
        least=test.least,
        is_worse=is_later is not (kind is Kind.VISIBLE),
    )
    return _Tested(found=found, before=before, after=after, moves=True, by_ends=not is_alike, is_exact=test.exact)


def _shares(kind: Kind, before: tuple[int, int, int], after: tuple[int, int, int]) -> Compared:
    """(hits, in doubt, trials) of two runs: twice the smaller one-sided chance, what is in doubt against the change."""
    (hits, doubt, trials), (other_hits, other_doubt, other_trials) = before, after
    chance, least, is_worse = 1.0, 1.0, False
    if hits or doubt or other_hits or other_doubt:
        more = _one_sided(min(trials, hits + doubt), trials, other_hits, other_trials)
        less = _one_sided(min(other_trials, other_hits + other_doubt), other_trials, hits, trials)
        chance, is_worse = min(1.0, 2.0 * min(more, less)), more < less
        hit = range(hits + other_hits, min(trials + other_trials, hits + other_hits + doubt + other_doubt) + 1)
        least = min(_least_of_shares(it, trials, other_trials) for it in hit)
    return Compared(
        kind=kind,
        method=Method.FISHER,
        before=trials,
        after=other_trials,
        before_hits=hits,
        after_hits=other_hits,
        chance=chance,
        least=least,
        is_worse=is_worse,
    )


def _one_sided(hits: int, trials: int, other_hits: int, other_trials: int) -> float:
    """The chance that the second run has so many hits more, or still more, where both are alike."""
    return float(fisher(((hits, trials - hits), (other_hits, other_trials - other_hits)), Alternative.LESS))


def _least_of_shares(hits: int, trials: int, other_trials: int) -> float:
    """Twice the one-sided chance of the most uneven table with so many hits."""
    ways = comb(trials + other_trials, hits)
    low, high = max(0, hits - other_trials), min(trials, hits)
    ends = (comb(trials, it) * comb(other_trials, hits - it) for it in (low, high))
    return min(1.0, 2 * min(ends) / ways)


def as_wide(before: Sequence[int], after: Sequence[int]) -> bool:
    """Whether brackets of two runs are about as wide, by their middle one: they give no sign of another reading."""
    one, other = median(before) + 1, median(after) + 1
    return max(one, other) <= ALIKE_WITHIN * min(one, other)


def widths_of(times: Sequence[Bounds]) -> list[int]:
    """How wide they are, in ns; open ones as wide as can be."""
    return [min(it.width, FOREVER) for it in times]


def _judged(tested: _Tested, asked: Asked, tests: int, rng: np.random.Generator) -> Compared:
    it = tested.found
    if it.adjusted is not None and it.adjusted <= asked.level:
        is_slight = not it.kind.is_share and _is_within(tested, asked, rng)
        return replace(it, finding=Finding.SLIGHT if is_slight else Finding.WORSE if it.is_worse else Finding.BETTER)
    if not it.kind.is_share and it.chance > asked.level and _is_within(tested, asked, rng):
        return replace(it, finding=Finding.EQUAL)
    least = float(least_chance(it.before, it.after))
    return replace(it, finding=Finding.TOO_FEW if least > asked.level / tests else Finding.OPEN)


def _difference(tested: _Tested, asked: Asked, rng: np.random.Generator) -> Bounds | None:
    """Bounds of by how much the second run is later, or longer; None where nothing bounds it."""
    if tested.moves:
        error = 1.0 - asked.confidence
        return shift_bounds(tested.before, tested.after, error=error, rng=rng, by_ends=tested.by_ends)
    if tested.evidence is None:
        return None
    found = quantile_difference(*tested.evidence(), 0.5, confidence=asked.confidence)
    return None if found.is_open_below and found.is_open_above else found


def _is_within(tested: _Tested, asked: Asked, rng: np.random.Generator) -> bool:
    """Whether a change worth more is shown not to be there."""
    before, after, worth_ns = tested.before, tested.after, asked.worth_ns
    if tested.moves:
        return is_equal(before, after, worth_ns, error=1.0 - asked.confidence, rng=rng, by_ends=tested.by_ends)
    if lies_off(before, after, worth_ns) or lies_off(after, before, worth_ns):
        return False
    found = _difference(tested, asked, rng)
    return found is not None and -worth_ns <= found.lo and found.hi <= worth_ns
