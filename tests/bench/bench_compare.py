"""How often two runs are called different: ``python -m tests.bench.bench_compare [pairs] [runs] [seed]``.

1. Identical firmware, simulated ``pairs`` times: a point map of 40 expectations, half of them polled each 100 ms and
   half each second, 30 trials each; 40 tests of misses (Fisher), of latencies and of visible times, together by Holm's
   method at 5 %. False alarms are pairs with any significant test. With bounds of Clopper and Pearson. 1,000 pairs take
   about half an hour; a line a hundred says how far it is.
2. A controller that became 200 ms slower, ``runs`` times for each number of trials and poll period: how often one test
   finds it, alone and as one of 120; and how often equal runs are shown not to differ by more than 200 ms.
3. An output that is visible for half as long, the same.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from itertools import product

import numpy as np

from harness.core.instants import Bounds
from harness.measure.comparing import Score, compare, compare_visible
from harness.measure.exact_tables import fisher, holm, trials_to_differ
from harness.measure.proportions import clopper_pearson
from harness.measure.shifted import is_equal
from harness.measure.visible_time import Seen, Trial
from tests.peers.simulated_polls import SECOND, poll_instants, trial

LEVEL = 0.05
EXPECTATIONS = 40
TESTS = 3 * EXPECTATIONS
TRIALS = 30


def run(
    rng: np.random.Generator, trials: int, period_s: float, *, latency_s: float = 0.4, visible_s: float = 1.2
) -> list[Trial]:
    """On after ``latency_s`` and up to 150 ms of scanning, for an exponential time; raised at 0, at a random phase."""
    window = Bounds(0, 2 * SECOND)
    return [
        trial(
            poll_instants(rng, period_s, lost=0.02, jitter=0.05),
            window,
            int((latency_s + rng.uniform(0.0, 0.15)) * SECOND),
            int(rng.exponential(visible_s) * SECOND),
        )
        for _ in range(trials)
    ]


def latencies(trials: list[Trial]) -> list[Bounds]:
    """Of those that were seen; each was raised at 0."""
    return [it.onset for it in trials if isinstance(it, Seen)]


def tests_of(first: list[Trial], second: list[Trial], rng: np.random.Generator) -> list[float]:
    """Chances of misses, latencies and visible times."""
    seen = [len(latencies(it)) for it in (first, second)]
    misses = float(fisher([[len(first) - seen[0], seen[0]], [len(second) - seen[1], seen[1]]]))
    if not min(seen):
        return [misses]
    late = compare(latencies(first), latencies(second), score=Score.WILCOXON, rng=rng).chance
    return [misses, late, compare_visible(first, second, rng).chance]


def false_alarms(pairs: int, seed: int) -> Iterator[str]:
    """Identical firmware."""
    rng = np.random.default_rng(seed)
    begun, called, each = time.perf_counter(), 0, np.zeros(3)
    for done in range(1, pairs + 1):
        chances = [
            tests_of(run(rng, TRIALS, period_s), run(rng, TRIALS, period_s), rng)
            for period_s in (0.1, 1.0)
            for _ in range(EXPECTATIONS // 2)
        ]
        called += min(holm([it for row in chances for it in row])) <= LEVEL
        each += np.array([[*row, 1.0, 1.0][:3] for row in chances]).__le__(LEVEL).mean(axis=0)
        if done % 100 == 0 or done == pairs:
            bounds = clopper_pearson(called, done)
            yield (
                f"  {done} pairs of {TESTS} tests, {time.perf_counter() - begun:.0f} s: false alarms "
                f"{called / done:.4f} [{bounds.low:.4f}, {bounds.high:.4f}], nominal {LEVEL}; one test alone: "
                f"misses {each[0] / done:.4f}, latencies {each[1] / done:.4f}, visible times {each[2] / done:.4f}"
            )


def power(runs: int, seed: int) -> Iterator[str]:
    """A latency of 200 ms more, and half the visible time."""
    together = trials_to_differ(LEVEL, comparisons=TESTS)
    yield f"  least trials in each run: {trials_to_differ(LEVEL)} alone, {together} of {TESTS}"
    yield "  trials  poll    200 ms slower: alone  of 120   equal within 200 ms    half as long visible: alone  of 120"
    for trials, period_s in product((10, 20, 30, 60), (0.1, 0.5, 1.0)):
        rng = np.random.default_rng([seed, trials, round(1000 * period_s)])
        late, short, equal = [], [], 0
        for at in range(runs):
            first = run(rng, trials, period_s, visible_s=3.0)
            slower = run(rng, trials, period_s, latency_s=0.6, visible_s=3.0)
            late.append(compare(latencies(first), latencies(slower), score=Score.WILCOXON, rng=rng).chance)
            shorter = run(rng, trials, period_s, visible_s=1.5)
            short.append(compare_visible(first, shorter, rng).chance)
            if at % 5 == 0:
                alike = run(rng, trials, period_s, visible_s=3.0)
                equal += is_equal(latencies(first), latencies(alike), SECOND // 5, error=LEVEL, rng=rng)
        yield (
            f"  {trials:6}  {period_s:4} s  {np.mean(np.array(late) <= LEVEL):20.2f}  "
            f"{np.mean(np.array(late) <= LEVEL / TESTS):6.2f}   {equal / len(range(0, runs, 5)):19.2f}  "
            f"{np.mean(np.array(short) <= LEVEL):28.2f}  {np.mean(np.array(short) <= LEVEL / TESTS):6.2f}"
        )


def main(pairs: int, runs: int, seed: int) -> Iterator[str]:
    """Both tables."""
    yield f"power, {runs} runs a line, seed {seed}"
    yield from power(runs, seed)
    yield f"identical firmware, seed {seed}"
    yield from false_alarms(pairs, seed)


if __name__ == "__main__":
    given = [int(it) for it in sys.argv[1:]]
    for line in main(*[*given, *(1_000, 100, 1)[len(given) :]]):
        print(line, flush=True)
