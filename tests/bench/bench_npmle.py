"""How fast the distribution of bracketed times is found, and how that grows: ``python -m tests.bench.bench_npmle``.

Exponential latencies of mean 1 s, polls of different period at random phases; and the same with one share held fixed.
Times are processor time of one thread.
"""

from __future__ import annotations

import time

import numpy as np

from harness.core.instants import Bounds
from harness.measure.interval_censored import estimate
from harness.measure.likelihood_ratio import BracketedTimes, share_at

SECOND = 1_000_000_000


def intervals(n: int, period_s: float, rng: np.random.Generator) -> list[Bounds]:
    """Raised at random against the polls."""
    latency, phase = rng.exponential(1.0, n), rng.random(n) * period_s
    before = np.floor((latency - phase) / period_s)
    low = np.maximum(((phase + before * period_s) * SECOND).astype(np.int64) + 1, 0)
    high = ((phase + (before + 1) * period_s) * SECOND).astype(np.int64)
    return [Bounds(int(a), max(int(a), int(b))) for a, b in zip(low, high, strict=True)]


def main() -> None:
    """One line a size and period."""
    print("intervals  period  masses      gap  estimate  share with bounds")
    for n in (100, 1_000, 10_000, 30_000):
        for period_s in (0.03, 0.3, 3.0):
            times = intervals(n, period_s, np.random.default_rng(1))
            begun = time.process_time()
            found = estimate(times)
            taken = time.process_time() - begun
            begun = time.process_time()
            if n <= 1_000:
                share_at(BracketedTimes(times), SECOND)
            bounded = f"{time.process_time() - begun:8.3f} s" if n <= 1_000 else ""
            print(f"{n:9}  {period_s:6}  {len(found.masses):6}  {found.gap:7.1e}  {taken:6.3f} s  {bounded}")


if __name__ == "__main__":
    main()
