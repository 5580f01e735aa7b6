"""Critical values of the ratio of likelihoods, counted out again with SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from harness.measure.critical import LARGE, critical, of_count


def ratios(trials: int, share: float) -> np.ndarray:
    """Of every count: twice the difference of the log-likelihoods, by SciPy."""
    counts = np.arange(trials + 1)
    best = stats.binom.logpmf(counts, trials, counts / trials)
    return np.asarray(2.0 * (best - stats.binom.logpmf(counts, trials, share)))


@pytest.mark.parametrize("trials", [1, 2, 7, 20, 59, 200])
@pytest.mark.parametrize("share", [0.01, 0.1, 0.37, 0.5, 0.95])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_it_is_the_least_value_that_holds_as_often_as_it_says(trials: int, share: float, confidence: float) -> None:
    """And so no bounds by this ratio that hold always can be narrower."""
    found = of_count(trials, share, confidence)
    chances = stats.binom.pmf(np.arange(trials + 1), trials, share)
    apart = ratios(trials, share)
    assert chances[apart <= found + 1e-8].sum() >= confidence - 1e-9
    assert chances[apart < found - 1e-6].sum() < confidence


def test_for_many_trials_it_is_that_of_chi_square() -> None:
    limit = float(stats.chi2.ppf(0.95, 1))
    assert of_count(1590, 0.5, 0.95) == pytest.approx(limit, abs=0.05)
    assert of_count(int(4 * LARGE) + 1, 0.5, 0.95) == pytest.approx(limit, abs=1e-9)
    assert critical(10**6, 0.5, 0.95) == pytest.approx(limit)


@pytest.mark.parametrize("trials", [10, 30, 100])
def test_bounds_of_a_count_cover_any_share(trials: int) -> None:
    """Counted out over all counts, for 199 shares: never below 0.95; chi-square alone goes down to 0.8 and less."""
    lowest = chi_square = 1.0
    for share in np.linspace(0.005, 0.995, 199).tolist():
        chances = stats.binom.pmf(np.arange(trials + 1), trials, share)
        apart = ratios(trials, share)
        lowest = min(lowest, chances[apart <= critical(trials, share, 0.95) + 1e-8].sum())
        chi_square = min(chi_square, chances[apart <= stats.chi2.ppf(0.95, 1)].sum())
    assert lowest >= 0.95 - 1e-9
    assert chi_square < 0.92


def test_a_share_is_no_percentage() -> None:
    with pytest.raises(ValueError, match=r"confidence=95: expected one between 0 and 1, neither included; write 0\.95"):
        critical(5, 0.5, 95)
