"""A device that polls another one turns its outputs on in a beat of its own. How it falls against our polls stays the
same all through a run and is another one in the next: identical firmware must not be told apart by it, and a slow-down
must not be called none.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from harness.core.instants import Bounds
from harness.core.verdicts import Verdict
from harness.measure.compare_runs import compare_runs
from harness.measure.run_comparison import Asked, Finding, Kind, Outcome, Pair, Side

MS = 1_000_000
BEAT_MS, POLL_MS, TRIALS, RUNS = 500.0, 100.0, 12, 80


def run(rng: random.Random, slower_ms: float = 0.0) -> Side:
    """Latencies of one run: raised at random phases, shown at the next beat after a delay, read every 100 ms."""
    offset = rng.uniform(0, POLL_MS)  # of the beat against our polls: one all through the run
    latencies = []
    for _ in range(TRIALS):
        raised = rng.uniform(0, 10 * BEAT_MS)
        ready = raised + 150 + rng.uniform(0, 20) + slower_ms
        shown = -(-(ready - offset) // BEAT_MS) * BEAT_MS + offset
        before = (shown - 1e-6) // POLL_MS * POLL_MS
        latencies.append(Bounds(round((before - raised) * MS) + 1, round((before + POLL_MS - raised) * MS)))
    return Side(
        verdicts=(Verdict.ON_TIME,) * TRIALS,
        measured=TRIALS,
        latencies=tuple(latencies),
        widths_ns=tuple(it.width for it in latencies),
        read="read every 100 ms",
        is_polled=True,
    )


def regressed(seed: int, *, slower_ms: float = 0.0, finer: bool = False, worth_ms: int = 0) -> tuple[int, int]:
    """Of so many pairs of runs: how many regressed, and how many were called equal in their latency."""
    rng = random.Random(seed)
    worse = equal = 0
    for _ in range(RUNS):
        pair = Pair(key="a@p", alarm="a", point="p", link="l", before=run(rng), after=run(rng, slower_ms))
        asked = Asked(finer=finer, worth_ns=worth_ms * MS)
        (row,) = compare_runs([pair], asked, np.random.default_rng(seed)).rows
        worse += row.outcome is Outcome.REGRESSED
        equal += any(it.kind is Kind.LATENCY and it.finding is Finding.EQUAL for it in row.compared)
    return worse, equal


@pytest.mark.parametrize("seed", [5])
def test_identical_firmware_is_not_told_apart_by_the_beat(seed: int) -> None:
    """At most 5 %: 80 runs, of which more than 9 would have a chance below 1 %."""
    worse, _ = regressed(seed)
    assert worse <= 9


@pytest.mark.parametrize("seed", [6])
def test_a_slow_down_of_140_ms_is_never_called_no_change_of_100_ms(seed: int) -> None:
    _, equal = regressed(seed, slower_ms=140.0, worth_ms=100)
    assert equal == 0


@pytest.mark.parametrize("seed", [7])
def test_what_is_far_slower_is_found_all_the_same(seed: int) -> None:
    worse, _ = regressed(seed, slower_ms=600.0)
    assert worse == RUNS
