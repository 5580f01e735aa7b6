"""Times and chances of a budget in words. Exact numbers are rounded so that nothing looks more certain than it is."""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor
from typing import Final

from harness.core.durations import duration
from harness.core.instants import NS_PER_US, Bounds
from harness.measure.budget import Chance
from harness.measure.budget_steps import HELD, Need, Range

US_PER_S: Final = 1_000_000
DECIMALS: Final = 5


def seconds_words(it: Fraction) -> str:
    """To the microsecond, as ``1.185625 s``."""
    return duration(round(it * US_PER_S) * NS_PER_US)


def at_most_words(it: Fraction) -> str:
    """The same, rounded up: for what nothing may exceed, or has to reach."""
    return duration(ceil(it * US_PER_S) * NS_PER_US)


def range_words(it: Range) -> str:
    """``100 ms``, or both ends where they differ."""
    if it.least == it.most:
        return seconds_words(it.least)
    return f"{seconds_words(it.least)} to {seconds_words(it.most)}"


def span_words(declared: Bounds) -> str:
    """``150 ms``, ``0 s to 50 ms``."""
    return (
        duration(declared.lo) if declared.lo == declared.hi else f"{duration(declared.lo)} to {duration(declared.hi)}"
    )


def about_words(it: Fraction) -> str:
    """Three figures, rounded up, for a column: ``160 ms``, ``15.2 s``, ``2.5 min``."""
    for limit, unit, name in ((1, Fraction(1, 1000), "ms"), (600, Fraction(1), "s"), (36_000, Fraction(60), "min")):
        if it < limit:
            return f"{_figures(it / unit)} {name}"
    return f"{_figures(it / 3600)} h"


def _figures(value: Fraction) -> str:
    decimals = 0 if value >= 100 else 1 if value >= 10 else 2
    text = f"{float(Fraction(ceil(value * 10**decimals), 10**decimals)):.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def share_words(it: Fraction) -> str:
    """Five decimals: ``0.16869``. ``1`` and ``0`` only where it is just that."""
    if it in (0, 1):
        return str(it)
    rounded = f"{float(it):.{DECIMALS}f}"
    if float(rounded) in (0.0, 1.0):
        return "<0.00001" if float(rounded) == 0.0 else ">0.99999"
    return rounded.rstrip("0")


def chance_words(it: Chance) -> str:
    """``0.16869``; ``~0.16869`` where it moves with the ranges that are declared, and both ends where the usual case
    would tell as certain what is not.
    """
    if it.low == it.high:
        return share_words(it.usual)
    return span_of(it) if it.usual in (0, 1) else f"~{share_words(it.usual)}"


def span_of(it: Chance) -> str:
    """``0.045 to 0.054``, rounded outwards; one number where both ends are the same."""
    if it.low == it.high:
        return share_words(it.usual)
    return f"{_thousandth(it.low, up=False)} to {_thousandth(it.high, up=True)}"


def _thousandth(it: Fraction, *, up: bool) -> str:
    whole = ceil(it * 1000) if up else floor(it * 1000)
    return {0: "0", 1000: "1"}.get(whole, f"{whole / 1000:.3f}".rstrip("0"))


def need_words(need: Need | None) -> str:
    """From which length on it is seen for certain."""
    if need is None:
        return "never for certain"
    if need == Need():
        return "whatever its length"
    if need.length >= HELD:
        return "only what is held"
    return f"{'longer than' if need.longer else 'from'} {at_most_words(need.length)}"
