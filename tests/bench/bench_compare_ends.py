"""What ``farend compare`` finds of polled outputs, by the ends of their brackets: ``python -m
tests.bench.bench_compare_ends [pairs] [seed]``.

One output of one alarm in two runs, latencies of 300 +/- 40 ms, raised at random phases of a poll. Told is how many
pairs of alike runs were called a regression (at most 5 %), how many that are 200 ms slower were found, and the same
behind a gateway whose poll of 500 ms falls against ours in one way all through a run (``test_beats``).
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable

import numpy as np

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict
from harness.measure.compare_runs import compare_runs
from harness.measure.run_comparison import Asked, Outcome, Pair, Side
from tests.unit.measure.test_beats import run as behind_a_gateway

SLOWER_MS = 200.0


def polled(rng: random.Random, trials: int, poll_ms: float, slower_ms: float) -> Side:
    """One run of an output that is read every ``poll_ms``."""
    latencies = []
    for _ in range(trials):
        phase_ms = rng.uniform(0, poll_ms)
        before = (rng.gauss(300, 40) + slower_ms + phase_ms) // poll_ms * poll_ms - phase_ms
        latencies.append(Bounds(round(before * NS_PER_MS) + 1, round((before + poll_ms) * NS_PER_MS)))
    return Side(
        verdicts=(Verdict.ON_TIME,) * trials,
        measured=trials,
        latencies=tuple(latencies),
        widths_ns=tuple(it.width for it in latencies),
        read=f"read every {poll_ms:g} ms",
        is_polled=True,
    )


def found(pairs: int, run: Callable[[float], Side], slower_ms: float, *, finer: bool) -> int:
    """In how many pairs the second run was called a regression."""
    count = 0
    for number in range(pairs):
        pair = Pair(key="a@p", alarm="a", point="p", link="l", before=run(0.0), after=run(slower_ms))
        (row,) = compare_runs([pair], Asked(finer=finer), np.random.default_rng(number)).rows
        count += row.outcome is Outcome.REGRESSED
    return count


def main(pairs: int = 100, seed: int = 1) -> None:
    """A line for each poll and number of trials."""
    print(f"seed {seed}, {pairs} pairs a cell")
    print("                                by the ends            --finer")
    print("poll         trials        alike   200 ms slower   alike   200 ms slower")
    for poll_ms in (100.0, 500.0, 1000.0):
        for trials in (6, 10, 20, 30, 60):
            rng = random.Random(f"{seed} {poll_ms} {trials}")
            cells = [
                found(pairs, lambda slower: polled(rng, trials, poll_ms, slower), slower_ms, finer=finer)  # noqa: B023
                for finer in (False, True)
                for slower_ms in (0.0, SLOWER_MS)
            ]
            print(f"{poll_ms:5.0f} ms {trials:10d} {cells[0]:12d} {cells[1]:15d} {cells[2]:7d} {cells[3]:15d}")
    rng = random.Random(seed)
    cells = [
        found(pairs, lambda slower: behind_a_gateway(rng, slower), slower_ms, finer=finer)
        for finer in (False, True)
        for slower_ms in (0.0, SLOWER_MS)
    ]
    print(f"gateway, 500 ms {12:3d} {cells[0]:12d} {cells[1]:15d} {cells[2]:7d} {cells[3]:15d}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
