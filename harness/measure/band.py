"""A band that holds a whole distribution of bracketed times at once. Pure.

The counts of trials that are surely at most x, and possibly, enclose the count that exact times would have given. That
count is, for all x together, within sqrt(ln(2/alpha)/(2n)) of the truth with a chance of at least 1 - alpha (Dvoretzky,
Kiefer, Wolfowitz with the constant of Massart, *Annals of Probability* 18 (1990) 1269). So the band holds for any
distribution, any brackets and any dependence of the brackets on the times: it never covers less than it says. It is
wider than bounds for one x (``likelihood_ratio``), which do not hold together.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

from harness.core.instants import FOREVER, Bounds
from harness.measure.proportions import CONFIDENCE


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """From ``from_ns`` to the next step the share of times that are at most so long lies in [low, high]."""

    from_ns: int
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Steps ascend; before the first the share is at most ``margin``."""

    steps: tuple[Step, ...]
    margin: float
    trials: int
    confidence: float

    def at_most(self, time_ns: int) -> tuple[float, float]:
        """Bounds of the share of times that are at most ``time_ns``; all of them hold together."""
        at = bisect_right(self.steps, time_ns, key=lambda step: step.from_ns)
        return (self.steps[at - 1].low, self.steps[at - 1].high) if at else (0.0, self.margin)

    def quantile(self, share: float) -> Bounds:
        """Where the time lies that ``share`` of all do not exceed; an end is open where the band does not bound it."""
        if not 0.0 < share < 1.0:
            raise ValueError(f"share={share}: expected one between 0 and 1, neither included")
        low = -FOREVER if self.margin >= share else next(it.from_ns for it in self.steps if it.high >= share)
        return Bounds(low, next((it.from_ns for it in self.steps if it.low >= share), FOREVER))


def band(times: Sequence[Bounds], *, confidence: float = CONFIDENCE) -> Band:
    """For latencies, or visible times as ``visible_time.bounds_of`` brackets them, unseen trials included."""
    if not times:
        raise ValueError("times is empty: expected at least one")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence={confidence}: expected one between 0 and 1; write 0.95 for 95 %")
    n = len(times)
    margin = min(1.0, sqrt(log(2.0 / (1.0 - confidence)) / (2.0 * n)))
    lows, highs = sorted(it.lo for it in times), sorted(it.hi for it in times)
    steps = tuple(
        Step(
            from_ns=at,
            low=max(0.0, bisect_right(highs, at) / n - margin),
            high=min(1.0, bisect_right(lows, at) / n + margin),
        )
        for at in sorted({*lows, *(it for it in highs if it < FOREVER)})
    )
    return Band(steps=steps, margin=margin, trials=n, confidence=confidence)
