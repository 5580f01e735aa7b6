"""Shares and periods in words, rounded so that none is told as better than it was proven."""

from __future__ import annotations

from math import ceil, floor
from typing import Final

from harness.core.durations import decimal
from harness.core.instants import NS_PER_MS, NS_PER_S

_DIGITS: Final = 4
"""Of a share in per cent, behind the point: so that 99.9999 % is never told as 100 %."""


def percent(value: float, *, up: bool | None = None) -> str:
    """A share in per cent: up and down are told with two figures more than matter, and rounded that way."""
    if up is None:
        text = f"{value * 100:.6g}"
        return f"{value * 100:.15g} %" if text == "100" and value < 1.0 else f"{text} %"
    scaled = value * 100.0 * 10**_DIGITS
    whole = ceil(scaled - 1e-6) if up else floor(scaled + 1e-6)
    digits = _DIGITS if value < 0.001 or value > 0.999 else 1
    step = 10 ** (_DIGITS - digits)
    whole = -(-whole // step) if up else whole // step
    return f"{whole / 10**digits:.{digits}f}".rstrip("0").rstrip(".") + " %"


def down(ns: int) -> str:
    """A period rounded down: a longer one is not proven."""
    unit, name = (NS_PER_MS, "ms") if ns < NS_PER_S else (NS_PER_S, "s")
    return f"{decimal(ns, unit, 0 if ns >= 10 * NS_PER_MS and unit == NS_PER_MS else 2, up=False)} {name}"


def pair(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"
