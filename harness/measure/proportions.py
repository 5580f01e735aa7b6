"""What a count of misses (or of passes) among so many trials says of the true share: exact bounds, and trials needed.

Every bound names its side. "0 of 59" says below 4.95 % one-sided and below 6.06 % two-sided, both at 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from math import ceil, log
from typing import Final

from harness.measure.binomial import bracket, cumulative, exceeding, smallest

CONFIDENCE: Final = 0.95
TRIALS_MAX: Final = 10**9
"""Nobody raises more. Beyond it the question is taken to be a slip."""


@unique
class Side(StrEnum):
    """Which ends of an interval are bounded at the stated confidence: both together, each by itself, or one."""

    TWO_SIDED = "two-sided"
    EACH = "each one-sided"
    UPPER = "one-sided upper"
    LOWER = "one-sided lower"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareBounds:
    """The true share lies in [low, high] with at least this confidence; ``count`` of ``trials`` were seen."""

    count: int
    trials: int
    confidence: float
    side: Side
    low: float
    high: float

    @property
    def observed(self) -> float:
        """count / trials."""
        return self.count / self.trials


def clopper_pearson(
    count: int, trials: int, *, confidence: float = CONFIDENCE, side: Side = Side.TWO_SIDED
) -> ShareBounds:
    """The exact bounds of Clopper and Pearson, rounded outwards.

    high: the share at which P(X <= count) = alpha; low: that at which P(X >= count) = alpha; alpha is 1 - confidence,
    halved for two sides together. The true coverage is never below the stated one, and mostly above: counts are whole
    numbers.
    Source: Clopper, Pearson, *Biometrika* 26 (1934) 404; NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2.
    Raises ValueError where the numbers are not those of a count.
    """
    if trials < 1 or not 0 <= count <= trials:
        raise ValueError(f"count={count}, trials={trials}: expected at least one trial, and a count among them")
    tail = (1.0 - _checked(confidence, "confidence")) / (2 if side is Side.TWO_SIDED else 1)
    low, high = 0.0, 1.0
    if side is not Side.UPPER and count > 0:
        low = bracket(lambda share: exceeding(count, trials, share) > tail)[0]
    if side is not Side.LOWER and count < trials:
        high = bracket(lambda share: cumulative(count, trials, share) < tail)[1]
    return ShareBounds(count=count, trials=trials, confidence=confidence, side=side, low=low, high=high)


def success_run(share: float, *, confidence: float = CONFIDENCE) -> int:
    """How many passes without a miss show that at least ``share`` pass: ceil(ln(1 - confidence) / ln(share)).

    This is the classical form: ``share`` is the lower bound of Clopper and Pearson after so many passes. Not used is
    the Bayesian form with a uniform prior, share^(n + 1) = 1 - confidence, which asks for one less (28 for 95 %/90 %).
    """
    wanted = log(1.0 - _checked(confidence, "confidence")) / log(_checked(share, "share"))
    return max(1, ceil(wanted * (1.0 - 1e-12)))


def trials_needed(share: float, *, misses_allowed: int = 0, confidence: float = CONFIDENCE) -> int:
    """The least trials of which ``misses_allowed`` may miss and still show that at least ``share`` pass.

    The smallest n with P(X <= misses_allowed; n, 1 - share) <= 1 - confidence. Raises OverflowError beyond TRIALS_MAX.
    """
    if misses_allowed < 0:
        raise ValueError(f"misses_allowed={misses_allowed}: expected 0 or more")
    if misses_allowed == 0:
        return success_run(share, confidence=confidence)
    miss, tail = 1.0 - _checked(share, "share"), 1.0 - _checked(confidence, "confidence")
    return smallest(lambda n: n > misses_allowed and cumulative(misses_allowed, n, miss) <= tail, TRIALS_MAX)


def _checked(value: float, name: str) -> float:
    if not 0.0 < value < 1.0:
        raise ValueError(
            f"{name}={value}: expected a share between 0 and 1, neither of them included; write 0.95 for 95 %"
        )
    return value
