"""By how much two runs differ, and that they do not by more than it is worth, from simulated polls and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import FOREVER, NS_PER_MS, Bounds
from harness.measure.shifted import STEP_NS, is_equal, lies_off, shift_bounds

MS = NS_PER_MS
ERROR = 0.05


def rng_of(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def exact(*ms: int) -> list[Bounds]:
    return [Bounds.exactly(it * MS) for it in ms]


def polled(rng: np.random.Generator, trials: int, shift_ms: float = 0.0) -> list[Bounds]:
    """Latencies of 300 +- 40 ms, read every 100 ms at a random phase."""
    latencies = rng.normal(300.0, 40.0, trials) + shift_ms
    phases = rng.uniform(0.0, 100.0, trials)
    lows = np.floor((latencies - phases) / 100.0) * 100.0 + phases
    return [Bounds(int(it * MS) + 1, int((it + 105.0) * MS)) for it in lows]


def test_known_times_give_the_bounds_of_the_turned_rank_sum_test() -> None:
    """Of the 25 differences the d-th from either end bounds the shift: R's wilcox.test(y, x, conf.int = TRUE).

    Two runs of 5: at 5 % two-sided the test rejects from a rank sum on that the third smallest difference gives.
    """
    x, y = (3, 17, 30, 46, 58), (102, 119, 131, 140, 167)
    differences = sorted(b - a for a in x for b in y)
    found = shift_bounds(exact(*x), exact(*y), error=ERROR, rng=rng_of())
    assert found is not None
    assert abs(found.lo - differences[2] * MS) <= 2 * STEP_NS
    assert abs(found.hi - differences[-3] * MS) <= 2 * STEP_NS


def test_few_trials_bound_nothing() -> None:
    assert shift_bounds(exact(1, 2, 3), exact(101, 102, 103), error=ERROR, rng=rng_of()) is None
    assert (
        shift_bounds(exact(1, 2, 3, 4), [*exact(101, 102, 103), Bounds(9, FOREVER)], error=ERROR, rng=rng_of()) is None
    )
    assert shift_bounds(exact(1, 2, 3, 4), exact(101, 102, 103, 104), error=ERROR, rng=rng_of()) is not None


def test_bounds_hold_the_true_shift() -> None:
    """60 pairs of runs of 8: 3 outside are expected, more than 10 are 1 in 1,000."""
    rng = rng_of(7)
    outside = 0
    for _ in range(60):
        found = shift_bounds(polled(rng, 8), polled(rng, 8, 200.0), error=ERROR, rng=rng)
        outside += found is not None and not found.lo <= 200 * MS <= found.hi
    assert outside <= 10


def test_a_change_of_just_its_worth_is_seldom_called_none() -> None:
    """200 pairs that differ by exactly 100 ms: at most 5 are expected (2.5 %), more than 14 are 1 in 1,000."""
    rng = rng_of(8)
    shown = sum(is_equal(polled(rng, 10), polled(rng, 10, 100.0), 100 * MS, error=ERROR, rng=rng) for _ in range(200))
    assert shown <= 14


def test_alike_runs_are_shown_to_be() -> None:
    """Ten trials each and 100 ms: nine in ten; three trials: never."""
    rng = rng_of(9)
    shown = sum(is_equal(polled(rng, 10), polled(rng, 10), 100 * MS, error=ERROR, rng=rng) for _ in range(60))
    assert shown >= 45
    assert not any(is_equal(polled(rng, 3), polled(rng, 3), 500 * MS, error=ERROR, rng=rng) for _ in range(20))


@pytest.mark.parametrize("by_ends", [False, True])
def test_some_trials_that_come_much_later_are_not_outvoted(by_ends: bool) -> None:
    """Half of the times are about 100 ms, half about 1.1 s; then three in ten and seven in ten, which is 200 ms more on
    average. A move of all by 100 ms would show among either half, but that is not what happened.
    """
    rng = rng_of(11)

    def mixed(early: float) -> list[Bounds]:
        times = np.where(rng.random(60) < early, 100, 1_100) * MS + rng.integers(0, 20 * MS, 60)
        return [Bounds(int(it) - 10 * MS, int(it) + 10 * MS) for it in times]

    def shown(early: float) -> int:
        pairs = [(mixed(0.5), mixed(early)) for _ in range(20)]
        return sum(is_equal(one, other, 100 * MS, error=ERROR, rng=rng, by_ends=by_ends) for one, other in pairs)

    assert shown(0.3) == 0
    assert shown(0.5) == 0, "so few of such times cannot tell 100 ms on average"


def test_a_trial_that_lies_far_off_is_a_change() -> None:
    """One of thirty comes 500 ms later than any before: the others do not outvote it, in either run."""
    rng = rng_of(10)
    before, after = polled(rng, 30), polled(rng, 30)
    assert is_equal(before, after, 100 * MS, error=ERROR, rng=rng)
    strange = [*after[1:], after[0].shifted(600 * MS)]
    assert not is_equal(before, strange, 100 * MS, error=ERROR, rng=rng)
    assert not is_equal(strange, before, 100 * MS, error=ERROR, rng=rng)


@pytest.mark.parametrize(
    ("time", "off"),
    [(Bounds(201, 300), True), (Bounds(200, 300), False), (Bounds(0, 79), True), (Bounds(0, 80), False)],
)
def test_what_lies_off(time: Bounds, off: bool) -> None:
    """For certain: the nearest ends of the brackets are still further apart than 20 ns."""
    assert lies_off([Bounds(100, 180), time], [Bounds(100, 150), Bounds(120, 180)], 20) is off
