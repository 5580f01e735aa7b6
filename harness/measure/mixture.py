"""The distribution that makes a set of observations most likely, of all distributions there are. Pure, numpy.

Observation i has the likelihood sum_j A[i, j] p[j], where A[i, j] says how likely it was had the true value been
candidate j. The log-likelihood is concave in the masses p, so a maximum can be certified: with the scores
g[j] = sum_i w[i] A[i, j] / P[i], no other distribution is more likely by more than max_j g[j] - sum_i w[i] (the
conditions of Karush, Kuhn and Tucker; Lindsay, *Annals of Statistics* 11 (1983) 86). ``Fit.gap`` is that number.

Method: the constrained Newton method for mixtures, which adds the best candidate between every two that hold mass and
solves the quadratic problem for all of them (Wang, *J. R. Statist. Soc. B* 69 (2007) 185). Written by hand: of the
packages for Python one takes closed intervals for half-open ones, one is right with a setting that is not its default
and stops by the change of its estimate, and none certifies, holds a share fixed, or takes anything but intervals.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from harness.measure.quadratic import best_masses

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

GAP_MAX: Final = 1e-6
"""In log-likelihood. A ratio statistic is then right to 4e-6, where its quantiles are about 3."""
_GAP_AIM: Final = 1e-11
"""For each observation: about what rounding leaves. Rounds go on to it while they gain."""
ROUNDS_MAX: Final = 500
_HALVINGS_MAX: Final = 40
_FAR: Final = 0.5
"""Of a step: whoever came less far takes the next one with more care."""


class Kernel(Protocol):
    """How likely every observation is under every candidate, without holding the whole matrix."""

    @property
    def candidates(self) -> int:
        """m, in ascending order of value."""

    def chances(self, support: Indices, masses: Floats) -> Floats:
        """sum_j A[i, j] masses[j] over the support, of shape (n,)."""

    def scores(self, factors: Floats) -> Floats:
        """sum_i factors[i] A[i, j] for every j, of shape (m,)."""

    def gram(self, support: Indices, factors: Floats) -> Floats:
        """sum_i factors[i] A[i, j] A[i, k] for every j and k of the support."""

    def covering(self, allowed: Indices) -> Indices:
        """Some of the allowed candidates, under which every observation is possible that can be."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spans:
    """Observation i is certain for the candidates first[i] to last[i], and impossible for the others."""

    first: Indices
    last: Indices
    candidates: int

    def chances(self, support: Indices, masses: Floats) -> Floats:
        """Differences of running sums: O(n log s)."""
        first, last = self._within(support)
        sums = np.concatenate(([0.0], np.cumsum(masses)))
        return np.asarray(np.where(first <= last, sums[last + 1] - sums[first], 0.0), dtype=np.float64)

    def scores(self, factors: Floats) -> Floats:
        """By running sums: O(n + m)."""
        begun = np.bincount(self.first, factors, self.candidates + 1)
        ended = np.bincount(self.last + 1, factors, self.candidates + 1)
        return np.cumsum(begun - ended)[: self.candidates]

    def gram(self, support: Indices, factors: Floats) -> Floats:
        """The sum over the spans that begin at j or before and end at k or after, for j <= k: O(n + s^2)."""
        size = len(support)
        first, last = self._within(support)
        real = first <= last
        counted = np.bincount(first[real] * size + last[real], factors[real], size * size).reshape(size, size)
        upper = np.triu(np.cumsum(np.cumsum(counted, axis=0)[:, ::-1], axis=1)[:, ::-1])
        return np.asarray(upper + np.triu(upper, 1).T, dtype=np.float64)

    def covering(self, allowed: Indices) -> Indices:
        """The fewest: always the last allowed one of the next span that was not yet hit."""
        first, last = self._within(allowed)
        chosen: list[int] = []
        latest = -1
        order = np.argsort(last, kind="stable")
        for low, high in zip(first[order].tolist(), last[order].tolist(), strict=True):
            if latest < low <= high:
                latest = high
                chosen.append(high)
        return allowed[np.array(chosen, dtype=np.intp)]

    def _within(self, support: Indices) -> tuple[Indices, Indices]:
        return np.searchsorted(support, self.first), np.searchsorted(support, self.last, side="right") - 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matrix:
    """The whole matrix, of shape (n, m)."""

    likelihood: Floats

    @property
    def candidates(self) -> int:
        """m."""
        return int(self.likelihood.shape[1])

    def chances(self, support: Indices, masses: Floats) -> Floats:
        """One product with the columns."""
        return self.likelihood[:, support] @ masses

    def scores(self, factors: Floats) -> Floats:
        """One product with the matrix."""
        return factors @ self.likelihood

    def gram(self, support: Indices, factors: Floats) -> Floats:
        """O(n s^2)."""
        columns = self.likelihood[:, support]
        return columns.T @ (columns * factors[:, None])

    def covering(self, allowed: Indices) -> Indices:
        """Of every observation one that is likely, and under which many others are too."""
        mine = self.likelihood[:, allowed]
        return np.unique(allowed[np.argmax(mine * mine.sum(axis=0), axis=1)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The candidates that hold mass, ascending, and how much; ``gap``: what no other distribution can gain on it."""

    support: Indices
    masses: Floats
    log_likelihood: float
    gap: float
    rounds: int


def most_likely(
    kernel: Kernel,
    weights: Floats,
    split: int = 0,
    below: float = 0.0,
    *,
    wanted: float | None = None,
    start: tuple[Indices, Floats] | None = None,
) -> Fit | None:
    """The masses that maximise sum_i weights[i] log P[i]; the candidates before ``split`` hold ``below`` together.

    With ``split`` 0 there is no such condition. None where every such distribution makes some observation impossible.
    It stops at a gap of GAP_MAX or less, or after ROUNDS_MAX with a wider one: the caller has to look at it. With
    ``wanted`` it stops as soon as it is certain whether the maximum reaches that. ``start``: candidates and masses that
    are good without the condition; where to begin.
    """
    bounds = np.array([0, split, kernel.candidates]) if split else np.array([0, kernel.candidates])
    totals = np.array([below, 1.0 - below]) if split else np.array([1.0])
    free = np.repeat(totals > 0.0, np.diff(bounds))
    support, masses = _begun(start, bounds, totals) or _anywhere(kernel, free, bounds, totals)
    chances = kernel.chances(support, masses)
    if start and np.any(chances <= 0.0):
        support, masses = _anywhere(kernel, free, bounds, totals)
        chances = kernel.chances(support, masses)
    if np.any(chances <= 0.0):
        return None
    reached = float(weights @ np.log(chances))
    last_gap, step = np.inf, 1.0
    for taken in range(ROUNDS_MAX):
        scores = np.where(free, kernel.scores(weights / chances), -np.inf)
        best = np.array([scores[a:b].max() if t > 0.0 else 0.0 for a, b, t in _parts(bounds, totals)])
        gap = float(totals @ best - weights.sum())
        if gap <= _GAP_AIM * weights.sum() or (gap <= GAP_MAX and gap > last_gap / 2):
            return Fit(support=support, masses=masses, log_likelihood=reached, gap=max(gap, 0.0), rounds=taken)
        if wanted is not None and (reached >= wanted or reached + gap < wanted):
            return Fit(support=support, masses=masses, log_likelihood=reached, gap=max(gap, 0.0), rounds=taken)
        last_gap = gap
        support, masses = _widened(support, masses, scores, bounds)
        gram = kernel.gram(support, weights / chances**2)
        second = support >= split if split else None
        aim = best_masses(gram, 2.0 * scores[support], masses, second, totals, is_slow=step < _FAR)
        masses, chances, reached, step = _climbed(kernel, support, weights, masses, aim, reached)
        held = masses > 0.0
        support, masses = support[held], masses[held]
    return Fit(support=support, masses=masses, log_likelihood=reached, gap=last_gap, rounds=ROUNDS_MAX)


def _begun(start: tuple[Indices, Floats] | None, bounds: Indices, totals: Floats) -> tuple[Indices, Floats] | None:
    """The masses that were given, made larger or smaller in each part; None where a part of them is empty."""
    if start is None:
        return None
    support, masses = start
    part = np.searchsorted(bounds, support, side="right") - 1
    sums = np.bincount(part, masses, len(totals))
    if np.any((sums <= 0.0) & (totals > 0.0)):
        return None
    masses = masses * (totals / np.maximum(sums, 1e-300))[part]
    held = masses > 0.0
    return support[held], masses[held]


def _anywhere(kernel: Kernel, free: NDArray[np.bool_], bounds: Indices, totals: Floats) -> tuple[Indices, Floats]:
    support = _first_support(kernel, free, bounds)
    return support, _spread(support, bounds, totals)


def _parts(bounds: Indices, totals: Floats) -> list[tuple[int, int, float]]:
    return [(a, b, t) for (a, b), t in zip(pairwise(bounds.tolist()), totals.tolist(), strict=True)]


def _first_support(kernel: Kernel, free: NDArray[np.bool_], bounds: Indices) -> Indices:
    """Candidates that make every observation possible, if any can; at least one of every part that holds mass."""
    ends = [a + int(np.argmax(free[a:b])) for a, b in pairwise(bounds.tolist()) if free[a:b].any()]
    return np.union1d(kernel.covering(np.flatnonzero(free)), np.array(ends, dtype=np.intp))


def _spread(support: Indices, bounds: Indices, totals: Floats) -> Floats:
    """Each part's total in equal shares over its candidates."""
    part = np.searchsorted(bounds, support, side="right") - 1
    return totals[part] / np.bincount(part, minlength=len(totals))[part]


def _widened(support: Indices, masses: Floats, scores: Floats, bounds: Indices) -> tuple[Indices, Floats]:
    """With the best candidate between every two that hold mass, at mass 0, where it is better than its part."""
    holds = np.zeros(len(scores), dtype=np.bool_)
    holds[support] = True
    begins = holds.copy()
    begins[1:] |= holds[:-1]
    begins[bounds[:-1]] = True
    piece = np.cumsum(begins) - 1
    part = np.searchsorted(bounds, support, side="right") - 1
    size = len(bounds) - 1
    level = np.bincount(part, masses * scores[support], size) / np.maximum(np.bincount(part, masses, size), 1e-300)
    better = np.maximum.reduceat(scores, np.flatnonzero(begins))[piece] == scores
    better &= scores > np.repeat(level, np.diff(bounds))
    found = np.flatnonzero(better)
    holds[found[np.diff(piece[found], prepend=-1) > 0]] = True  # of equals the first
    spread = np.zeros(len(scores))
    spread[support] = masses
    wide = np.flatnonzero(holds)
    return wide, spread[wide]


def _climbed(
    kernel: Kernel, support: Indices, weights: Floats, masses: Floats, wanted: Floats, reached: float
) -> tuple[Floats, Floats, float, float]:
    """As far from ``masses`` towards ``wanted`` as the likelihood grows, by halving; at last the share of the way.

    Near the maximum a step gains less than the sum's rounding and still halves the digits of the gap: it is taken.
    """
    here, there = kernel.chances(support, masses), kernel.chances(support, wanted)
    rounding = 1e-14 * float(weights @ (1.0 + np.abs(np.log(here))))
    step = 1.0
    for _ in range(_HALVINGS_MAX):
        chances = here + step * (there - here) if step < 1.0 else there
        if np.all(chances > 0.0):
            value = float(weights @ np.log(chances))
            if value > reached - rounding:
                return (wanted if step == 1.0 else masses + step * (wanted - masses)), chances, value, step
        step /= 2.0
    return masses, here, reached, 0.0
