"""The search for the shortest alarm that is reliably shown: ``python -m tests.bench.bench_shortest [runs] [seed]``.

For several curves of the chance to be shown over the length held: how often a finding is wrong (at most 5 % allowed, of
which four fifths for what is called reliable), how many tries it takes, and where the findings lie. 200 runs take about
a minute.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from math import exp, log

import numpy as np

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.measure.shortest_shown import Answer, Outcome, ShortestShown

SHARE, CONFIDENCE, TRIES = 0.95, 0.95, 400
NEVER = float("inf")

CURVES: dict[str, tuple[Callable[[float], float], float]] = {
    "poll of 1 s": (lambda ms: min(1.0, ms / 1000), SHARE * 1000),
    "poll of 70 ms": (lambda ms: min(1.0, ms / 70), SHARE * 70),
    "step at 333 ms": (lambda ms: float(ms >= 333), 333),
    "logistic, 400 ms": (lambda ms: 1 / (1 + exp(-(ms - 400) / 50)), 400 + 50 * log(SHARE / (1 - SHARE))),
    "0.97 from 100 ms on": (lambda ms: 0.97 * (ms >= 100), 100),
    "0.94 from 100 ms on": (lambda ms: 0.94 * (ms >= 100), NEVER),
    "just too few always": (lambda _: SHARE - 1e-9, NEVER),
    "just enough always": (lambda _: SHARE, 0.0),
    "never": (lambda _: 0.0, NEVER),
    "always": (lambda _: 1.0, 0.0),
}


def main(runs: int, seed: int) -> Iterator[str]:
    """One line a curve."""
    search = ShortestShown(
        share=SHARE, confidence=CONFIDENCE, longest_ns=10 * NS_PER_S, shortest_ns=10 * NS_PER_MS, tries_max=TRIES
    )
    yield f"{SHARE:.0%} shown, confidence {CONFIDENCE:.0%}, 10 ms to 10 s, at most {TRIES} tries; {runs=} {seed=}"
    yield f"{'':20}  from ms  wrong: reliable  lost   tries: mean  most   reliable (10, 50, 90 %)     lost (the same)"
    for name, (curve, truth_ms) in CURVES.items():
        rng = np.random.default_rng([seed, len(name)])
        reliable, lost, tries = [], [], []
        for _ in range(runs):
            outcomes: list[Outcome] = []
            while (held := search.next_ns(outcomes)) is not None:
                is_shown = rng.random() < curve(held / NS_PER_MS)
                outcomes.append(Outcome(held_ns=held, answer=Answer.SHOWN if is_shown else Answer.LOST))
            found = search.finding(outcomes)
            tries.append(found.tries)
            reliable += [] if found.reliable_ns is None else [found.reliable_ns / NS_PER_MS]
            lost += [] if found.lost_ns is None else [found.lost_ns / NS_PER_MS]
        wrong = sum(it < truth_ms for it in reliable) / runs, sum(it >= truth_ms for it in lost) / runs
        yield (
            f"{name:20}  {truth_ms:7.0f}  {wrong[0]:15.3f}  {wrong[1]:4.3f}  {np.mean(tries):11.0f}  {max(tries):4}   "
            f"{spread(reliable, runs):26}  {spread(lost, runs)}"
        )


def spread(found: list[float], runs: int) -> str:
    """How often there is one, and where."""
    if not found:
        return "none"
    low, middle, high = np.quantile(found, (0.1, 0.5, 0.9))
    return f"{len(found) / runs:4.2f}: {low:.0f}, {middle:.0f}, {high:.0f}"


if __name__ == "__main__":
    given = [int(it) for it in sys.argv[1:]]
    for line in main(*[*given, *(200, 1)[len(given) :]]):
        print(line, flush=True)
