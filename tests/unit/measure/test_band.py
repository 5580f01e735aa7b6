"""A band for all times at once."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import Bounds
from harness.measure.band import band
from harness.measure.interval_censored import as_arrays, estimate_of
from tests.peers.breast_cosmesis import RADIATION, after_until, months
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants


def test_exact_times_have_the_margin_of_massart() -> None:
    """sqrt(ln 40/(2 x 50)) = 0.1921 at 95 %."""
    found = band([Bounds.exactly(it) for it in range(50)])
    assert found.margin == pytest.approx(0.19206, abs=5e-6)
    assert found.at_most(24) == pytest.approx((0.5 - 0.19206, 0.5 + 0.19206), abs=1e-5)
    assert found.quantile(0.5) == Bounds(15, 34)


def test_the_estimate_lies_within() -> None:
    times = months(RADIATION)
    found, within = band(times), estimate_of(*as_arrays(times))
    for month in range(50):
        low, high = found.at_most(month)
        assert low <= within.at_most(month)[0] <= within.at_most(month)[1] <= high
    assert found.quantile(0.5).is_open_above


def test_few_trials_bound_nothing() -> None:
    found = band([after_until(3, None)])
    assert (found.margin, found.at_most(0), found.at_most(100)) == (1.0, (0.0, 1.0), (0.0, 1.0))
    assert found.quantile(0.9).is_open_above
    assert found.quantile(0.9).is_open_below


def test_the_whole_distribution_lies_within_as_often_as_the_band_says() -> None:
    """200 runs of 30 latencies, every tenth poll lost: at most 10 outside expected, 22 or more is 1 in 2,000."""
    rng = np.random.default_rng(1)
    grid = np.arange(0, 6 * SECOND, SECOND // 20)
    outside = 0
    for _ in range(200):
        found = band(
            [
                latency_bounds(poll_instants(rng, 0.5, lost=0.1, jitter=0.2), int(rng.exponential() * SECOND))
                for _ in range(30)
            ]
        )
        shares = 1 - np.exp(-grid / SECOND)
        bounds = [found.at_most(int(at)) for at in grid]
        outside += any(not low <= share <= high for (low, high), share in zip(bounds, shares, strict=True))
    assert outside < 22


def test_what_is_no_band_is_refused() -> None:
    with pytest.raises(ValueError, match="times is empty"):
        band([])
    with pytest.raises(ValueError, match="confidence=95"):
        band([Bounds(1, 2)], confidence=95)
    with pytest.raises(ValueError, match="share=0"):
        band([Bounds(1, 2)]).quantile(0)
