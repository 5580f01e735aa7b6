"""Two runs compared, no distribution assumed: how many of all ways to deal the trials out to them would differ so.

Were the runs alike, every way to deal all trials out to them would be as likely. ``deal_out`` takes a score of each
trial (``comparing`` makes them), which is fair where the brackets of both runs come about in the same way.
``compare_ends`` is fair whatever the brackets depend on: it counts for a change only what no value within the brackets
can deny.

All ways are counted, not drawn, while that is feasible: with random ones no chance below one in their number can be
found, and among hundreds of comparisons nothing above it is significant. Counting: the shift algorithm of Streitberg,
Röhmel, *Statistical Software Newsletter* 12 (1986) 10, on scores rounded to a grid, which makes the test no less fair.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb, sqrt
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.core.instants import Bounds
from harness.measure.interval_censored import as_arrays
from harness.measure.mixture import Floats

WAYS_MAX: Final = 20_000
"""Up to so many ways are looked at one by one, with the scores as they are: with few trials ties matter."""
STEPS_MAX: Final = 3_000_000
"""Additions that counting all ways may take: some milliseconds. The grid is as fine as this allows."""
GRID_MIN: Final = 32
GRID_MAX: Final = 1_000
"""Steps of the grid. With 32 of them rounding adds less than a hundredth to the variance of the scores."""
RANKS_MAX: Final = 10_000
"""Products of the numbers of trials up to which rank sums are counted exactly."""
DEALS_MAX: Final = 200_000
DEALS_STOP: Final = 100
"""Random deals end once so many differ as much as what was found: Besag, Clifford, *Biometrika* 78 (1991) 301."""
_DEALS_AT_ONCE: Final = 1_000
_SAME: Final = 1e-9

Scores = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dealt:
    """``chance``: two-sided, of runs that are alike to differ as much. ``least``: the smallest that any outcome of so
    many trials with these scores could have had. ``later``: 1 where the second run is the later one, -1 the earlier, 0
    neither. ``exact``: all ways were counted, and no generator was used.
    """

    chance: float
    least: float
    later: int
    exact: bool


def deal_out(scores: Floats, n: int, rng: np.random.Generator | None) -> Dealt:
    """The first ``n`` of the scores against all ways to deal so many of them. ValueError: ``rng`` is needed."""
    total = len(scores)
    spread = float(scores.max() - scores.min())
    if spread <= _SAME:
        return Dealt(chance=1.0, least=1.0, later=0, exact=True)
    if comb(total, n) <= WAYS_MAX:
        return _looked_at(scores - scores.mean(), n)
    grid = _grid(n, total)
    if grid is None:
        if rng is None:
            raise ValueError(
                f"rng=None: expected a random generator, since {total} trials can be dealt in too many ways"
            )
        return _drawn(scores, n, rng)
    whole = np.rint((scores - scores.min()) / spread * grid).astype(np.int64)
    return _counted(whole, n)


def compare_ends(first: Sequence[Bounds], second: Sequence[Bounds]) -> Dealt:
    """The rank-sum test of Wilcoxon, Mann and Whitney at the ends of the brackets that speak least for a change.

    Where the second run is to be the later one, each of its times counts as early as it can be and each of the first as
    late; ties count against the change; and the other way round. Both chances hold whatever the true times are within
    their brackets; two-sided: twice the smaller one. ValueError where a run is empty.
    """
    if not first or not second:
        raise ValueError(f"first={len(first)} trials, second={len(second)}: expected at least one in each")
    lo, hi = as_arrays(first)
    other_lo, other_hi = as_arrays(second)
    n, m = len(first), len(second)
    not_later = int((hi[:, None] >= other_lo[None, :]).sum())
    not_earlier = int((other_hi[:, None] >= lo[None, :]).sum())
    later, earlier = _at_most(not_later, n, m), _at_most(not_earlier, n, m)
    chance = min(1.0, 2.0 * min(later, earlier))
    return Dealt(
        chance=chance,
        least=min(1.0, 2 / comb(n + m, n)),
        later=0 if chance >= 1.0 else 1 if later < earlier else -1,
        exact=n * m <= RANKS_MAX,
    )


# --- counting -------------------------------------------------------------------------------------


def _grid(n: int, total: int) -> int | None:
    """How fine the scores may be counted; None where even the coarsest grid takes too long."""
    small = min(n, total - n)
    steps = total * small * small
    if steps * GRID_MIN > 30 * STEPS_MAX:
        return None
    return min(GRID_MAX, max(GRID_MIN, STEPS_MAX // steps))


def _looked_at(centred: Floats, n: int) -> Dealt:
    sums = np.abs(centred[_choices(len(centred), n)].sum(axis=1))
    observed = float(centred[:n].sum())
    slack = _SAME * max(1.0, float(sums.max()))
    return Dealt(
        chance=float((sums >= abs(observed) - slack).mean()),
        least=float((sums >= sums.max() - slack).mean()),
        later=int(np.sign(observed)) if abs(observed) > slack else 0,
        exact=True,
    )


@lru_cache(maxsize=32)
def _choices(total: int, n: int) -> NDArray[np.intp]:
    """Shape (ways, n): every choice of ``n`` among ``total``."""
    return np.array(list(combinations(range(total), n)), dtype=np.intp)


def _counted(scores: Scores, n: int) -> Dealt:
    """All ways to deal whole scores: so many to the first run."""
    total = len(scores)
    observed = total * int(scores[:n].sum()) - n * int(scores.sum())
    if 2 * n > total:  # the sum of the smaller run says the same
        scores, n = scores[::-1], total - n
    ways = _ways(scores, n)
    off = np.abs(total * np.arange(len(ways), dtype=np.int64) - n * int(scores.sum()))
    possible = ways > 0.0
    far = float(ways[off >= abs(observed)].sum() / ways.sum())
    least = float(ways[off >= off[possible].max()].sum() / ways.sum())
    return Dealt(chance=min(1.0, far), least=min(1.0, least), later=int(np.sign(observed)), exact=True)


def _ways(scores: Scores, n: int) -> Floats:
    """Shape (largest sum + 1,): how many choices of ``n`` scores have each sum, as shares of the most there can be."""
    largest = int(np.sort(scores)[-n:].sum())
    ways = np.zeros((n + 1, largest + 1))
    ways[0, 0] = 1.0
    for taken, score in enumerate(scores.tolist(), start=1):
        top = min(taken, n)
        if score:
            ways[1 : top + 1, score:] += ways[:top, :-score]
        else:
            ways[1 : top + 1] += ways[:top]
        if taken % 64 == 0:
            ways /= ways.max()
    return np.asarray(ways[n], dtype=np.float64)


def _drawn(scores: Floats, n: int, rng: np.random.Generator) -> Dealt:
    centred = scores - scores.mean()
    observed = float(centred[:n].sum())
    limit = abs(observed) - _SAME * max(1.0, abs(observed))
    far = drawn = 0
    while drawn < DEALS_MAX and far < DEALS_STOP:
        order = rng.random((_DEALS_AT_ONCE, len(centred))).argpartition(n, axis=1)[:, :n]
        far += int((np.abs(centred[order].sum(axis=1)) >= limit).sum())
        drawn += _DEALS_AT_ONCE
    # Stopped by blocks: what was found counts as one of the deals, which errs to the safe side either way.
    return Dealt(chance=(far + 1) / (drawn + 1), least=0.0, later=int(np.sign(observed)), exact=False)


def _at_most(pairs: int, n: int, m: int) -> float:
    """The chance that at most so many of the n * m pairs are in the one order, where the runs are alike."""
    if n * m > RANKS_MAX:
        middle, spread = n * m / 2.0, sqrt(n * m * (n + m + 1) / 12.0)
        return NormalDist().cdf((pairs + 0.5 - middle) / spread)
    return float(_pairs(min(n, m), max(n, m))[: pairs + 1].sum())


@lru_cache(maxsize=256)
def _pairs(n: int, m: int) -> Floats:
    """Shape (n * m + 1,): the shares of all ways with so many pairs in the one order (Mann, Whitney, *Ann. Math.
    Statist.* 18 (1947) 50).
    """
    ranks = np.arange(1, n + m + 1, dtype=np.int64)
    ways = _ways(ranks, n)[n * (n + 1) // 2 :]
    return np.asarray(ways / ways.sum(), dtype=np.float64)
