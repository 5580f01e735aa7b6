"""How often bounds hold the truth: ``python -m tests.bench.bench_coverage KIND runs seed``.

KIND: latencies; visible (times, the onset anywhere in two periods); timed (visible times, the onset known to 20 ms by a
reference point). Over poll periods (in units of the mean time), lost polls and jitter: the share of
simulated runs in which the 95 % bounds of a share keep it, and where the statistic's own 95 % quantile lies.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from itertools import product

import numpy as np

from harness.core.instants import Bounds
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes, is_kept
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants, trial

POLLS = ((0.0, 0.0), (0.1, 0.0), (0.0, 0.3), (0.2, 0.3))


def latencies(rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float) -> Evidence:
    """Exponential of mean 1 s."""
    return BracketedTimes(
        [
            latency_bounds(poll_instants(rng, period_s, lost=lost, jitter=jitter), int(rng.exponential() * SECOND))
            for _ in range(trials)
        ]
    )


def visible(rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float) -> Evidence:
    """Exponential of mean 1 s, the onset anywhere in two periods."""
    return _visible(rng, trials, Bounds(0, int(2 * period_s * SECOND)), period_s, lost, jitter)


def timed(rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float) -> Evidence:
    """The same, the onset within 20 ms."""
    return _visible(rng, trials, Bounds(0, SECOND // 50), period_s, lost, jitter)


def _visible(
    rng: np.random.Generator, trials: int, window: Bounds, period_s: float, lost: float, jitter: float
) -> Evidence:
    return VisibleTimes(
        [
            trial(
                poll_instants(rng, period_s, lost=lost, jitter=jitter),
                window,
                int(rng.integers(window.lo, window.hi)),
                int(rng.exponential() * SECOND),
            )
            for _ in range(trials)
        ]
    )


def main(kind: str, runs: int, seed: int) -> Iterator[str]:
    """One line a case."""
    yield f"runs={runs} seed={seed}; a share near 0.95 is known to {1.96 * (0.0475 / runs) ** 0.5:.3f}"
    rng = np.random.default_rng(seed)
    make = {"latencies": latencies, "visible": visible, "timed": timed}[kind]
    for trials, share, period_s, (lost, jitter) in product((30, 100), (0.5, 0.8), (0.1, 0.5, 2.0), POLLS):
        at = int(-np.log(1 - share) * SECOND)
        kept = 0
        statistics = []
        for _ in range(runs):
            evidence = make(rng, trials, period_s, lost, jitter)
            kept += is_kept(evidence, at, share)
            statistics.append(2 * (evidence.best - evidence.given(at, share)))
        case = f"{kind} n={trials} share={share} period={period_s} lost={lost} jitter={jitter}"
        yield f"{case}: kept {kept / runs:.3f}, quantile {np.quantile(statistics, 0.95):.2f}"


if __name__ == "__main__":
    for line in main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3])):
        print(line, flush=True)
