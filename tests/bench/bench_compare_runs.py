"""False alarms of whole comparisons of identical firmware, power on a slow-down of 200 ms, claims of equality.

    python -m tests.bench.bench_compare_runs [PAIRS]

Each run is one of a plan: so many alarms, each raised so often, read every 100 ms at random phases. Latencies: 300 ms
with a standard deviation of 40 ms, one in ten trials missed. Anything that is called different in identical firmware is
a false alarm, of any expectation, in any kind, or of the link as a whole: the level holds over all of them together.
"""

from __future__ import annotations

import sys
import time
from unittest import mock

import numpy as np

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict
from harness.measure import compare_runs as module
from harness.measure.compare_runs import compare_runs
from harness.measure.run_comparison import Asked, Finding, Kind, Pair, RunsCompared, Side

SEED = 41
POLL_MS = 100.0
ANSWER_MS = 5.0
LATE_MS = 200.0
CALLED = (Finding.WORSE, Finding.BETTER, Finding.SLIGHT)
FALSE_ALARMS = ((1, 10), (8, 1), (8, 4), (20, 10))
"""(alarms, trials of each)."""
EQUAL = (5, 6, 8, 10, 20)
"""Trials."""
POWER = ((1, 4), (1, 5), (1, 6), (20, 8), (20, 10), (300, 8), (300, 10))


def side(rng: np.random.Generator, trials: int, shift_ms: float = 0.0, missed: float = 0.1) -> Side:
    """One expectation in one run."""
    shown = rng.random(trials) >= missed
    latencies = rng.normal(300.0, 40.0, trials)[shown] + shift_ms
    phases = rng.uniform(0.0, POLL_MS, len(latencies))
    lows = np.maximum(0.0, np.floor((latencies - phases) / POLL_MS) * POLL_MS + phases)
    return Side(
        verdicts=tuple(Verdict.ON_TIME if it else Verdict.MISSED for it in shown),
        missed=int((~shown).sum()),
        measured=trials,
        latencies=tuple(Bounds(int(it * NS_PER_MS) + 1, int((it + POLL_MS + ANSWER_MS) * NS_PER_MS)) for it in lows),
        read="read every 100 ms",
    )


def compared(rng: np.random.Generator, alarms: int, trials: int, late_ms: float, missed: float) -> RunsCompared:
    """Two runs; in the second one the first alarm comes later."""
    pairs = []
    for number in range(alarms):
        before = side(rng, trials, missed=missed)
        after = side(rng, trials, late_ms if number == 0 else 0.0, missed=missed)
        key = f"a{number}"
        pairs.append(Pair(key=f"{key}@p", alarm=key, point="p", link="bms", before=before, after=after))
    return compare_runs(pairs, Asked(), rng)


def is_called(found: RunsCompared) -> bool:
    """Whether anything is called different."""
    rows = any(it.is_significant for row in found.rows for it in row.compared)
    return rows or any(it.finding in CALLED for it in found.links)


def is_found(found: RunsCompared) -> bool:
    """Whether the slow-down is called by its name."""
    return any(it.kind is Kind.LATENCY for it in found.rows[0].worse)


def is_equal(found: RunsCompared) -> bool:
    """Whether it is said that no change worth more is there."""
    return any(it.kind is Kind.LATENCY and it.finding is Finding.EQUAL for it in found.rows[0].compared)


def main(pairs: int = 1_000) -> None:
    """Print the tables."""
    print(f"seed {SEED}; the level is 5 % over all tests of a comparison")
    # What is called different does not hang on by how much it differs, which takes most of the time.
    with (
        mock.patch.object(module, "_is_within", return_value=False),
        mock.patch.object(module, "_difference", return_value=None),
    ):
        print("alarms  trials  false alarms of identical firmware")
        for alarms, trials in FALSE_ALARMS:
            rng, began = np.random.default_rng(SEED), time.perf_counter()
            called = sum(is_called(compared(rng, alarms, trials, 0.0, 0.1)) for _ in range(pairs))
            print(f"{alarms:6}  {trials:6}  {called:5} of {pairs} ({time.perf_counter() - began:.1f} s)", flush=True)
        print(f"alarms  trials  a slow-down of {LATE_MS:.0f} ms at one of them was found")
        for alarms, trials in POWER:
            rng, many = np.random.default_rng(SEED), max(20, pairs // 5 if alarms < 100 else pairs // 50)
            hits = sum(is_found(compared(rng, alarms, trials, LATE_MS, 0.0)) for _ in range(many))
            print(f"{alarms:6}  {trials:6}  {hits:5} of {many}", flush=True)
    print("trials  no change worth more than 100 ms shown, of runs that differ by 0, 50, 100 ms (a false claim)")
    for trials in EQUAL:
        rng, many = np.random.default_rng(SEED), max(20, pairs // 5)
        shown = [sum(is_equal(compared(rng, 1, trials, it, 0.0)) for _ in range(many)) for it in (0.0, 50.0, 100.0)]
        print(f"{trials:6}  {', '.join(map(str, shown))} of {many}", flush=True)


if __name__ == "__main__":
    main(*(int(it) for it in sys.argv[1:]))
