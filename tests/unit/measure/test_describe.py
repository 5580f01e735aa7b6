"""Quantiles of latencies and visible times with their bounds."""

from __future__ import annotations

import pytest

from harness.core.instants import Bounds
from harness.measure.describe import describe
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes
from harness.measure.visible_time import Seen, Unseen
from tests.peers.breast_cosmesis import RADIATION, months


def test_the_likely_place_is_that_of_the_estimate() -> None:
    """The published masses put the median into (38, 40]; it may lie anywhere there."""
    evidence = BracketedTimes(months(RADIATION))
    found = describe(evidence, (0.25, 0.5))
    assert found.trials == 46
    for one in found.quantiles:
        within = evidence.estimate.quantile(one.share)
        assert one.likely.lo <= within.lo
        assert within.hi <= one.likely.hi
        assert one.bounds.lo <= one.likely.lo
        assert one.likely.hi <= one.bounds.hi
        assert one.likely.width < one.bounds.width


def test_visible_times_are_described_the_same_way() -> None:
    """Half seen once in a poll of 1000 ns, half not: the median is likely 0 to 1000, and certainly below 2000."""
    unseen = Unseen(onset=Bounds(1, 1000), samples_ns=(0, 1000, 2000))
    seen = Seen(onset=Bounds(1, 1000), end=Bounds(1001, 2000))
    (median,) = describe(VisibleTimes([unseen] * 20 + [seen] * 20), (0.5,)).quantiles
    assert median.likely.lo <= 500 <= median.likely.hi <= 1000
    assert median.bounds.hi <= 2000


def test_a_share_is_no_percentage() -> None:
    with pytest.raises(ValueError, match=r"shares=\[95\]: expected each between 0 and 1; write 0\.95"):
        describe(BracketedTimes([Bounds(1, 2)]), (95,))
