"""Two runs compared, against published tests and exact ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from harness.core.instants import Bounds
from harness.measure.comparing import Score, compare, compare_visible, quantile_difference
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes
from harness.measure.visible_time import Seen, Trial, Unseen
from tests.peers.breast_cosmesis import RADIATION, WITH_CHEMOTHERAPY, after_until, months
from tests.peers.simulated_polls import SECOND, poll_instants, trial


@pytest.mark.parametrize(
    ("score", "z", "chance"), [(Score.LOG_RANK, -2.6684, 0.007622), (Score.WILCOXON, -2.1672, 0.03022)]
)
def test_the_published_tests(score: Score, z: float, chance: float) -> None:
    """Fay, Shaw (2010), 4.2: log-rank scores of Sun, and Wilcoxon scores; all ways to deal them say much the same."""
    found = compare(months(RADIATION), months(WITH_CHEMOTHERAPY), score=score)
    assert found.z == pytest.approx(z, abs=5e-5)
    assert found.asymptotic == pytest.approx(chance, abs=5e-6)
    assert found.chance == pytest.approx(chance, rel=0.25)
    assert found.exact


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
    many = [Bounds(it, it + 5) for it in range(300)]
    with pytest.raises(ValueError, match="rng=None"):
        compare(many, many)
    drawn = compare(many, many, rng=np.random.default_rng(1))
    assert not drawn.exact
    assert drawn.chance == pytest.approx(1.0)
    with pytest.raises(ValueError, match="first=0 trials"):
        compare([], [Bounds(1, 2)])
    with pytest.raises(ValueError, match="second=0: expected at least one"):
        compare_visible([Unseen(onset=Bounds(1, 2), samples_ns=(0, 3))], [])


@pytest.mark.parametrize("score", list(Score))
def test_three_against_three_are_never_significant(score: Score) -> None:
    """Apart altogether, and yet 2 of 20 ways to deal differ as much; four of each could be."""
    apart = [Bounds.exactly(it) for it in range(8)]
    three = compare(apart[:3], apart[5:], score=score)
    assert three.chance == pytest.approx(0.1)
    assert three.least == pytest.approx(0.1)
    assert compare(apart[:4], apart[4:], score=score).chance == pytest.approx(2 / 70)
    shown = [known(it * 10) for it in range(8)]
    assert compare_visible(shown[:3], shown[5:], score=score).chance == pytest.approx(0.1)


def known(visible: int) -> Seen:
    """Onset and end known exactly."""
    return Seen(onset=Bounds.exactly(100), end=Bounds.exactly(100 + visible))


@pytest.mark.parametrize("score", list(Score))
def test_visible_times_with_known_onsets_are_compared_like_latencies(score: Score) -> None:
    """The onset known exactly, a visible time has bounds like a latency, and the two tests are one.

    But for what the log-rank scores make of a mass that lies at both ends of an innermost interval.
    """
    rng = np.random.default_rng(4)
    ends = [
        (int(low), int(low + wide)) for low, wide in zip(rng.integers(1, 40, 17), rng.integers(0, 9, 17), strict=True)
    ]
    seen = [Seen(onset=Bounds.exactly(0), end=Bounds(*it)) for it in ends]
    one, other = (
        compare_visible(seen[:8], seen[8:], score=score),
        compare([Bounds(*it) for it in ends[:8]], [Bounds(*it) for it in ends[8:]], score=score),
    )
    assert one.z == pytest.approx(other.z, rel=1e-4 if score is Score.WILCOXON else 0.05)
    assert one.chance == pytest.approx(other.chance, rel=0.02 if score is Score.WILCOXON else 0.2)


def shown(rng: np.random.Generator, visible_s: float, trials: int) -> list[Trial]:
    """Visible for an exponential time, polled each second, the onset anywhere in two of them."""
    window = Bounds(0, 2 * SECOND)
    return [
        trial(
            poll_instants(rng, 1.0, lost=0.1, jitter=0.2),
            window,
            int(rng.integers(0, window.hi)),
            int(rng.exponential(visible_s) * SECOND),
        )
        for _ in range(trials)
    ]


def test_trials_that_nobody_saw_tell_of_shorter_visible_times() -> None:
    """From 1.5 s to 0.5 s on average. What was seen alone hardly differs: the short ones are not among it."""
    rng = np.random.default_rng(3)
    long, short = shown(rng, 1.5, 40), shown(rng, 0.5, 40)
    found = compare_visible(long, short)
    assert found.chance < 0.01
    assert found.z < 0
    assert quantile_difference(VisibleTimes(long), VisibleTimes(short), 0.5, confidence=0.95).lo < -SECOND // 4
    seen = [[it for it in run if isinstance(it, Seen)] for run in (long, short)]
    assert compare_visible(seen[0], seen[1]).chance > 2 * found.chance


def test_alike_visible_times_are_seldom_called_different() -> None:
    """120 comparisons of one distribution: 6 below 5 % expected, more than 15 is 1 in 2,000."""
    rng = np.random.default_rng(9)
    chances = [compare_visible(shown(rng, 0.8, 10), shown(rng, 0.8, 10)).chance for _ in range(120)]
    assert sum(it <= 0.05 for it in chances) <= 15
    assert sum(it <= 0.5 for it in chances) <= 80


def test_by_how_much_a_median_moved() -> None:
    """Forty times between 90 and 100 in both runs, known or in brackets of 10; then 30 later; three say nothing."""
    rng = np.random.default_rng(8)
    first, second = ([known(it) for it in rng.integers(90, 100, 40).tolist()] for _ in range(2))
    found = quantile_difference(VisibleTimes(first), VisibleTimes(second), 0.5, confidence=0.95)
    assert -10 <= found.lo <= 0 <= found.hi <= 10
    few = quantile_difference(VisibleTimes(first[:3]), VisibleTimes(second[:3]), 0.5, confidence=0.95)
    assert few.is_open_below
    assert few.is_open_above
    one, other = ([Bounds(low, low + 10) for low in rng.integers(90, 100, 40).tolist()] for _ in range(2))
    alike = quantile_difference(BracketedTimes(one), BracketedTimes(other), 0.5, confidence=0.95)
    assert -15 <= alike.lo <= 0 <= alike.hi <= 15
    later = [it.shifted(30) for it in other]
    moved = quantile_difference(BracketedTimes(one), BracketedTimes(later), 0.5, confidence=0.95)
    assert moved == alike.shifted(30)
    assert moved.lo > 15
