"""Two clocks and one question; pollers that stalled."""

from __future__ import annotations

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.measure.omission import Counts, with_omitted
from harness.measure.two_way import Exchange


@pytest.mark.parametrize(
    ("stamps", "offset_ms", "delay_ms"),
    [
        ((100_000, 105_020, 105_025, 100_045), 5000, 40),
        ((0, 10_000, 12_000, 6_000), 8000, 4000),  # with the sign of RFC 2030 the delay would be 8 s
        ((10_000, 10_200, 10_300, 10_500), 0, 400),
        ((100_000, 100_030, 100_040, 100_020), 25, 10),
    ],
)
def test_offset_and_delay(stamps: tuple[int, int, int, int], offset_ms: int, delay_ms: int) -> None:
    """RFC 5905, 8; the same from the Python package ntplib."""
    asked, received, sent, answered = (it * NS_PER_MS for it in stamps)
    exchange = Exchange(asked_ns=asked, received_ns=received, sent_ns=sent, answered_ns=answered)
    assert exchange.delay_ns == delay_ms * NS_PER_MS
    assert exchange.offset.width == exchange.delay_ns
    assert exchange.offset.lo + exchange.offset.hi == 2 * offset_ms * NS_PER_MS


@pytest.mark.parametrize("there_ms", [0, 3, 10])
def test_the_true_offset_lies_within_however_the_delay_is_shared_out(there_ms: int) -> None:
    """A clock 250 ms ahead, 10 ms on the way in all, 2 ms to answer."""
    exchange = Exchange(asked_ns=0, received_ns=250 + there_ms, sent_ns=252 + there_ms, answered_ns=12)
    assert exchange.delay_ns == 10
    assert 250 in exchange.offset


def test_a_clock_that_was_set_in_between_is_no_evidence() -> None:
    exchange = Exchange(asked_ns=0, received_ns=0, sent_ns=9, answered_ns=5)
    with pytest.raises(ValueError, match="delay_ns=-4"):
        _ = exchange.offset


def test_the_published_case_of_a_stall() -> None:
    """HdrHistogram's own test: 10,000 values of 1 ms and one of 100 s at an interval of 10 ms (from memory; the Python
    package hdrhistogram gives the same within its 0.1 %)."""
    measured = [1_000] * 10_000 + [100_000_000]
    raw = Counts(values=((1_000, 10_000), (100_000_000, 1)))
    assert (raw.total, raw.percentile(99), raw.percentile(99.99)) == (10_001, 1_000, 1_000)
    corrected = with_omitted(measured, 10_000)
    assert corrected.total == 20_000
    assert corrected.percentile(50) == 1_000
    for percent, value in ((75, 50_000_000), (90, 80_000_000), (99, 98_000_000)):
        assert corrected.percentile(percent) == pytest.approx(value, rel=1e-3)


def test_one_value_stands_for_all_that_it_held_up() -> None:
    assert with_omitted([100], 10).values == tuple((it, 1) for it in range(10, 101, 10))
    assert with_omitted([7, 10, 7], 10).values == ((7, 2), (10, 1))


def test_a_freeze_of_ten_seconds_is_a_hundred_late_polls() -> None:
    """In a cadence of 100 ms."""
    counts = with_omitted([20 * NS_PER_MS] * 500 + [10 * NS_PER_S], 100 * NS_PER_MS)
    assert sum(count for value, count in counts.values if value >= 100 * NS_PER_MS) == 100


def test_what_is_no_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="interval=0"):
        with_omitted([1], 0)
    with pytest.raises(ValueError, match="percent=101"):
        with_omitted([1], 1).percentile(101)
    with pytest.raises(ValueError, match="no value at all"):
        with_omitted([], 1).percentile(50)
