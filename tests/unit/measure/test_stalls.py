"""A poller that stalls: a late answer stands for every raise that it held up, and not for one."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Hold
from harness.core.trace import Trace
from harness.correlate.outline import outline
from harness.measure.interval_censored import as_arrays, estimate_of

POLL_NS = 10 * NS_PER_MS
ANSWER_NS = NS_PER_MS
STALL_AT_NS, STALL_NS = 100 * NS_PER_S, 100 * NS_PER_S
ASKED = np.arange(0, STALL_AT_NS + POLL_NS, POLL_NS, dtype=np.int64)
TOLD = ASKED + ANSWER_NS
TOLD[-1] = STALL_AT_NS + STALL_NS


def latency(raised_ns: int) -> Bounds:
    """Of an alarm that shows at once, as polls tell: every one is asked in time until the last, which takes 100 s."""
    found = outline(Trace.from_states("p", ASKED, TOLD, raised_ns <= TOLD), Hold())
    return Bounds(max(0, found.onset_lo[0] - raised_ns), found.onset_hi[0] - raised_ns)


def test_latencies_of_raises_have_the_published_percentiles_of_a_stall() -> None:
    """HdrHistogram's own test of its correction for coordinated omission (G. Tene; from memory; the Python package
    hdrhistogram gives the same within its 0.1 %): 10,000 answers after 1 ms at an interval of 10 ms, and one after
    100 s. The answers alone have P99.99 at 1 ms; as users wait, P50 is 1 ms, P75 50 s, P90 80 s and P99 98 s.

    Raises do not wait for polls, so nothing has to be corrected: here one for each second, at an instant of a poll.
    """
    answers = np.sort(TOLD - ASKED)
    assert (len(answers), answers[int(0.9999 * len(answers)) - 1]) == (10_001, ANSWER_NS)
    times = [latency(at) for at in range(0, STALL_AT_NS + STALL_NS, NS_PER_S)]
    slowest = sorted(it.hi for it in times)
    held = estimate_of(*as_arrays([Bounds.exactly(it) for it in slowest]))
    assert held.quantile(0.5).lo == ANSWER_NS
    for share, seconds in ((0.75, 50), (0.9, 80), (0.99, 98)):
        assert held.quantile(share).hi == pytest.approx(seconds * NS_PER_S, abs=NS_PER_S)
    bracketed = estimate_of(*as_arrays(times))
    for share in (0.5, 0.75, 0.9, 0.99):
        found = bracketed.quantile(share)
        assert found.lo == 0, "the alarm showed at once, which no bracket denies"
        assert found.hi <= held.quantile(share).hi


def test_a_freeze_of_ten_seconds_holds_up_a_hundred_raises() -> None:
    """In a cadence of 100 ms."""
    asked = np.arange(0, 20 * NS_PER_S, 100 * NS_PER_MS, dtype=np.int64)
    asked = asked[(asked <= 5 * NS_PER_S) | (asked >= 15 * NS_PER_S)]
    told = asked + np.where(asked == 5 * NS_PER_S, 10 * NS_PER_S, 20 * NS_PER_MS) - 1
    late = 0
    for raised in range(50 * NS_PER_MS, 19 * NS_PER_S, 100 * NS_PER_MS):
        found = outline(Trace.from_states("p", asked, told, raised <= asked), Hold())
        late += found.onset_hi[0] - raised > 200 * NS_PER_MS
    assert late == pytest.approx(100, abs=2)
