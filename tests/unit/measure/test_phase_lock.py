"""Phases that are random, and phases that only seem to be."""

from __future__ import annotations

import numpy as np
import pytest

from harness.measure.phase_lock import Locking, empty_arc_chance, phase_lock, phases


def test_phases_lie_between_their_own_two_polls() -> None:
    assert phases([0, 5, 10, 19, 40], [0, 10, 30]) == [0.0, 0.5, 0.0, 0.45]


@pytest.mark.parametrize("trials", [11, 20, 60])
def test_random_phases_are_seldom_called_locked(trials: int) -> None:
    """1,000 times: each look at 5 % in 50 (sd 7) at most, all together as well."""
    rng = np.random.default_rng(4)
    found = [phase_lock(rng.random(trials).tolist()) for _ in range(1000)]
    for look in ("rayleigh", "kuiper", "empty_arc"):
        assert 20 <= sum(getattr(it, look) <= 0.05 for it in found) <= 80, look
    assert sum(it.finding is Locking.LOCKED for it in found) <= 75


@pytest.mark.parametrize("heaps", [1, 2, 3])
def test_locked_phases_are_found(heaps: int) -> None:
    """A raise at a whole multiple of a part of the period, give or take 3 % of it, 30 times."""
    rng = np.random.default_rng(heaps)
    for _ in range(20):
        met = (rng.integers(0, heaps, 30) / heaps + rng.normal(0, 0.03, 30) + rng.random()) % 1.0
        assert phase_lock(met.tolist()).finding is Locking.LOCKED


def test_phases_that_never_met_half_the_period_are_found_from_eleven_on() -> None:
    even = [0.05 * it for it in range(11)]
    assert phase_lock(even).finding is Locking.LOCKED
    assert phase_lock([0.0, 0.3, 0.6, 0.8]).finding is Locking.TOO_FEW


def test_evenly_spread_phases_are_no_fault() -> None:
    assert phase_lock([it / 30 for it in range(30)]).finding is Locking.NOT_SHOWN


def test_where_the_circle_is_cut_does_not_matter() -> None:
    met = np.random.default_rng(9).random(25)
    one, other = phase_lock(met.tolist()), phase_lock(((met + 0.37) % 1.0).tolist())
    assert (one.rayleigh, one.kuiper, one.widest_empty_arc) == pytest.approx(
        (other.rayleigh, other.kuiper, other.widest_empty_arc), abs=1e-9
    )


@pytest.mark.parametrize(("trials", "arc"), [(5, 0.68377), (10, 0.44495), (20, 0.27046)])
def test_fishers_table_of_the_largest_spacing(trials: int, arc: float) -> None:
    """Fisher (1929), Table I, 5 % points (from memory; the simulation below decides)."""
    assert empty_arc_chance(trials, arc) == pytest.approx(0.05, abs=2e-4)
    drawn = np.sort(np.random.default_rng(1).random((40_000, trials)), axis=1)
    widest = np.diff(np.concatenate((drawn, drawn[:, :1] + 1), axis=1), axis=1).max(axis=1)
    assert np.mean(widest >= arc) == pytest.approx(0.05, abs=0.006)


def test_what_is_no_phase_is_refused() -> None:
    with pytest.raises(ValueError, match="each from 0 to below 1"):
        phase_lock([0.5, 1.0])
    with pytest.raises(ValueError, match="at least one"):
        phase_lock([])


def test_of_very_many_phases_the_chance_of_an_empty_arc_is_never_told_too_small() -> None:
    """The first term of the sum against all of it, on the last number for which that is reckoned exactly."""
    for first_term in (0.5, 0.05, 0.01, 1e-4):
        arc = 1.0 - (first_term / 300) ** (1 / 299)
        exact = empty_arc_chance(300, arc)
        assert first_term * (1.0 - first_term) <= exact <= first_term * 1.001
        assert empty_arc_chance(301, arc) == pytest.approx(301 * (1.0 - arc) ** 300)
    assert empty_arc_chance(10_000, 0.0) == 1.0
    assert empty_arc_chance(10_000, 1.0) == 0.0
