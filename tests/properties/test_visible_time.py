"""The likelihood of a trial against a count over every onset, and laws that any estimate from brackets must keep."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import as_arrays, estimate_of
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


@given(watched(), st.integers(1, 3))
@settings(max_examples=80, deadline=None)
def test_a_reading_may_be_true_later_than_it_was_asked_for(case: tuple[list[int], Bounds, int], blur: int) -> None:
    """Every onset with every reading at either end of its blur; and no instant within it leaves the bounds."""
    polls, window, visible = case
    asked = [it * 4 for it in polls]
    onsets = Bounds(window.lo * 4, window.hi * 4)
    blank = trial(asked, onsets, onsets.lo, 0)
    assert isinstance(blank, Unseen)
    unseen = Unseen(onset=onsets, samples_ns=blank.samples_ns, blur_ns=blur)
    missed = total = 0
    for late in product((0, blur), repeat=len(unseen.samples_ns)):
        read = [at + it for at, it in zip(unseen.samples_ns, late, strict=True)]
        for onset in range(onsets.lo, onsets.hi + 1):
            total += 1
            if not any(onset <= it < onset + visible for it in read):
                missed += 1
                assert visible in bounds_of(unseen)
    assert float(likelihood([unseen], np.array([visible]))[0, 0]) == pytest.approx(missed / total)
    every = np.arange(0, 200)
    chances = likelihood([unseen], every)[0]
    assert all(int(it) in bounds_of(unseen) for it in every[chances > 0.0])
    assert bounds_of(unseen).hi + 1 == unseen.widest_gap_ns
    seen = trial(asked, onsets, onsets.lo, visible)
    both = [unseen, seen]
    weights = np.array([1.0, 1.7])
    best = (weights @ likelihood(both, every)).max()
    assert (weights @ likelihood(both, candidates(both))).max() == pytest.approx(best)


def test_what_a_blur_leaves_open_is_in_the_bounds() -> None:
    """Read at 0 and 10, each true up to 4 later: 13 long fits between 0 and 14, a single reading leaves its blur."""
    unseen = Unseen(onset=Bounds(1, 10), samples_ns=(0, 10), blur_ns=4)
    assert bounds_of(unseen) == Bounds(0, 13)
    assert likelihood([unseen], np.array([0, 13, 14]))[0] == pytest.approx([1.0, 0.25 / 10, 0.0])
    assert bounds_of(Unseen(onset=Bounds(5, 5), samples_ns=(5,), blur_ns=4)) == Bounds(0, 4)
    assert bounds_of(Unseen(onset=Bounds(5, 5), samples_ns=(5,))) == Bounds(0, 0)
    with pytest.raises(ValueError, match="blur_ns=-1: expected 0 or more"):
        Unseen(onset=Bounds(1, 10), samples_ns=(0, 10), blur_ns=-1)


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
    assert estimate_of(*as_arrays(times)).log_likelihood == pytest.approx(
        estimate_of(*as_arrays(shuffled)).log_likelihood, abs=2e-6
    )


@given(brackets)
@settings(max_examples=80, deadline=None)
def test_shares_and_quantiles_are_two_views_of_one_distribution(times: list[Bounds]) -> None:
    found = estimate_of(*as_arrays(times))
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

    one, other = estimate_of(*as_arrays(times)), estimate_of(*as_arrays([scaled(it) for it in times]))
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=2e-6)
    assert [scaled(mass.within) for mass in one.masses] == [mass.within for mass in other.masses]
