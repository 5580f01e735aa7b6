"""All ways to deal trials out to two runs, against other people's exact tests and against random deals."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from harness.core.instants import FOREVER, Bounds
from harness.measure.comparing import Difference, Score, compare
from harness.measure.dealing import RANKS_MAX, Dealt, compare_ends, deal_out


def exact(*times: int) -> list[Bounds]:
    return [Bounds.exactly(it) for it in times]


def compare_alike(first: list[Bounds], second: list[Bounds], rng: np.random.Generator) -> Difference:
    return compare(first, second, score=Score.WILCOXON, rng=rng)


def polled(rng: np.random.Generator, trials: int, shift: float = 0.0) -> list[Bounds]:
    """Latencies of 300 +- 40 ms, read every 100 ms at a random phase."""
    found = []
    for latency in rng.normal(300.0, 40.0, trials) + shift:
        phase = rng.uniform(0.0, 100.0)
        low = int((latency - phase) // 100.0 * 100.0 + phase)
        found.append(Bounds(max(0, low), low + 105))
    return found


def rng_of(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


X = (80, 83, 189, 104, 145, 138, 191, 164, 73, 146)
Y = (115, 88, 90, 74, 121)


def test_known_times_give_the_exact_rank_sum_test() -> None:
    """Hollander, Wolfe (1973), in the help of R's wilcox.test: one-sided 0.1272, so twice that by the ends."""
    theirs = stats.mannwhitneyu(X, Y, alternative="two-sided", method="exact")
    ends = compare_ends(exact(*X), exact(*Y))
    assert ends.exact
    assert ends.chance == pytest.approx(float(theirs.pvalue), abs=1e-12)
    assert ends.chance / 2 == pytest.approx(0.1272, abs=5e-5)
    assert ends.later == -1
    assert compare_ends(exact(*Y), exact(*X)).later == 1


@pytest.mark.parametrize("seed", range(4))
def test_known_times_of_other_numbers_of_trials(seed: int) -> None:
    rng = rng_of(seed)
    x, y = rng.permutation(400)[:21].tolist(), (rng.permutation(400)[:34] + 1000 * (rng.random(34) < 0.3)).tolist()
    y = [it + 0.5 for it in y]
    theirs = stats.mannwhitneyu(x, y, alternative="two-sided", method="exact")
    found = compare_ends(exact(*(2 * it for it in x)), exact(*(round(2 * it) for it in y)))
    assert found.chance == pytest.approx(float(theirs.pvalue), rel=1e-9)


def test_many_trials_are_close_to_the_normal_distribution() -> None:
    rng = rng_of()
    x, y = rng.normal(0.0, 1e6, 110).astype(int).tolist(), rng.normal(2e5, 1e6, 95).astype(int).tolist()
    assert len(x) * len(y) > RANKS_MAX
    theirs = stats.mannwhitneyu(x, y, alternative="two-sided", method="asymptotic")
    found = compare_ends(exact(*x), exact(*y))
    assert not found.exact
    assert found.chance == pytest.approx(float(theirs.pvalue), rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_counting_gives_what_looking_at_all_deals_gives(seed: int) -> None:
    """Up to 20,000 ways the scores stay as they are; above that rounding moves a few deals across a tie."""
    rng = rng_of(seed)
    for one, other, near in ((7, 6, 1e-12), (9, 9, 0.02)):
        scores = np.concatenate((rng.normal(0.4, 1.0, one), rng.normal(0.0, 1.0, other))).round(1)
        centred = scores - scores.mean()
        limit = abs(centred[:one].sum()) - 1e-9
        sums = np.array([abs(sum(dealt)) for dealt in combinations(centred.tolist(), one)])
        found = deal_out(scores, one, None)
        assert found.exact
        assert found.chance == pytest.approx((sums >= limit).mean(), abs=near)
        assert found.least == pytest.approx((sums >= sums.max() - 1e-9).mean(), abs=near)
        assert found.least <= found.chance
        assert found.later == np.sign(centred[:one].sum())


def test_three_against_three_are_never_significant() -> None:
    apart = exact(1, 2, 3), exact(10**9, 2 * 10**9, 3 * 10**9)
    both: tuple[Difference | Dealt, ...] = (compare_alike(*apart, rng_of()), compare_ends(*apart))
    for found in both:
        assert found.chance == found.least == pytest.approx(0.1)


def test_more_than_random_deals_can_tell() -> None:
    """Thirty against thirty, wholly apart: 2 of C(60, 30); so many tests may be made beside it."""
    found = compare_alike(exact(*range(30)), exact(*range(1000, 1030)), rng_of())
    assert found.chance == pytest.approx(2 / 118264581564861424, rel=1e-6)
    assert found.exact


def test_very_many_trials_are_drawn_and_stop_once_it_is_clear() -> None:
    rng = rng_of()
    first, second = polled(rng, 300), polled(rng, 300)
    found = compare_alike(first, second, rng)
    assert not found.exact
    assert found.chance > 0.01
    assert compare_alike(first, polled(rng, 300, 60.0), rng).chance < 1e-4


def test_numbers_of_trials_that_no_float_can_deal() -> None:
    """C(3000, 1500) is far above what a float holds."""
    rng = rng_of()
    first, second = (exact(*rng.integers(0, 10**9, 1500).tolist()) for _ in range(2))
    both: tuple[Difference | Dealt, ...] = (compare_ends(first, second), compare_alike(first[:700], second[:700], rng))
    for found in both:
        assert not found.exact
        assert 0.001 < found.chance <= 1.0


def test_what_fits_into_each_other_tells_nothing() -> None:
    found = compare_alike([Bounds(0, 10)] * 4, [Bounds(5, 15)] * 4, rng_of())
    assert (found.chance, found.least, found.z) == (1.0, 1.0, 0.0)
    assert deal_out(np.ones(8), 4, None) == Dealt(chance=1.0, least=1.0, later=0, exact=True)


def test_the_ends_count_only_what_nothing_can_deny() -> None:
    """Brackets that touch may be one time; a slower poll alone never makes a difference."""
    assert compare_ends([Bounds(0, 10)] * 9, [Bounds(10, 20)] * 9).chance == 1.0
    assert compare_ends([Bounds(0, 9)] * 9, [Bounds(10, 20)] * 9).chance == pytest.approx(2 / 48620)
    assert compare_ends([Bounds(0, FOREVER)] * 9, [Bounds(10, 20)] * 9).chance == 1.0


@pytest.mark.parametrize("seed", range(20))
def test_the_ends_say_no_more_than_any_values_within_the_brackets(seed: int) -> None:
    """Times first, brackets laid around them as one likes: the chance by the ends is that of the times, or more."""
    rng = rng_of(seed)
    runs = [rng.choice(10_000, 9, replace=False) * 2 + at for at in (0, 1)]
    runs[1] = runs[1] + int(rng.integers(0, 8_000)) * 2
    brackets = [
        [Bounds(int(it - rng.integers(0, 900)), int(it + rng.integers(0, 900))) for it in times.tolist()]
        for times in runs
    ]
    known = compare_ends(exact(*runs[0].tolist()), exact(*runs[1].tolist()))
    assert compare_ends(*brackets).chance >= known.chance - 1e-12


def test_false_alarms_of_alike_runs() -> None:
    """1,000 pairs of runs that are alike, 10 trials each: at 5 %, 50 are expected, more than 73 is 1 in 1,000."""
    rng = rng_of(20)
    called = sum(compare_alike(polled(rng, 10), polled(rng, 10), rng).chance <= 0.05 for _ in range(1000))
    assert called <= 73


def test_false_alarms_at_two_rates() -> None:
    """Alike but read at other rates: by the ends never more than the level, mostly far below it."""
    rng = rng_of(21)

    def slow(trials: int) -> list[Bounds]:
        return [Bounds(max(0, it.lo - int(rng.uniform(0, 300))), it.hi + 200) for it in polled(rng, trials)]

    assert sum(compare_ends(polled(rng, 10), slow(10)).chance <= 0.05 for _ in range(300)) <= 27


@pytest.mark.parametrize("test", [lambda a, b: compare_alike(a, b, rng_of()), compare_ends])
def test_an_empty_run_is_refused(test: object) -> None:
    assert callable(test)
    with pytest.raises(ValueError, match="first=0 trials"):
        test([], exact(1))
