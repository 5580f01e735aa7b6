"""Two runs of one plan, compared expectation by expectation: shares by exact tables, times by dealing them out. Pure.

Every test is two-sided. Over all of them the chance that any one calls different what is alike stays at most the level:
Holm's method, over those that could have come out significant at all. To find no difference is not to show that there
is none: that is said only where bounds of the difference of the medians lie within what a change is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import comb
from statistics import median
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.core.verdicts import VerdictClass
from harness.measure.compare_links import compare_links, finding_of
from harness.measure.dealing import Dealt, compare_alike, compare_ends
from harness.measure.exact_tables import Alternative, fisher, holm, trials_to_differ
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes, quantile
from harness.measure.run_comparison import Asked, Compared, Finding, Kind, Method, Pair, RowCompared, RunsCompared, Side
from harness.measure.visible_time import Seen, bounds_of

ALIKE_WITHIN: Final = 1.25
"""Brackets whose middle width differs by more than this factor did not come about in the same way."""


def compare_runs(pairs: Sequence[Pair], asked: Asked, rng: np.random.Generator) -> RunsCompared:
    """Compare all expectations of two runs. ``rng`` is used only where there are too many trials to count all deals."""
    found: list[list[Compared]] = []
    all_exact = True
    for pair in pairs:
        mine: list[Compared] = []
        if pair.before is not None and pair.after is not None and pair.before.verdicts and pair.after.verdicts:
            mine, exact = _comparisons(pair.before, pair.after, asked, rng)
            all_exact &= exact
        found.append(mine)
    wholes = compare_links(pairs, asked)
    counted = [(row, at) for row, mine in enumerate(found) for at, it in enumerate(mine) if it.least <= asked.level]
    whole = [at for at, it in enumerate(wholes) if it.least <= asked.level]
    adjusted = holm([*(found[row][at].chance for row, at in counted), *(wholes[at].chance for at in whole)])
    for (row, at), chance in zip(counted, adjusted, strict=False):
        found[row][at] = replace(found[row][at], adjusted=chance)
    for at, chance in zip(whole, adjusted[len(counted) :], strict=True):
        wholes[at] = replace(wholes[at], adjusted=chance)
    counts = len(counted) + len(whole)
    tests = max(1, counts)
    rows = tuple(
        RowCompared(pair=pair, compared=tuple(_judged(it, asked, tests) for it in mine))
        for pair, mine in zip(pairs, found, strict=True)
    )
    return RunsCompared(
        asked=asked,
        rows=rows,
        links=tuple(replace(it, finding=finding_of(it, asked)) for it in wholes),
        tests=counts,
        not_counted=sum(map(len, found)) + len(wholes) - counts,
        alone=trials_to_differ(asked.level),
        together=trials_to_differ(asked.level, comparisons=tests),
        all_exact=all_exact,
    )


def _comparisons(before: Side, after: Side, asked: Asked, rng: np.random.Generator) -> tuple[list[Compared], bool]:
    failed = _shares(
        Kind.FAILS,
        (before.count(VerdictClass.FAIL), before.count(VerdictClass.UNKNOWN), len(before.verdicts)),
        (after.count(VerdictClass.FAIL), after.count(VerdictClass.UNKNOWN), len(after.verdicts)),
    )
    found = [failed]
    if before.measured and after.measured:
        one, other = (before.missed, before.unseen, before.measured), (after.missed, after.unseen, after.measured)
        found.append(_shares(Kind.MISSES, one, other))
    is_read_alike = before.read == after.read and not (before.locked or after.locked)
    times = _Times(asked=asked, is_read_alike=is_read_alike, rng=rng)
    found += times.compared(Kind.LATENCY, before.latencies, after.latencies)
    found += times.compared(Kind.GONE, before.gone, after.gone)
    found += times.visible(before, after)
    return found, times.all_exact


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


@dataclass(slots=True, kw_only=True)
class _Times:
    """Compares times; remembers whether random deals were needed."""

    asked: Asked
    is_read_alike: bool
    rng: np.random.Generator
    all_exact: bool = field(default=True)

    def compared(self, kind: Kind, before: Sequence[Bounds], after: Sequence[Bounds]) -> list[Compared]:
        """One comparison, none where a run has no such time."""
        if not before or not after:
            return []
        sides = BracketedTimes(before), BracketedTimes(after)
        return [self._compared(kind, before, after, sides, is_alike=alike(before, after))]

    def visible(self, before: Side, after: Side) -> list[Compared]:
        """Trials that nobody saw included; none where a run saw nothing at all.

        How wide these brackets are hangs on whether they were seen, so it is the onsets that tell how they were read.
        """
        onsets = [[it.onset for it in side.visible if isinstance(it, Seen)] for side in (before, after)]
        if not all(onsets):
            return []
        one, other = ([bounds_of(it) for it in side.visible] for side in (before, after))
        at_random = before.at_random and after.at_random
        sides = (VisibleTimes(before.visible), VisibleTimes(after.visible)) if at_random else None
        return [self._compared(Kind.VISIBLE, one, other, sides, is_alike=alike(*onsets))]

    def _compared(
        self,
        kind: Kind,
        before: Sequence[Bounds],
        after: Sequence[Bounds],
        sides: tuple[Evidence, Evidence] | None,
        *,
        is_alike: bool,
    ) -> Compared:
        is_alike = is_alike and self.is_read_alike and not self.asked.ends_only
        dealt: Dealt = compare_alike(before, after, self.rng) if is_alike else compare_ends(before, after)
        self.all_exact &= dealt.exact
        return Compared(
            kind=kind,
            method=Method.ALIKE if is_alike else Method.ENDS,
            before=len(before),
            after=len(after),
            chance=dealt.chance,
            least=dealt.least,
            is_worse=dealt.later < 0 if kind is Kind.VISIBLE else dealt.later > 0,
            difference=None if sides is None else difference(*sides, confidence=self.asked.confidence),
        )


def alike(before: Sequence[Bounds], after: Sequence[Bounds]) -> bool:
    """Whether the brackets of two runs are about as wide, by their middle one: they give no sign of another reading."""
    one, other = (median(min(it.width, FOREVER) for it in side) + 1 for side in (before, after))
    return max(one, other) <= ALIKE_WITHIN * min(one, other)


def difference(before: Evidence, after: Evidence, *, confidence: float) -> Bounds | None:
    """Bounds of the median of the second less that of the first; None where neither end is bounded.

    Each median in bounds at 1 - (1 - confidence)/2, so both hold with ``confidence``, however each run was read.
    """
    each = (1.0 + confidence) / 2.0
    one, other = (quantile(it, 0.5, confidence=each) for it in (before, after))
    low = -FOREVER if other.is_open_below or one.is_open_above else other.lo - one.hi
    high = FOREVER if other.is_open_above or one.is_open_below else other.hi - one.lo
    return None if low == -FOREVER and high == FOREVER else Bounds(low, high)


def _judged(it: Compared, asked: Asked, tests: int) -> Compared:
    within = it.difference is not None and -asked.worth_ns <= it.difference.lo and it.difference.hi <= asked.worth_ns
    if it.adjusted is not None and it.adjusted <= asked.level:
        found = Finding.SLIGHT if within else Finding.WORSE if it.is_worse else Finding.BETTER
    elif within:
        found = Finding.EQUAL
    else:
        least = min(1.0, 2 / comb(it.before + it.after, it.before))
        found = Finding.TOO_FEW if least > asked.level / tests else Finding.OPEN
    return replace(it, finding=found)
