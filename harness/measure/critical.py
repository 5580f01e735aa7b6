"""How far a ratio of likelihoods of a count may lie from the best before a share is excluded. Pure, numpy.

Where every time is known to be at most x or above it, the ratio is that of a count, and its distribution is known: the
critical value is the least that the ratio exceeds with a chance of at most 1 - confidence, counted out over every
count there is. So such bounds never hold less often than they say, and those of no smaller value would.
"""

from __future__ import annotations

from functools import cache
from statistics import NormalDist
from typing import Final

import numpy as np

LARGE: Final = 400.0
"""From this n s (1 - s) on the value for a count is that of chi-square, within about a hundredth."""
_ROUNDING: Final = 1e-9


def chi_square(confidence: float) -> float:
    """The limit for many trials, with one degree of freedom. ValueError: a confidence that is none."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(
            f"confidence={confidence}: expected one between 0 and 1, neither included; write 0.95 for 95 %"
        )
    return NormalDist().inv_cdf((1.0 + confidence) / 2.0) ** 2


def critical(trials: int, share: float, confidence: float) -> float:
    """The larger of the value for a count and of chi-square, so that it does not go up and down with the share much."""
    limit = chi_square(confidence)
    return max(limit, of_count(trials, share, confidence)) if 0.0 < share < 1.0 else limit


@cache
def of_count(trials: int, share: float, confidence: float) -> float:
    """For a count among ``trials`` of which each has the chance ``share``; for many, that of chi-square."""
    if trials * share * (1.0 - share) >= LARGE:
        return chi_square(confidence)
    counts = np.arange(trials + 1, dtype=np.float64)
    rest = trials - counts
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = 2.0 * (
            np.where(counts > 0, counts * np.log(counts / (trials * share)), 0.0)
            + np.where(rest > 0, rest * np.log(rest / (trials * (1.0 - share))), 0.0)
        )
    steps = np.concatenate(([0.0], np.cumsum(np.log(rest[:-1] / counts[1:]))))
    logs = steps + counts * np.log(share) + rest * np.log1p(-share)
    order = np.argsort(ratios, kind="stable")
    reached = np.cumsum(np.exp(logs)[order])
    at = int(np.searchsorted(reached, confidence * (1.0 - _ROUNDING)))
    return float(ratios[order][min(at, trials)]) + _ROUNDING
