"""Shares with exact bounds, against published tables and SciPy."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from scipy import stats

from harness.measure.binomial import cumulative, exceeding, smallest
from harness.measure.proportions import Side, clopper_pearson, success_run, trials_needed


def test_the_example_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 failed, 90 % two-sided (last digits: a spreadsheet's goal-seek)."""
    share = clopper_pearson(4, 20, confidence=0.90)
    assert share.low == pytest.approx(0.071354, abs=1e-6)
    assert share.high == pytest.approx(0.401029, abs=1.5e-6)
    assert (share.side, share.observed) == (Side.TWO_SIDED, 0.2)


def test_mendels_peas() -> None:
    """Conover (1971), in the help of R's binom.test: 682 of 925, 95 % from 0.7076683 to 0.7654066."""
    share = clopper_pearson(682, 925)
    assert (share.low, share.high) == pytest.approx((0.7076683, 0.7654066), abs=5e-8)


@pytest.mark.parametrize(
    ("trials", "one_sided"),
    [(10, 0.25887), (20, 0.13911), (30, 0.09503), (59, 0.04951), (60, 0.04870), (100, 0.02951), (299, 0.00997)],
)
def test_no_miss_at_all(trials: int, one_sided: float) -> None:
    """1 - 0.05^(1/n); within a few per cent of 3/n, the rule of three (Hanley, Lippman-Hand, JAMA 249 (1983) 1743)."""
    found = clopper_pearson(0, trials, side=Side.UPPER).high
    assert found == pytest.approx(one_sided, abs=5e-6)
    assert found == pytest.approx(1 - 0.05 ** (1 / trials), rel=1e-12)
    assert found < 3 / trials


@pytest.mark.parametrize(("trials", "two_sided"), [(30, 0.11570), (60, 0.05963), (100, 0.03622)])
def test_no_miss_two_sided(trials: int, two_sided: float) -> None:
    share = clopper_pearson(0, trials)
    assert share.low == 0.0
    assert share.high == pytest.approx(two_sided, abs=5e-6)


@pytest.mark.parametrize(
    ("confidence", "share", "trials"),
    [
        *((0.90, 0.90, 22), (0.95, 0.90, 29), (0.95, 0.95, 59), (0.90, 0.95, 45), (0.95, 0.99, 299)),
        *((0.95, 0.999, 2995), (0.99, 0.95, 90), (0.99, 0.99, 459), (0.75, 0.5, 2), (0.875, 0.5, 3)),
    ],
)
def test_the_success_run(confidence: float, share: float, trials: int) -> None:
    """The classical form. 0.999 at 95 % is 2995 in the documentation of the Python package reliability."""
    assert success_run(share, confidence=confidence) == trials
    assert trials_needed(share, confidence=confidence) == trials
    assert Fraction(str(share)) ** trials <= 1 - Fraction(str(confidence)) < Fraction(str(share)) ** (trials - 1)


@pytest.mark.parametrize("misses", [0, 1, 2, 5])
@pytest.mark.parametrize("share", [0.9, 0.95, 0.99])
def test_trials_needed_with_misses(misses: int, share: float) -> None:
    """The bound after so many trials excludes the share, and after one less it does not yet."""
    n = trials_needed(share, misses_allowed=misses)
    assert clopper_pearson(misses, n, side=Side.UPPER).high <= 1 - share + 1e-12
    assert clopper_pearson(misses, n - 1, side=Side.UPPER).high > 1 - share


@pytest.mark.parametrize("trials", [1, 2, 7, 59, 1000, 1_000_000])
def test_bounds_are_those_of_scipy(trials: int) -> None:
    for count in sorted({0, 1, trials // 3, trials // 2, trials - 1, trials}):
        for confidence in (0.5, 0.9, 0.95, 0.999):
            low, high = (1 - confidence) / 2, (1 + confidence) / 2
            ours = clopper_pearson(count, trials, confidence=confidence)
            assert ours.low == (pytest.approx(stats.beta.ppf(low, count, trials - count + 1), rel=1e-9) if count else 0)
            above = stats.beta.ppf(high, count + 1, trials - count) if count < trials else 1
            assert ours.high == pytest.approx(above, rel=1e-9)


@pytest.mark.parametrize(("trials", "share"), [(1, 0.5), (12, 0.01), (50, 0.3), (60, 0.999)])
def test_probabilities_are_exact(trials: int, share: float) -> None:
    """Counted out with whole numbers."""
    p = Fraction(share)
    masses = [comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(trials + 1)]
    for k in range(trials + 1):
        assert cumulative(k, trials, share) == pytest.approx(float(sum(masses[: k + 1])), rel=1e-11, abs=1e-15)
        assert exceeding(k, trials, share) == pytest.approx(float(sum(masses[k:])), rel=1e-11, abs=1e-15)


def test_coverage_never_falls_below_the_stated_one() -> None:
    """Summed over all counts, not simulated, for 30 trials: exact, and both sides named."""
    low_side = [clopper_pearson(k, 30, side=Side.LOWER).low for k in range(31)]
    high_side = [clopper_pearson(k, 30, side=Side.UPPER).high for k in range(31)]
    both = [clopper_pearson(k, 30) for k in range(31)]
    for step in range(1, 200):
        p = step / 200
        chances = stats.binom.pmf(range(31), 30, p).tolist()
        assert sum(c for c, low in zip(chances, low_side, strict=True) if low <= p) >= 0.95 - 1e-12
        assert sum(c for c, high in zip(chances, high_side, strict=True) if p <= high) >= 0.95 - 1e-12
        assert sum(c for c, it in zip(chances, both, strict=True) if it.low <= p <= it.high) >= 0.95 - 1e-12


def test_what_is_no_count_is_refused() -> None:
    with pytest.raises(ValueError, match="count=3, trials=2"):
        clopper_pearson(3, 2)
    with pytest.raises(ValueError, match=r"confidence=95.*write 0\.95 for 95 %"):
        clopper_pearson(0, 2, confidence=95)
    with pytest.raises(ValueError, match="trials=0"):
        clopper_pearson(0, 0)
    with pytest.raises(ValueError, match="misses_allowed=-1"):
        trials_needed(0.9, misses_allowed=-1)
    with pytest.raises(OverflowError, match="more than 100"):
        smallest(lambda n: n > 1000, 100)
