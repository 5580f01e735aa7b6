"""Whether the stimuli fell at random against the polls. Pure, standard library only.

What a poll sees of short pulses says something of other phases only if the phases were many. A stimulus that is started
by the same clock as the poll, or at a whole multiple of its period, meets the same phase each time, and 59 of 59
prove nothing. Three looks at the phases, each with its own weak side, together at the stated level (by Bonferroni):

- Rayleigh: one heap of phases. Approximation of the level: Zar, *Biostatistical Analysis*, 27.1 (from memory).
- Kuiper: any departure, also two heaps. Level: Stephens, *J. R. Statist. Soc. B* 32 (1970) 115 (from memory).
- The widest arc without a phase: a part of the period that was never met. Level exact: Fisher, *Proc. R. Soc. A* 125
  (1929) 54, for the largest of n random spacings.

The tests hold all three to simulated uniform phases. Phases that are spread more evenly than chance are no fault here.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum, unique
from fractions import Fraction
from math import comb, cos, exp, hypot, log1p, pi, sin, sqrt
from typing import Final

LEVEL: Final = 0.05
TRIALS_MIN: Final = 11
"""Phases of which not even half a period was met show it from here on: 11/2^10 is below a third of 0.05."""
_LOOKS: Final = 3
_TERMS: Final = 100
_EXACT_MAX: Final = 300
"""Phases: beyond it the exact sum takes longer than anybody waits."""


@unique
class Locking(StrEnum):
    """What the phases say."""

    LOCKED = "locked"
    NOT_SHOWN = "no sign of locking"
    TOO_FEW = "too few phases to tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseLock:
    """``chance``: that random phases are so uneven, over the three looks. ``widest_empty_arc``: in periods."""

    trials: int
    rayleigh: float
    kuiper: float
    empty_arc: float
    widest_empty_arc: float
    chance: float
    finding: Locking


def phases(raised_ns: Sequence[int], polls_ns: Sequence[int]) -> list[float]:
    """Where in its gap between two polls each raise lies, from 0 to below 1. ``polls_ns`` ascending.

    A raise before the first poll or from the last one on has no phase and is left out.
    """
    found = []
    for raised in raised_ns:
        at = bisect_right(polls_ns, raised)
        if 0 < at < len(polls_ns):
            before, after = polls_ns[at - 1], polls_ns[at]
            found.append((raised - before) / (after - before))
    return found


def phase_lock(met: Sequence[float], *, level: float = LEVEL) -> PhaseLock:
    """Judge phases in [0, 1): locked at a chance of at most ``level``, however few; else too few below TRIALS_MIN."""
    if not met or min(met) < 0.0 or max(met) >= 1.0:
        raise ValueError("phases: expected at least one, each from 0 to below 1")
    ordered = sorted(met)
    arc = max(later - earlier for earlier, later in zip(ordered, [*ordered[1:], ordered[0] + 1.0], strict=True))
    looks = (_rayleigh(ordered), _kuiper(ordered), empty_arc_chance(len(ordered), arc))
    chance = min(1.0, _LOOKS * min(looks))
    finding = Locking.NOT_SHOWN if len(met) >= TRIALS_MIN else Locking.TOO_FEW
    return PhaseLock(
        trials=len(met),
        rayleigh=looks[0],
        kuiper=looks[1],
        empty_arc=looks[2],
        widest_empty_arc=arc,
        chance=chance,
        finding=Locking.LOCKED if chance <= level else finding,
    )


def _rayleigh(met: Sequence[float]) -> float:
    n = len(met)
    length = hypot(sum(cos(2 * pi * it) for it in met), sum(sin(2 * pi * it) for it in met))
    return min(1.0, exp(sqrt(1 + 4 * n + 4 * max(0.0, n * n - length * length)) - (1 + 2 * n)))


def _kuiper(ordered: Sequence[float]) -> float:
    """sum over j of 2 (4 j^2 v^2 - 1) exp(-2 j^2 v^2), at v = V (sqrt(n) + 0.155 + 0.24/sqrt(n))."""
    n = len(ordered)
    above = max((at + 1) / n - it for at, it in enumerate(ordered))
    below = max(it - at / n for at, it in enumerate(ordered))
    v = (above + below) * (sqrt(n) + 0.155 + 0.24 / sqrt(n))
    if v < 0.4:  # the series has not begun to fall; the chance is 1 to seven digits
        return 1.0
    terms = (2 * (4 * j * j * v * v - 1) * exp(-2 * j * j * v * v) for j in range(1, _TERMS))
    return min(1.0, max(0.0, sum(terms)))


def empty_arc_chance(trials: int, arc: float) -> float:
    """The chance that ``trials`` random phases leave an arc of at least this open.

    sum over k of (-1)^(k + 1) C(n, k) (1 - k arc)^(n - 1), in rational numbers, since the terms are large and cancel.
    Of very many phases the first term alone, which is never less (Boole), and nearly all of a chance that is small.
    """
    if trials > _EXACT_MAX:
        return min(1.0, trials * exp((trials - 1) * log1p(-arc))) if 0.0 < arc < 1.0 else float(arc <= 0.0)
    width = Fraction(arc).limit_denominator(10**6)
    if width <= 0:
        return 1.0
    total = Fraction(0)
    for k in range(1, trials + 1):
        left = 1 - k * width
        if left <= 0:
            break
        total += (-1) ** (k + 1) * comb(trials, k) * left ** (trials - 1)
    return float(min(Fraction(1), max(Fraction(0), total))) if trials > 1 else 1.0
