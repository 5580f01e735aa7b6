"""How fast bracketed times are estimated and described, and how that grows: ``python -m tests.bench.bench_npmle``.

Exponential times of mean 1 s, polls of different period at random phases: the distribution of latencies with its gap;
two quantiles of them with bounds; and three quantiles of visible times with bounds, unseen trials included. Times are
processor time of one thread (set OPENBLAS_NUM_THREADS=1: the matrices are small). Takes about a minute.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from harness.core.instants import Bounds
from harness.measure.describe import describe
from harness.measure.interval_censored import as_arrays, estimate_of
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes
from harness.measure.visible_time import Trial
from tests.peers.simulated_polls import poll_instants, trial

SECOND = 1_000_000_000
DESCRIBED = (0.5, 0.95)


def intervals(n: int, period_s: float, rng: np.random.Generator) -> list[Bounds]:
    """Raised at random against the polls."""
    latency, phase = rng.exponential(1.0, n), rng.random(n) * period_s
    before = np.floor((latency - phase) / period_s)
    low = np.maximum(((phase + before * period_s) * SECOND).astype(np.int64) + 1, 0)
    high = ((phase + (before + 1) * period_s) * SECOND).astype(np.int64)
    return [Bounds(int(a), max(int(a), int(b))) for a, b in zip(low, high, strict=True)]


def visible(n: int, period_s: float, rng: np.random.Generator) -> list[Trial]:
    """The onset anywhere in two periods; a tenth of the polls lost."""
    window = Bounds(0, int(2 * period_s * SECOND))
    return [
        trial(
            poll_instants(rng, period_s, lost=0.1, jitter=0.3),
            window,
            int(rng.integers(0, window.hi)),
            int(rng.exponential() * SECOND),
        )
        for _ in range(n)
    ]


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main() -> None:
    """One line a size and period."""
    print("latencies   period  masses      gap  estimate  described")
    for n in (200, 1_000, 10_000, 100_000):
        for period_s in (0.03, 0.3, 3.0):
            times = intervals(n, period_s, np.random.default_rng(1))
            begun = time.process_time()
            found = estimate_of(*as_arrays(times))
            taken = time.process_time() - begun
            described = timed(lambda times=times: describe(BracketedTimes(times), DESCRIBED))  # type: ignore[misc]
            print(f"{n:9}  {period_s:6}  {len(found.masses):6}  {found.gap:7.1e}  {taken:6.3f} s  {described:7.3f} s")
    print("visible times, period, described")
    for n in (20, 200, 1_000, 10_000):
        for period_s in (0.1, 0.5, 2.0):
            trials = visible(n, period_s, np.random.default_rng(2))
            described = timed(lambda trials=trials: describe(VisibleTimes(trials)))  # type: ignore[misc]
            print(f"{n:9}  {period_s:6}  {described:7.3f} s", flush=True)


if __name__ == "__main__":
    main()
