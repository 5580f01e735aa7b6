"""The likelihood of a trial against a count over every onset, and laws that any estimate from brackets must keep."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import estimate
from harness.measure.visible_time import Seen, Trial, Unseen, bounds_of, candidates, likelihood
from tests.peers.simulated_polls import trial


@st.composite
def watched(draw: st.DrawFn) -> tuple[list[int], Bounds, int]:
    """Readings at uneven distances, the onsets that are possible, and a visible time."""
    gaps = draw(st.lists(st.integers(1, 9), min_size=6, max_size=12))
    polls = [int(it) for it in np.cumsum(gaps) - gaps[0]]
    low = draw(st.integers(polls[0] + 1, polls[2]))
    high = draw(st.integers(low, polls[3]))
    return polls, Bounds(low, high), draw(st.integers(0, 25))


@given(watched())
@settings(max_examples=150, deadline=None)
def test_the_likelihood_is_the_share_of_onsets_that_give_the_trial(case: tuple[list[int], Bounds, int]) -> None:
    """Every onset is played through; together the trials that can come out are certain."""
    polls, window, visible = case
    counted: dict[Trial, int] = {}
    for onset in range(window.lo, window.hi + 1):
        seen = trial(polls, window, onset, visible)
        counted[seen] = counted.get(seen, 0) + 1
    width = window.width + 1
    for seen, count in counted.items():
        found = float(likelihood([seen], np.array([visible]))[0, 0])
        mine = seen.onset.width + 1 if isinstance(seen, Seen) else width
        assert found * mine == pytest.approx(count)
        assert visible in bounds_of(seen)
        outside = np.array([max(0, bounds_of(seen).lo - 1), bounds_of(seen).hi + 1])
        assert not any(
            chance
            for chance, it in zip(likelihood([seen], outside)[0], outside, strict=True)
            if it not in bounds_of(seen)
        )
    assert sum(counted.values()) == width


@given(st.lists(watched(), min_size=1, max_size=5))
@settings(max_examples=200, deadline=None)
def test_no_visible_time_between_the_candidates_is_likelier(cases: list[tuple[list[int], Bounds, int]]) -> None:
    """For any weights of the trials the best visible time is a candidate."""
    trials = [trial(polls, window, (window.lo + window.hi) // 2, visible) for polls, window, visible in cases]
    weights = np.linspace(1.0, 2.0, len(trials))
    every = np.arange(0, 120)
    best = (weights @ likelihood(trials, every)).max()
    assert (weights @ likelihood(trials, candidates(trials))).max() == pytest.approx(best)


def test_for_an_even_poll_the_miss_is_one_less_the_share_of_the_period() -> None:
    """1 - d/p, cut at 0."""
    unseen = Unseen(onset=Bounds(1, 10), samples_ns=(0, 10))
    found = likelihood([unseen], np.arange(0, 13))[0]
    assert found == pytest.approx([max(0.0, 1 - d / 10) for d in range(13)])
    assert unseen.widest_gap_ns == 10


brackets = st.lists(
    st.tuples(st.integers(0, 30), st.integers(0, 10), st.booleans()).map(
        lambda it: Bounds(it[0], FOREVER if it[2] and it[1] > 7 else it[0] + it[1])
    ),
    min_size=1,
    max_size=15,
)


@given(brackets, st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_the_order_of_trials_does_not_matter(times: list[Bounds], random: object) -> None:
    shuffled = list(times)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert estimate(times).log_likelihood == pytest.approx(estimate(shuffled).log_likelihood, abs=2e-6)


@given(brackets)
@settings(max_examples=80, deadline=None)
def test_shares_and_quantiles_are_two_views_of_one_distribution(times: list[Bounds]) -> None:
    found = estimate(times)
    assert sum(mass.share for mass in found.masses) == pytest.approx(1.0)
    for share in (0.1, 0.5, 0.9):
        within = found.quantile(share)
        assert found.at_most(within.hi)[1] >= share - 1e-6
        assert found.at_most(within.lo - 1)[0] <= share + 1e-6
    for time in (0, 7, 31):
        low, high = found.at_most(time)
        assert sum(it.hi <= time for it in times) / len(times) <= high + 1e-6
        assert low <= sum(it.lo <= time for it in times) / len(times) + 1e-6


@given(brackets, st.integers(2, 1000))
@settings(max_examples=40, deadline=None)
def test_another_unit_gives_the_same_masses(times: list[Bounds], unit: int) -> None:
    def scaled(it: Bounds) -> Bounds:
        return Bounds(it.lo * unit, FOREVER if it.is_open_above else it.hi * unit)

    one, other = estimate(times), estimate([scaled(it) for it in times])
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=2e-6)
    assert [scaled(mass.within) for mass in one.masses] == [mass.within for mass in other.masses]
