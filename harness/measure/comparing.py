"""Whether two runs differ in a time that is only bracketed, and bounds of by how much. Pure, numpy.

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
from math import sqrt
from statistics import NormalDist
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.dealing import deal_out
from harness.measure.interval_censored import as_arrays, reduce
from harness.measure.likelihood_ratio import Evidence, quantile
from harness.measure.mixture import Floats, Matrix, most_likely
from harness.measure.visible_time import Trial, candidates, likelihood

_SAME: Final = 1e-9


@unique
class Score(StrEnum):
    """What kind of difference is looked for."""

    LOG_RANK = "log-rank"
    WILCOXON = "wilcoxon"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """``z``: negative where the first run is the later one. ``chance``: of runs that are alike to differ so, two-sided.

    ``least``: the smallest chance that any outcome of so many trials could have had. ``exact``: all ways to deal were
    counted, and no generator was used (``dealing``). ``asymptotic``: from the normal distribution, for comparison with
    published tests.
    """

    score: Score
    first_trials: int
    second_trials: int
    z: float
    chance: float
    asymptotic: float
    exact: bool
    least: float = 0.0


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
    _check_trials(first, second)
    return _dealt(_scores([*first, *second], score), len(first), score, rng)


def compare_visible(
    first: Sequence[Trial],
    second: Sequence[Trial],
    rng: np.random.Generator | None = None,
    *,
    score: Score = Score.WILCOXON,
) -> Difference:
    """Test that the visible times of two runs have one distribution; trials that nobody saw are data.

    A trial's score is what its visible time would have, on average over the times that it may have had, each as likely
    as the most likely distribution of both runs and the trial together make it. ``z`` is negative where the first run
    is the one that is visible longer. The onsets must fall at random against the readings, and both runs be read alike.
    Raises ValueError where a run is empty, or ``rng`` is needed and missing.
    """
    _check_trials(first, second)
    trials = [*first, *second]
    return _dealt(_visible_scores(trials, score), len(first), score, rng)


def _check_trials(first: Sequence[object], second: Sequence[object]) -> None:
    if not first or not second:
        raise ValueError(f"first={len(first)} trials, second={len(second)}: expected at least one in each")


def _dealt(scores: Floats, n: int, score: Score, rng: np.random.Generator | None) -> Difference:
    total = len(scores)
    centred = scores - scores.mean()
    observed = float(centred[:n].sum())
    variance = float(n * (total - n) / (total * (total - 1)) * (centred**2).sum())
    z = observed / sqrt(variance) if variance > _SAME else 0.0
    dealt = deal_out(scores, n, rng)
    return Difference(
        score=score,
        first_trials=n,
        second_trials=total - n,
        z=z,
        chance=dealt.chance,
        asymptotic=2.0 * NormalDist().cdf(-abs(z)),
        exact=dealt.exact,
        least=dealt.least,
    )


def _scores(times: Sequence[Bounds], score: Score) -> Floats:
    """Positive for early times."""
    lo, hi = as_arrays(times)
    reduced = reduce(lo, hi)
    fit = most_likely(reduced.spans, reduced.weights)
    assert fit is not None, "an innermost interval lies in every interval"  # noqa: S101
    masses = np.zeros(reduced.spans.candidates)
    masses[fit.support] = fit.masses / fit.masses.sum()
    values = _values(masses, score)
    left = np.searchsorted(reduced.within_lo, lo, side="left")
    right = np.searchsorted(reduced.within_hi, hi, side="right")
    held = np.concatenate(([0.0], np.cumsum(masses)))
    return np.asarray((values[left] - values[right]) / (held[right] - held[left]), dtype=np.float64)


def _visible_scores(trials: Sequence[Trial], score: Score) -> Floats:
    """Positive for short times."""
    values = candidates(trials)
    chances = likelihood(trials, values)
    fit = most_likely(Matrix(likelihood=chances), np.ones(len(trials)))
    assert fit is not None, "every trial has a candidate that makes it possible"  # noqa: S101
    masses = fit.masses / fit.masses.sum()
    each = -np.diff(_values(masses, score))
    held = chances[:, fit.support]
    return np.asarray((held @ each) / (held @ masses), dtype=np.float64)


def _values(masses: Floats, score: Score) -> Floats:
    """Before each mass and after the last: what a time in between gives up from there on, times the share later.

    A time from the a-th mass up to before the b-th has the score (value[a] - value[b]) / (their masses).
    """
    later = np.concatenate(([1.0], np.maximum(1.0 - np.cumsum(masses), 0.0)))
    later[-1] = 0.0
    if score is Score.WILCOXON:
        return np.asarray(later**2 - later, dtype=np.float64)
    hazard = np.divide(masses, later[:-1], out=np.zeros_like(masses), where=later[:-1] > 0.0)
    return np.asarray(-later * np.concatenate(([0.0], np.cumsum(hazard))), dtype=np.float64)


def quantile_difference(first: Evidence, second: Evidence, share: float, *, confidence: float) -> Bounds:
    """Bounds of a quantile of the second run less that of the first, however each was read; an end may be open.

    Each quantile in bounds at 1 - (1 - confidence)/2, so that both hold with ``confidence`` (Bonferroni).
    """
    each = (1.0 + confidence) / 2.0
    one, other = (quantile(it, share, confidence=each) for it in (first, second))
    low = -FOREVER if other.is_open_below or one.is_open_above else other.lo - one.hi
    high = FOREVER if other.is_open_above or one.is_open_below else other.hi - one.lo
    return Bounds(low, high)
