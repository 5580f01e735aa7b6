"""Two runs compared, against published tests and exact ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from harness.core.instants import Bounds
from harness.measure.comparing import Score, compare, equivalent, most_worse
from harness.measure.interval_censored import after_until
from tests.peers.breast_cosmesis import RADIATION, WITH_CHEMOTHERAPY, months


@pytest.mark.parametrize(
    ("score", "z", "chance"), [(Score.LOG_RANK, -2.6684, 0.007622), (Score.WILCOXON, -2.1672, 0.03022)]
)
def test_the_published_tests(score: Score, z: float, chance: float) -> None:
    """Fay, Shaw (2010), 4.2: the log-rank scores of Sun, and Wilcoxon scores; dealt 9,999 times it is much the same."""
    found = compare(months(RADIATION), months(WITH_CHEMOTHERAPY), score=score, rng=np.random.default_rng(1))
    assert found.z == pytest.approx(z, abs=5e-5)
    assert found.asymptotic == pytest.approx(chance, abs=5e-6)
    assert found.chance == pytest.approx(chance, abs=4 * (chance / 9999) ** 0.5)
    assert not found.exact


def test_exact_times_give_the_exact_test_of_wilcoxon() -> None:
    """Hollander, Wolfe (1973), in the help of R's wilcox.test: W = 35, one-sided 0.1272; two-sided twice that."""
    x = [80, 83, 189, 104, 145, 138, 191, 164, 73, 146]
    y = [115, 88, 90, 74, 121]
    theirs = stats.mannwhitneyu(x, y, alternative="two-sided", method="exact")
    found = compare([Bounds.exactly(it) for it in x], [Bounds.exactly(it) for it in y], score=Score.WILCOXON)
    assert theirs.statistic == 35
    assert found.exact
    assert found.chance == pytest.approx(float(theirs.pvalue), abs=1e-9)
    assert found.chance / 2 == pytest.approx(0.1272, abs=5e-5)


def test_exact_and_right_censored_times_give_the_common_log_rank_test() -> None:
    """SciPy's log-rank test of right-censored samples has another variance, so close and not equal."""
    rng = np.random.default_rng(6)
    x, y = (rng.exponential(scale, 40) * 1000 for scale in (1.0, 1.7))
    limit = 1500

    def bracketed(times: np.ndarray) -> list[Bounds]:
        return [Bounds.exactly(int(it)) if it <= limit else after_until(limit, None) for it in times]

    def censored(times: np.ndarray) -> stats.CensoredData:
        kept = times[times <= limit].astype(int)
        return stats.CensoredData(uncensored=kept, right=np.full(len(times) - len(kept), limit))

    theirs = stats.logrank(censored(x), censored(y))
    found = compare(bracketed(x), bracketed(y), rng=rng)
    assert abs(found.z) == pytest.approx(abs(float(theirs.statistic)), rel=0.05)


def test_alike_runs_are_seldom_called_different() -> None:
    """150 comparisons of brackets from one distribution: 7.5 below 5 % expected, more than 17 is 1 in 1,000."""
    rng = np.random.default_rng(2)
    called = 0
    for _ in range(150):
        lows = rng.integers(0, 30, 14)
        times = [
            Bounds(low, low + width) for low, width in zip(lows.tolist(), rng.integers(0, 9, 14).tolist(), strict=True)
        ]
        called += compare(times[:7], times[7:], score=Score.WILCOXON).chance <= 0.05
    assert called <= 17


def test_runs_of_one_value_do_not_differ() -> None:
    found = compare([Bounds(1, 5)] * 4, [Bounds(1, 5)] * 4)
    assert (found.z, found.chance) == (0.0, 1.0)


def test_random_deals_need_a_generator() -> None:
    with pytest.raises(ValueError, match="rng=None"):
        compare(months(RADIATION), months(WITH_CHEMOTHERAPY))
    with pytest.raises(ValueError, match="first=0 trials"):
        compare([], [Bounds(1, 2)])


def test_equal_is_proven_and_not_assumed() -> None:
    """Forty times in brackets of 10 in both runs: equal within 15, not within 1; three trials say nothing."""
    rng = np.random.default_rng(8)
    first, second = ([Bounds(low, low + 10) for low in rng.integers(90, 100, 40).tolist()] for _ in range(2))
    assert equivalent(first, second, 15).is_proven
    assert not equivalent(first, second, 1).is_proven
    assert not equivalent(first[:3], second[:3], 10**6).is_proven
    shifted = [it.shifted(30) for it in second]
    assert not equivalent(first, shifted, 15).is_proven
    assert equivalent(first, shifted, 15).difference.lo > 15


def test_how_much_worse_the_misses_may_be() -> None:
    """59 of 59 in both: at most 1 - 0.025^(1/59) = 6.06 points worse."""
    assert most_worse((0, 59), (0, 59)) == pytest.approx(0.0606, abs=5e-5)
    assert most_worse((0, 59), (5, 59)) > 0.15
    assert most_worse((10, 59), (0, 59)) < 0.0
