"""What fits with a share at most at some cuts tell of the same share at any other cut. Pure, numpy.

The likelihood given that ``share`` of the times are at most x is sought for many x. Of any distribution that was found
on the way, the scores bound what another one can gain at every cut (the certificate of ``mixture``), and its masses,
made larger on one side of a cut and smaller on the other, are a distribution with that share there. Where these two
bounds decide what is asked, nothing is fitted.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from harness.measure.interval_censored import Times
from harness.measure.mixture import Floats

_ROUNDING = 1e-9
"""In log-likelihood: what sums of logarithms may be off."""


class CutBounds:
    """Bounds of the log-likelihood at a cut, of trials that each count once."""

    def __init__(self, values: Times, chances: Floats, share: float) -> None:
        """``values``: the candidates, ascending, between which no score bends down; ``chances``: of shape (trials,
        candidates); ``share``: neither 0 nor 1.
        """
        self._values, self._chances, self._share = values.tolist(), chances, share
        self._reached: list[float] = []
        self._scores: list[Floats] = []
        self._up_to: list[Floats] = []
        self._from: list[Floats] = []
        self._moved: list[tuple[list[int], list[float]]] = []

    def learn(self, values: Times, masses: Floats, columns: Floats) -> None:
        """From ``masses`` at ``values``, which ascend; ``columns``: how likely each of these makes each trial."""
        held = np.cumsum(columns * masses, axis=1)
        whole = held[:, -1]
        scores = (1.0 / whole) @ self._chances
        self._reached.append(float(np.log(whole).sum()) - len(whole))
        self._scores.append(scores)
        self._up_to.append(np.maximum.accumulate(scores))
        self._from.append(np.maximum.accumulate(scores[::-1])[::-1])
        sums = np.cumsum(masses)[:-1]
        below, above = self._share / sums, (1.0 - self._share) / np.maximum(1.0 - sums, 1e-300)
        moved = np.maximum(below * held[:, :-1] + above * (whole[:, None] - held[:, :-1]), 1e-300)
        self._moved.append((values.tolist(), np.log(moved).sum(axis=0).tolist()))

    def at(self, cut: int) -> tuple[float, float]:
        """The lower and the upper bound."""
        return self._low(cut), self._high(cut)

    def _low(self, cut: int) -> float:
        """The masses up to the cut made ``share`` in all, and those beyond it the rest; both have to have some."""
        found = -np.inf
        for values, logs in self._moved:
            number = bisect_right(values, cut) - 1
            if 0 <= number < len(logs):
                found = max(found, logs[number])
        return found - _ROUNDING

    def _high(self, cut: int) -> float:
        """Between two candidates a score bends upwards only, so that it lies below the line from one to the other."""
        at = bisect_right(self._values, cut) - 1
        following = min(at + 1, len(self._values) - 1)
        apart = max(self._values[following] - self._values[at], 1)
        here, there = ([scores[number] for scores in self._scores] for number in (at, following))
        found = np.inf
        for reached, one, other, up_to, beyond in zip(self._reached, here, there, self._up_to, self._from, strict=True):
            slope = (other - one) / apart
            left = max(up_to[at], one + slope * (cut - self._values[at]))
            right = max(beyond[following], one + slope * min(cut + 1 - self._values[at], apart))
            found = min(found, reached + self._share * left + (1.0 - self._share) * right)
        return float(found) + _ROUNDING
