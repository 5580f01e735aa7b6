"""What it costs to describe the trials of a row: ``python -m tests.bench.bench_describe [rows] [seed] [trials,...]``.

Latencies and visible times of simulated outputs, polled each 100 ms, 500 ms or second, the onset anywhere in two
periods or known to 20 ms. Seconds of one processor for each row, with OPENBLAS_NUM_THREADS=1 as the command sets it;
nothing passes or fails.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import numpy as np

from harness.core.instants import Bounds
from harness.measure.describe import describe
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes
from harness.measure.trials import LATENCY_SHARES, VISIBLE_SHARES
from harness.measure.visible_time import Seen, Trial
from tests.peers.simulated_polls import SECOND, poll_instants, trial

TRIALS = (20, 50, 200, 2000)
PERIODS_S = (0.1, 0.5, 1.0)
MEANS_S = (0.4, 1.0, 1.5, 3.0)


def row(number: int, trials: int, rng: np.random.Generator, *, is_timed: bool) -> list[Trial]:
    """Rows differ in their poll, in how long they are visible, and in whether that varies."""
    period_s, mean_s = PERIODS_S[number % 3], MEANS_S[number % 4]
    window = Bounds(0, SECOND // 50 if is_timed else int(2 * period_s * SECOND))
    spread = 0.05 * (number % 2)
    return [
        trial(
            poll_instants(rng, period_s, lost=0.02 * (number % 2), jitter=spread),
            window,
            int(rng.integers(window.lo, window.hi)),
            int((mean_s if number % 5 == 4 else rng.exponential(mean_s)) * SECOND),
        )
        for _ in range(trials)
    ]


def main(rows: int = 24, seed: int = 1, numbers: tuple[int, ...] = TRIALS) -> Iterator[str]:
    """A line for each number of trials and each way to know the onset."""
    yield f"{rows} rows a line (of 2000 trials a tenth of them), seed {seed}; seconds a row"
    yield "trials  onset         visible  latencies"
    for trials in numbers:
        for is_timed in (False, True):
            rng = np.random.default_rng([seed, trials, is_timed])
            count = rows if trials < 1_000 else max(2, rows // 10)
            drawn = [row(number, trials, rng, is_timed=is_timed) for number in range(count)]
            onsets = [[it.onset for it in mine if isinstance(it, Seen)] for mine in drawn]
            began = time.process_time()
            for mine in drawn:
                describe(VisibleTimes(mine), VISIBLE_SHARES)
            visible_s = (time.process_time() - began) / count
            began = time.process_time()
            for onset in (it for it in onsets if len(it) > 1):
                describe(BracketedTimes(onset), LATENCY_SHARES)
            latency_s = (time.process_time() - began) / count
            yield f"{trials:6}  {'within 20 ms' if is_timed else 'by its polls'}  {visible_s:7.3f}  {latency_s:9.3f}"


if __name__ == "__main__":
    given = dict(enumerate(sys.argv[1:]))
    chosen = tuple(int(it) for it in given[2].split(",")) if 2 in given else TRIALS
    for line in main(int(given.get(0, 24)), int(given.get(1, 1)), chosen):
        print(line, flush=True)
