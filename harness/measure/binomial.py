"""Binomial probabilities, exact to the last digits of a float. Pure, standard library only.

SciPy has all of this and does it right, and is the oracle of the tests. It is not used here: it is larger than all that
farend installs, bounds of shares stand in every report, and what checks a number should not also have made it.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, lgamma, log
from typing import Final

TERMS_MAX: Final = 100_000
"""Of the continued fraction. It needs about the square root of the number of trials."""
_TINY: Final = 1e-300


def cumulative(count: int, trials: int, share: float) -> float:
    """P(X <= count) for X binomial(trials, share): the incomplete beta function I(1 - share; n - count, count + 1).

    Source: DLMF 8.17.5.
    """
    if count < 0:
        return 0.0
    if count >= trials:
        return 1.0
    return incomplete_beta(1.0 - share, share, trials - count, count + 1)


def exceeding(count: int, trials: int, share: float) -> float:
    """P(X >= count), computed by itself and not as 1 - P(X < count), so that small ones keep their digits."""
    if count <= 0:
        return 1.0
    if count > trials:
        return 0.0
    return incomplete_beta(share, 1.0 - share, count, trials - count + 1)


def incomplete_beta(x: float, rest: float, a: float, b: float) -> float:
    """The regularized incomplete beta function I(x; a, b), with ``rest`` = 1 - x given apart to keep its digits.

    Source: the continued fraction DLMF 8.17.22, by the method of Lentz, on the side of the mean where it is quick.
    """
    if x <= 0.0:
        return 0.0
    if rest <= 0.0:
        return 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(rest))
    if x < (a + 1.0) / (a + b + 2.0):
        return min(1.0, front * _fraction(x, a, b) / a)
    return max(0.0, 1.0 - front * _fraction(rest, b, a) / b)


def _fraction(x: float, a: float, b: float) -> float:
    upper, lower = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    value = lower
    for m in range(1, TERMS_MAX):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        lower, upper = 1.0 / _not_zero(1.0 + even * lower), _not_zero(1.0 + even / upper)
        value *= lower * upper
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        lower, upper = 1.0 / _not_zero(1.0 + odd * lower), _not_zero(1.0 + odd / upper)
        step = lower * upper
        value *= step
        if abs(step - 1.0) < 1e-15:
            return value
    raise ArithmeticError(f"incomplete beta function: x={x}, a={a}, b={b} needs more than {TERMS_MAX} terms")


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def bracket(above: Callable[[float], bool], low: float = 0.0, high: float = 1.0) -> tuple[float, float]:
    """The two neighbouring floats between which ``above`` turns from False to True on [low, high].

    A caller who must not promise too much takes the one on the safe side.
    """
    while True:
        middle = low + (high - low) / 2
        if not low < middle < high:
            return low, high
        if above(middle):
            high = middle
        else:
            low = middle


def smallest(enough: Callable[[int], bool], limit: int) -> int:
    """The smallest whole number from 1 at which ``enough``, monotone, is True. OverflowError beyond ``limit``."""
    high = 1
    while not enough(high):
        if high > limit:
            raise OverflowError(f"more than {limit} would be needed")
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
