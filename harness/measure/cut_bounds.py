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
        """``values``: the candidates, ascending; ``chances``: how likely each makes each trial, of shape (trials,
        candidates); ``share``: neither 0 nor 1.
        """
        self._values, self._chances, self._share = values.tolist(), chances, share
        self._reached: list[float] = []
        self._factors: list[Floats] = []
        self._up_to: list[Floats] = []
        self._from: list[Floats] = []
        self._moved: list[tuple[list[int], list[float]]] = []

    def learn(self, values: Times, masses: Floats, columns: Floats) -> None:
        """From ``masses`` at ``values``, which ascend; ``columns``: how likely each of these makes each trial."""
        held = np.cumsum(columns * masses, axis=1)
        whole = held[:, -1]
        scores = (1.0 / whole) @ self._chances
        self._reached.append(float(np.log(whole).sum()) - len(whole))
        self._factors.append(1.0 / whole)
        self._up_to.append(np.maximum.accumulate(scores))
        self._from.append(np.append(np.maximum.accumulate(scores[::-1])[::-1], -np.inf))
        sums = np.cumsum(masses)[:-1]
        below, above = self._share / sums, (1.0 - self._share) / np.maximum(1.0 - sums, 1e-300)
        moved = np.maximum(below * held[:, :-1] + above * (whole[:, None] - held[:, :-1]), 1e-300)
        self._moved.append((values.tolist(), np.log(moved).sum(axis=0).tolist()))

    def at(self, cut: int, sides: Floats) -> tuple[float, float]:
        """The lower and the upper bound. ``sides``: how likely the cut makes each trial, and the next time after it, of
        shape (trials, 2): both are candidates there.
        """
        high = np.inf
        number = bisect_right(self._values, cut)
        scores = np.array(self._factors) @ sides
        for reached, (here, next_one), up_to, beyond in zip(
            self._reached, scores.tolist(), self._up_to, self._from, strict=True
        ):
            left = max(up_to[number - 1], here) if number else here
            right = max(beyond[number], next_one)
            high = min(high, reached + self._share * left + (1.0 - self._share) * right)
        low = max((self._of_moved(cut, values, logs) for values, logs in self._moved), default=-np.inf)
        return low - _ROUNDING, float(high) + _ROUNDING

    @staticmethod
    def _of_moved(cut: int, values: list[int], logs: list[float]) -> float:
        """Of the masses up to the cut made ``share`` in all, and those beyond it the rest; both have to have some."""
        number = bisect_right(values, cut) - 1
        return logs[number] if 0 <= number < len(logs) else -np.inf
