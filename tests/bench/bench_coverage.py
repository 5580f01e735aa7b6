"""How often bounds hold the truth: ``python -m tests.bench.bench_coverage [KIND] [runs] [seed] [trials] [step]``.

KIND: latencies; visible (times, the onset anywhere in two periods); timed (visible times, the onset known to 20 ms by a
reference point); all. ``trials``: as 20,50. ``step``: only one cell in so many. In each simulated run it is asked
whether the 95 % bounds keep the true share at a time, and in some whether that of the quantile holds the time.

A cell is *open* where the evidence cannot tell the share whatever the number of trials: a visible time below the only
period there is. There bounds have to hold always, and no valid interval could do otherwise. ``exact`` is what the
bounds of Clopper and Pearson cover where every time is known exactly: counts are whole, so no bounds without chance in
them can cover 95 % everywhere. And with few trials in wide brackets nothing tells times that are alike (two-point,
which asks for a critical value of 5 and more) from times that spread smoothly (which would do with 2.3), so bounds that
hold for the one cover more than they say for the other.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes, is_kept, quantile
from harness.measure.proportions import clopper_pearson
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants, trial

Draw = Callable[[np.random.Generator], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A distribution in seconds. ``at``: times and the shares that are at most so long. inf: never."""

    draw: Draw
    at: tuple[tuple[float, float], ...]


def gamma(shape: int, mean: float) -> tuple[Draw, Callable[[float], float]]:
    """Sums of exponential times (Erlang), and where a share of them lies."""

    def quantile(share: float) -> float:
        low, high = 0.0, 20.0 * mean
        for _ in range(80):
            middle = (low + high) / 2
            x = middle * shape / mean
            terms = [x**k / float(np.prod(range(1, k + 1), dtype=float)) for k in range(shape)]
            low, high = (middle, high) if 1 - np.exp(-x) * sum(terms) < share else (low, middle)
        return high

    return lambda rng: float(rng.gamma(shape, mean / shape)), quantile


def shapes(never: float) -> dict[str, Shape]:
    """``never``: the time of what does not come at all."""
    gamma4, quantile4 = gamma(4, 1.0)
    gamma2, quantile2 = gamma(2, 1.0)
    return {
        "exponential": Shape(
            draw=lambda rng: float(rng.exponential()), at=tuple((-np.log(1 - s), s) for s in (0.5, 0.9))
        ),
        "uniform": Shape(draw=lambda rng: float(rng.uniform(0.2, 1.8)), at=((1.0, 0.5), (1.64, 0.9))),
        "two-point": Shape(draw=lambda rng: 0.4 if rng.random() < 0.6 else 1.5, at=((0.9, 0.6), (0.5, 0.6))),
        "gamma": Shape(draw=gamma4, at=tuple((quantile4(s), s) for s in (0.5, 0.9))),
        "some never": Shape(
            draw=lambda rng: never if rng.random() < 0.15 else gamma2(rng),
            at=tuple((quantile2(s), 0.85 * s + (0.15 if never == 0.0 else 0.0)) for s in (0.5, 0.9)),
        ),
    }


POLLS = {"even": (0.0, 0.0), "jitter": (0.0, 0.25), "lost": (0.15, 0.0), "lost, jitter": (0.2, 0.35)}
PERIODS = (0.13, 0.7, 1.7)
TRIALS = (20, 50, 200)
QUANTILES = 10
"""Of one run in so many the interval of the quantile is looked at too, over all cells together."""


def latencies(
    rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float, draw: Draw
) -> Evidence:
    """Raised at 0, at a random phase of the polls."""
    found = []
    for _ in range(trials):
        polls, latency = poll_instants(rng, period_s, lost=lost, jitter=jitter), draw(rng)
        found.append(latency_bounds(polls, int(latency * SECOND) if latency < np.inf else FOREVER))
    return BracketedTimes(found)


def visible(rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float, draw: Draw) -> Evidence:
    """The onset anywhere in two periods."""
    return _visible(rng, trials, Bounds(0, int(2 * period_s * SECOND)), period_s, (lost, jitter), draw)


def timed(rng: np.random.Generator, trials: int, period_s: float, lost: float, jitter: float, draw: Draw) -> Evidence:
    """The same, the onset within 20 ms."""
    return _visible(rng, trials, Bounds(0, SECOND // 50), period_s, (lost, jitter), draw)


def _visible(
    rng: np.random.Generator, trials: int, window: Bounds, period_s: float, polls: tuple[float, float], draw: Draw
) -> Evidence:
    lost, jitter = polls
    return VisibleTimes(
        [
            trial(
                poll_instants(rng, period_s, lost=lost, jitter=jitter),
                window,
                int(rng.integers(window.lo, window.hi)),
                int(draw(rng) * SECOND),
            )
            for _ in range(trials)
        ]
    )


KINDS = {"latencies": latencies, "visible": visible, "timed": timed}


def exactly(trials: int, share: float) -> float:
    """What the bounds of Clopper and Pearson cover where every time is known."""
    kept = 0.0
    for count in range(trials + 1):
        bounds = clopper_pearson(count, trials)
        if bounds.low <= share <= bounds.high:
            log_ways = float(np.log(np.arange(1, trials + 1)).sum())
            log_ways -= float(np.log(np.arange(1, count + 1)).sum() + np.log(np.arange(1, trials - count + 1)).sum())
            kept += float(np.exp(log_ways + count * np.log(share) + (trials - count) * np.log1p(-share)))
    return kept


def main(kind: str, runs: int, seed: int, numbers: tuple[int, ...], step: int) -> Iterator[str]:
    """One line a case."""
    yield f"{kind}: runs={runs} seed={seed}; a share near 0.95 is known to {1.96 * (0.0475 / runs) ** 0.5:.3f}"
    begun = time.perf_counter()
    covered: dict[tuple[int, bool], list[float]] = {}
    quantiles: list[bool] = []
    cells = list(product(numbers, shapes(np.inf if kind == "latencies" else 0.0).items(), PERIODS, POLLS.items()))
    for trials, (name, shape), period_s, (spread, (lost, jitter)) in cells[::step]:
        rng = np.random.default_rng([seed, trials, round(period_s * 100), len(name), round(lost * 100 + jitter * 1000)])
        drawn = [KINDS[kind](rng, trials, period_s, lost, jitter, shape.draw) for _ in range(runs)]
        for at_s, share in shape.at:
            at = int(at_s * SECOND)
            kept = sum(is_kept(it, at, share) for it in drawn) / runs
            asked = [] if name == "two-point" else drawn[::QUANTILES]
            quantiles += [at in quantile(it, share) for it in asked]
            is_open = kind == "visible" and spread == "even" and at_s < period_s
            covered.setdefault((trials, is_open), []).append(kept)
            yield (
                f"{kind:9} n={trials:<4} {name:12} period={period_s:<5} {spread:12} F({at_s:.3f})={share:.3f}: "
                f"kept {kept:.3f}  exact {exactly(trials, share):.3f}{'  open' if is_open else ''}"
            )
    noise = 3.0 * (0.0475 / runs) ** 0.5
    for (trials, is_open), all_kept in sorted(covered.items()):
        few, surely = (sum(it < limit for it in all_kept) for limit in (0.93, 0.93 - noise))
        yield (
            f"{kind} n={trials} {'open' if is_open else 'settled'}: {len(all_kept)} cells, "
            f"mean {np.mean(all_kept):.3f}, {min(all_kept):.3f} to {max(all_kept):.3f}; "
            f"below 0.93: {few}, by more than chance: {surely}"
        )
    yield f"{kind}: {len(quantiles)} intervals of quantiles, mean {np.mean(quantiles):.3f}"
    yield f"{time.perf_counter() - begun:.0f} s"


if __name__ == "__main__":
    given = dict(enumerate(sys.argv[1:]))
    wanted = given.get(0, "all")
    for one in KINDS if wanted == "all" else (wanted,):
        picked = tuple(int(it) for it in given[3].split(",")) if 3 in given else TRIALS
        for line in main(one, int(given.get(1, 200)), int(given.get(2, 1)), picked, int(given.get(4, 1))):
            print(line, flush=True)
