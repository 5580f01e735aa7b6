"""Whether two runs differ in a time that is only bracketed, and whether they are proven not to. Pure, numpy.

Every trial gets a score from the distribution of both runs together. Were the runs alike, each way to deal the scores
out to them would be as likely, so the sum of one run's scores is compared with all (or with many random) ways to deal
them.

Scores, with S the share of times that are later, at both ends of a trial's bracket: Fay, Shaw, *J. Stat. Software*
36(2) (2010), 2; the log-rank one is that of Sun, *Statistics in Medicine* 15 (1996) 1387. SciPy has rank tests for
times that are known and none for brackets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum, unique
from itertools import combinations
from math import comb, sqrt
from statistics import NormalDist
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import as_arrays, reduce
from harness.measure.likelihood_ratio import BracketedTimes, quantile
from harness.measure.mixture import Floats, most_likely
from harness.measure.proportions import CONFIDENCE, Side, clopper_pearson

EXACT_MAX: Final = 20_000
"""Ways to deal: up to here all of them are looked at."""
DEALS: Final = 9_999
_SAME: Final = 1e-9


@unique
class Score(StrEnum):
    """What kind of difference is looked for."""

    LOG_RANK = "log-rank"
    WILCOXON = "wilcoxon"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """``z``: negative where the first run is the later one. ``chance``: of runs that are alike to differ so, two-sided.

    ``exact``: all ways to deal were looked at; else so many random ones, and the one that was found counts as one of
    them. ``asymptotic``: from the normal distribution, for comparison with published tests.
    """

    score: Score
    first_trials: int
    second_trials: int
    z: float
    chance: float
    asymptotic: float
    exact: bool


def compare(
    first: Sequence[Bounds],
    second: Sequence[Bounds],
    *,
    score: Score = Score.LOG_RANK,
    rng: np.random.Generator | None = None,
) -> Difference:
    """Test that two runs have one distribution. ``rng`` is needed where there are too many ways to look at all.

    The brackets must not depend on the run: a slower poll in one of them is itself a difference. Raises ValueError
    where a run is empty or ``rng`` is missing.
    """
    if not first or not second:
        raise ValueError(f"first={len(first)} trials, second={len(second)}: expected at least one in each")
    scores = _scores([*first, *second], score)
    n, total = len(first), len(scores)
    observed = float(scores[:n].sum() - n * scores.mean())
    variance = float(n * (total - n) / (total * (total - 1)) * ((scores - scores.mean()) ** 2).sum())
    if variance <= _SAME:
        z = 0.0
        chance, exact = 1.0, True
    else:
        z = observed / sqrt(variance)
        chance, exact = _dealt(scores - scores.mean(), n, abs(observed), rng)
    return Difference(
        score=score,
        first_trials=n,
        second_trials=total - n,
        z=z,
        chance=chance,
        asymptotic=2.0 * NormalDist().cdf(-abs(z)),
        exact=exact,
    )


def _scores(times: Sequence[Bounds], score: Score) -> Floats:
    """Positive for early times."""
    lo, hi = as_arrays(times)
    reduced = reduce(lo, hi)
    fit = most_likely(reduced.spans, reduced.weights)
    assert fit is not None, "an innermost interval lies in every interval"  # noqa: S101
    masses = np.zeros(reduced.spans.candidates)
    masses[fit.support] = fit.masses / fit.masses.sum()
    later = np.concatenate(([1.0], np.maximum(1.0 - np.cumsum(masses), 0.0)))
    later[-1] = 0.0
    left = later[np.searchsorted(reduced.within_lo, lo, side="left")]
    right = later[np.searchsorted(reduced.within_hi, hi, side="right")]
    if score is Score.WILCOXON:
        return left + right - 1.0
    hazard = np.divide(masses, later[:-1], out=np.zeros_like(masses), where=later[:-1] > 0.0)
    cumulated = np.concatenate(([0.0], np.cumsum(hazard)))
    weighted = -later * cumulated
    at_left = weighted[np.searchsorted(reduced.within_lo, lo, side="left")]
    at_right = weighted[np.searchsorted(reduced.within_hi, hi, side="right")]
    return np.asarray((at_left - at_right) / (left - right), dtype=np.float64)


def _dealt(centred: Floats, n: int, observed: float, rng: np.random.Generator | None) -> tuple[float, bool]:
    limit = observed - _SAME * max(1.0, observed)
    ways = comb(len(centred), n)
    if ways <= EXACT_MAX:
        values = centred.tolist()
        far = sum(abs(sum(dealt)) >= limit for dealt in combinations(values, n))
        return far / ways, True
    if rng is None:
        raise ValueError(
            f"rng=None: expected a random generator, since {len(centred)} trials can be dealt in too many ways"
        )
    far = sum(abs(float(rng.permutation(centred)[:n].sum())) >= limit for _ in range(DEALS))
    return (far + 1) / (DEALS + 1), False


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """``difference``: second minus first, in bounds at this confidence. Proven: all of it lies within the margin."""

    difference: Bounds
    margin_ns: int
    confidence: float

    @property
    def is_proven(self) -> bool:
        """False also where nothing is known: no difference found is not the same as none there."""
        return -self.margin_ns <= self.difference.lo and self.difference.hi <= self.margin_ns


def equivalent(
    first: Sequence[Bounds],
    second: Sequence[Bounds],
    margin_ns: int,
    *,
    share: float = 0.5,
    confidence: float = CONFIDENCE,
) -> Equivalence:
    """Whether the times that ``share`` of the trials do not exceed differ by at most ``margin_ns`` between two runs.

    Bounds of either quantile at 1 - (1 - confidence)/2 hold together with ``confidence`` (Bonferroni), so their
    difference does.
    """
    each = (1.0 + confidence) / 2.0
    one = quantile(BracketedTimes(first), share, confidence=each)
    other = quantile(BracketedTimes(second), share, confidence=each)
    low = other.lo - one.hi if not (other.is_open_below or one.is_open_above) else None
    high = other.hi - one.lo if not (other.is_open_above or one.is_open_below) else None
    return Equivalence(
        difference=Bounds(-FOREVER if low is None else low, FOREVER if high is None else high),
        margin_ns=margin_ns,
        confidence=confidence,
    )


def most_worse(first: tuple[int, int], second: tuple[int, int], *, confidence: float = CONFIDENCE) -> float:
    """At most by how much the share of misses of the second run is above that of the first, one-sided.

    Each run is (misses, trials). The upper bound of the second less the lower bound of the first, each at
    1 - (1 - confidence)/2, so that both hold with ``confidence``.
    """
    each = (1.0 + confidence) / 2.0
    above = clopper_pearson(*second, confidence=each, side=Side.UPPER).high
    return above - clopper_pearson(*first, confidence=each, side=Side.LOWER).low
