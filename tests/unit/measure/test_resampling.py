"""Trials drawn again: what they keep of the polls, and of the times."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import FOREVER, Bounds
from harness.measure.coarser import BRACKETS_MAX, CELLS, VISIBLE_MAX, VISIBLE_USED, coarser_ends, coarser_trials
from harness.measure.interval_censored import as_arrays
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes, quantile
from harness.measure.resampling import Brackets, Readings, Spread
from harness.measure.visible_time import Seen, Trial, Unseen, bounds_of
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants, trial, trials_of


def bracketed(rng: np.random.Generator, trials: int, period_s: float, lost: float = 0.0) -> list[Bounds]:
    """Exponential latencies of mean 1 s."""
    return [
        latency_bounds(poll_instants(rng, period_s, lost=lost, jitter=0.2), int(rng.exponential() * SECOND))
        for _ in range(trials)
    ]


def test_a_spread_is_drawn_where_it_lies() -> None:
    """A quarter in [1, 4], the rest later than anything."""
    spread = Spread(lo=np.array([1, 9]), hi=np.array([4, FOREVER]), shares=np.array([0.25, 0.75]))
    drawn = spread.drawn(4000, np.random.default_rng(1))
    assert set(drawn.tolist()) == {1, 2, 3, 4, FOREVER}
    assert np.mean(drawn < FOREVER) == pytest.approx(0.25, abs=0.03)


@pytest.mark.parametrize("lost", [0.0, 0.3])
def test_brackets_are_as_wide_as_those_that_they_are_drawn_from(lost: float) -> None:
    """And hold the time: lost polls leave wide gaps, and what is met falls into those more often."""
    rng = np.random.default_rng(2)
    lo, hi = as_arrays(bracketed(rng, 400, 0.2, lost))
    times = (3 + rng.random(4000) * SECOND).astype(np.int64) + SECOND
    low, high = Brackets(lo, hi).around(times, rng)
    assert np.all((low <= times) & (times <= high))
    whole = lo > lo.min()
    for share in (0.1, 0.5, 0.9):
        assert np.quantile(high - low, share) == pytest.approx(np.quantile((hi - lo)[whole], share), rel=0.1)


def test_what_is_watched_to_an_end_only_stays_open_there() -> None:
    lo, hi = np.array([10, 20, 50, 50]), np.array([19, 29, FOREVER, FOREVER])
    low, high = Brackets(lo, hi).around(np.array([60, FOREVER, 5]), np.random.default_rng(3))
    assert high[1] == FOREVER
    assert low[1] == 50
    assert low[2] <= 5 <= high[2] < FOREVER


@pytest.mark.parametrize("visible_ns", [0, SECOND // 4, SECOND // 2, 3 * SECOND])
def test_readings_miss_as_many_as_a_poll_does(visible_ns: int) -> None:
    """Polled each second: 1 - d/p, and no more than all. What is read can have been so long."""
    rng = np.random.default_rng(4)
    window = Bounds(0, 2 * SECOND)
    trials = [
        trial(poll_instants(rng, 1.0, lost=0.0, jitter=0.0), window, int(rng.integers(0, window.hi)), 7 * SECOND // 10)
        for _ in range(200)
    ]
    drawn = trials_of(Readings(trials).read(np.full(1000, visible_ns, dtype=np.int64), rng))
    assert all(visible_ns in bounds_of(it) for it in drawn)
    missed = sum(isinstance(it, Unseen) for it in drawn) / 1000
    assert missed == pytest.approx(max(0.0, 1 - visible_ns / SECOND), abs=0.05)


def test_what_is_seen_all_the_time_is_drawn_from_its_ends() -> None:
    """No trial was missed: the windows are those of the onsets."""
    seen: list[Trial] = [Seen(onset=Bounds(0, 9), end=Bounds(91 + at, 100 + at)) for at in range(20)]
    drawn = trials_of(Readings(seen).read(np.full(50, 95, dtype=np.int64), np.random.default_rng(5)))
    assert all(95 in bounds_of(it) for it in drawn)
    assert all(isinstance(it, Seen) for it in drawn)


def test_what_never_went_off_is_drawn_too() -> None:
    """No gap is known but that of the onset, and no end; and a window of an hour read each millisecond ends as well."""
    on: list[Trial] = [Seen(onset=Bounds(0, SECOND), end=Bounds(5 * SECOND, FOREVER))] * 8
    drawn = trials_of(Readings(on).read(np.full(20, 9 * SECOND, dtype=np.int64), np.random.default_rng(6)))
    assert all(9 * SECOND in bounds_of(it) for it in drawn)
    assert quantile(VisibleTimes(on), 0.5).is_open_above
    window = Bounds(0, 3600 * SECOND)
    short: list[Trial] = [Seen(onset=window, end=Bounds(at, at + SECOND // 1000)) for at in range(1, 9)]
    assert len(trials_of(Readings(short).read(np.full(5, SECOND, dtype=np.int64), np.random.default_rng(7)))) == 5


def test_many_brackets_get_a_little_wider_and_never_narrower() -> None:
    lo, hi = as_arrays(bracketed(np.random.default_rng(6), BRACKETS_MAX + 500, 0.3))
    low, high = coarser_ends(lo, hi)
    assert np.all((low <= lo) & (hi <= high))
    assert len(np.unique(low)) <= CELLS
    assert np.median(high - low) <= 1.05 * np.median(hi - lo)
    same = coarser_ends(lo[:100], hi[:100])
    assert np.array_equal(same[0], lo[:100])


def test_many_trials_say_much_the_same_when_told_coarsely() -> None:
    """The median's bounds of 2,000 brackets, with all ends as they are and to the next of 500."""
    times = bracketed(np.random.default_rng(7), BRACKETS_MAX + 500, 0.3)
    coarse = quantile(BracketedTimes(times), 0.5)
    fine = quantile(BracketedTimes(times[:BRACKETS_MAX]), 0.5)
    assert coarse.lo <= np.log(2) * SECOND <= coarse.hi
    assert coarse.width <= 1.3 * fine.width


def test_of_very_many_visible_times_an_even_selection_is_used() -> None:
    rng = np.random.default_rng(8)
    window = Bounds(0, SECOND)
    one = [
        trial(
            poll_instants(rng, 0.5, lost=0.1, jitter=0.2), window, int(rng.integers(0, SECOND)), int(at * SECOND / 400)
        )
        for at in range(400)
    ]
    wider = coarser_trials(one)
    assert len(wider) == 400 > VISIBLE_MAX
    for was, now in zip(one, wider, strict=True):
        assert bounds_of(now).lo <= bounds_of(was).lo
        assert bounds_of(was).hi <= bounds_of(now).hi
    assert VisibleTimes(one * 10).trials == len(coarser_trials(one * 10)) == VISIBLE_USED
    assert list(coarser_trials(one[:50])) == one[:50]
