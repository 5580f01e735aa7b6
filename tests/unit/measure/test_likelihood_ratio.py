"""Bounds of shares and quantiles: what they hold, what they refuse to claim, and how often they are right."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import FOREVER, Bounds
from harness.measure.critical import critical
from harness.measure.likelihood_ratio import SAME, BracketedTimes, Evidence, VisibleTimes, is_kept, quantile
from harness.measure.visible_time import Seen, Unseen
from tests.peers.breast_cosmesis import RADIATION, after_until, months
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants, trial

MS = SECOND // 1_000


def is_alike(evidence: Evidence, time: int, share: float) -> bool:
    """Whether no distribution is likelier than the likeliest with this share."""
    return 2 * (evidence.best - evidence.given(time, share)) <= SAME


def test_exact_times_give_the_ratio_of_the_binomial() -> None:
    """Nothing is bracketed: 2 [k log(p/s) + (n - k) log((1 - p)/(1 - s))], k = 6 of 20, against the critical value of a
    count.
    """
    evidence = BracketedTimes([Bounds.exactly(it) for it in range(20)])
    kept = []
    for share in np.linspace(0.02, 0.98, 97).tolist():
        ratio = 2 * (6 * np.log(0.3 / share) + 14 * np.log(0.7 / (1 - share)))
        limit = critical(20, share, 0.95)
        assert is_kept(evidence, 5, share) is bool(ratio <= limit), (share, ratio, limit)
        kept += [share] if ratio <= limit else []
    assert min(kept) < 0.15
    assert 0.5 < max(kept) < 0.6


def test_published_data_lie_within() -> None:
    """0.2390 by 24 months; a tenth and six tenths are excluded."""
    evidence = BracketedTimes(months(RADIATION))
    kept = [it for it in np.linspace(0.02, 0.98, 49).tolist() if is_kept(evidence, 24, it)]
    assert 0.1 < kept[0] < 0.16
    assert 0.3 < kept[-1] < 0.6
    assert evidence.shares(24) == pytest.approx((0.2390, 0.2390), abs=2e-4)


def test_all_shares_that_are_as_likely_are_kept() -> None:
    """Every time lies in [1, 10]: at 5 any share at all is as likely; at 10 it is all but what 30 may have missed."""
    evidence = BracketedTimes([Bounds(1, 10)] * 30)
    assert all(is_alike(evidence, 5, it) and is_kept(evidence, 5, it) for it in (0.001, 0.3, 0.999))
    assert is_kept(evidence, 10, np.exp(-6.4 / 60) + 0.02)
    assert not is_kept(evidence, 10, np.exp(-6.4 / 60) - 0.02)


def test_quantiles_bracket_the_estimate_and_stay_open_where_nothing_bounds_them() -> None:
    evidence = BracketedTimes(months(RADIATION))
    for share in (0.1, 0.25, 0.5):
        bounds, within = quantile(evidence, share), evidence.estimate.quantile(share)
        assert bounds.lo <= within.lo <= within.hi <= bounds.hi
    assert quantile(evidence, 0.9).is_open_above
    assert quantile(BracketedTimes([after_until(5, None)] * 40), 0.5) == Bounds(6, FOREVER)


def test_a_jump_is_its_own_quantile() -> None:
    assert quantile(BracketedTimes([Bounds.exactly(7)] * 40), 0.5) == Bounds.exactly(7)


def test_a_quantile_below_all_that_was_seen_is_open_below() -> None:
    """One time proves nothing of the median."""
    bounds = quantile(BracketedTimes([Bounds(3, 4)]), 0.5)
    assert bounds.is_open_below
    assert bounds.is_open_above


def test_quantiles_and_shares_agree() -> None:
    """A time is a possible median where half is a possible share of it; near the ends each draws trials of its own."""
    evidence = BracketedTimes(months(RADIATION))
    bounds = quantile(evidence, 0.5)
    kept = [it for it in range(10, 49) if is_kept(evidence, it, 0.5)]
    assert bounds.lo - 2 <= kept[0] <= bounds.lo + 4
    assert kept == list(range(kept[0], 49))
    assert not is_kept(evidence, bounds.hi, 0.5)


def test_trials_that_saw_nothing_enter() -> None:
    """Exponential visible times of mean 1.01 s, polls 1 s apart: the truth below one period is 0.629.

    The sightings alone put 0.000 there. All trials together keep the truth, and refuse what the sightings said.
    """
    rng = np.random.default_rng(12)
    trials = [
        trial(
            poll_instants(rng, 1.0, lost=0.0, jitter=0.0),
            Bounds(0, 2 * SECOND),
            int(rng.random() * 2 * SECOND),
            int(rng.exponential(1.01) * SECOND),
        )
        for _ in range(80)
    ]
    seen = [it for it in trials if isinstance(it, Seen)]
    assert 0.2 < 1 - len(seen) / len(trials) < 0.55
    truth = 1 - np.exp(-1 / 1.01)
    below = SECOND - 2
    assert VisibleTimes(seen).shares(below)[0] == pytest.approx(0.0, abs=5e-4)
    together = VisibleTimes(trials)
    assert is_alike(together, below, truth)
    assert is_kept(together, below, truth)
    assert not is_kept(together, below, 0.1)


def test_with_one_fixed_period_the_spread_below_it_is_not_claimed() -> None:
    """Half of 40 unseen, half seen once: all 0.5 s long, or half 0 and half 1 s. The two cannot be told apart."""
    unseen = Unseen(onset=Bounds(1, 1000), samples_ns=(0, 1000, 2000))
    seen = Seen(onset=Bounds(1, 1000), end=Bounds(1001, 2000))
    evidence = VisibleTimes([unseen] * 20 + [seen] * 20)
    assert all(is_alike(evidence, 999, it) for it in (0.5, 0.75, 0.999))
    assert not is_alike(evidence, 999, 0.498)
    assert evidence.best == pytest.approx(40 * np.log(0.5), abs=1e-6)


def test_an_output_that_never_shows_has_visible_time_zero() -> None:
    evidence = VisibleTimes([Unseen(onset=Bounds(1, 1000), samples_ns=(0, 1000))] * 59)
    assert is_alike(evidence, 0, 1.0)
    assert quantile(evidence, 0.5).lo == 0


def test_what_was_watched_must_hold_the_onset() -> None:
    with pytest.raises(ValueError, match="expected readings from before 5 to after 9; narrow"):
        Unseen(onset=Bounds(5, 9), samples_ns=(6, 10))
    with pytest.raises(ValueError, match="ascending"):
        Unseen(onset=Bounds(5, 9), samples_ns=(1, 8, 8, 10))
    with pytest.raises(ValueError, match="trials is empty"):
        VisibleTimes([])
    with pytest.raises(ValueError, match="confidence=95"):
        is_kept(BracketedTimes([Bounds(1, 2)]), 1, 0.5, confidence=95)


def test_times_that_are_nearly_alike_are_covered_by_slow_polls_too() -> None:
    """A controller that takes 0.4 s, or 1.5 s where it missed its turn, polled each 1.7 s: 100 runs of 20 trials.

    The critical value for times that spread smoothly, 0.6 of chi-square, keeps 0.86 of them here: 91 of 100 but once in
    ten. With 0.95 it is fewer than that once in 50.
    """
    rng = np.random.default_rng(5)
    kept = 0
    for _ in range(100):
        times = [
            latency_bounds(
                poll_instants(rng, 1.7, lost=0.0, jitter=0.0),
                2 * SECOND // 5 if rng.random() < 0.6 else 3 * SECOND // 2,
            )
            for _ in range(20)
        ]
        kept += is_kept(BracketedTimes(times), SECOND // 2, 0.6)
    assert kept >= 91


@pytest.mark.parametrize(("period_s", "lost", "jitter"), [(0.2, 0.0, 0.0), (1.5, 0.2, 0.3)])
def test_latency_bounds_cover_the_truth(period_s: float, lost: float, jitter: float) -> None:
    """60 simulated runs of 30 trials; the benchmark has the large numbers. Fewer than 50 kept: 1 in 5,000."""
    rng = np.random.default_rng(3)
    median = int(np.log(2) * SECOND)
    kept = 0
    for _ in range(60):
        times = [
            latency_bounds(poll_instants(rng, period_s, lost=lost, jitter=jitter), int(rng.exponential(1.0) * SECOND))
            for _ in range(30)
        ]
        kept += is_kept(BracketedTimes(times), median, 0.5)
    assert kept >= 50


def test_a_visible_time_is_not_bounded_from_one_bend_of_its_likelihood_to_the_next() -> None:
    """Read every 100 ms from 0 on, both of two came on by some reading and were gone by the next: 58 ms are met so in a
    third of such pairs, 38 ms in a seventh, and nothing but 0 is denied by the brackets.
    """
    pair = [Seen(onset=Bounds(1, 100 * MS), end=Bounds(100 * MS + 1, 200 * MS)) for _ in range(2)]
    bounds = quantile(VisibleTimes(pair), 0.95)
    assert 30 * MS < bounds.lo < 40 * MS
    assert bounds.is_open_above


def test_bounds_of_few_visible_times_hold_as_often_as_they_say() -> None:
    """Visible for 20 to 60 ms, read every 100 ms at random, onset known to 200 ms: both are seen in one of six."""
    rng = np.random.default_rng(5)
    held = tries = 0
    for _ in range(120):
        trials = [_read(int(it * MS), rng) for it in rng.uniform(20, 60, 2)]
        if any(isinstance(it, Seen) for it in trials):
            tries += 1
            held += 58 * MS in quantile(VisibleTimes(trials), 0.95)
    assert tries > 60
    assert held >= 0.95 * tries


def _read(visible: int, rng: np.random.Generator) -> Seen | Unseen:
    onset, samples = int(rng.integers(200 * MS)), int(rng.integers(-100 * MS, 0)) + 100 * MS * np.arange(5)
    met = samples[(samples >= onset) & (samples < onset + visible)].tolist()
    if not met:
        return Unseen(onset=Bounds(0, 200 * MS), samples_ns=tuple(samples[:4].tolist()))
    first = met[0]
    return Seen(
        onset=Bounds(max(0, first - 100 * MS + 1), min(200 * MS, first)), end=Bounds(first + 1, first + 100 * MS)
    )
