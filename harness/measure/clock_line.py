"""A foreign clock that was read many times: all straight lines that fit, so its offset and its drift in bounds. Pure.

Every reading says: at some instant of a time that we know, the clock stood somewhere between two values. The offset is
what it reads less the true instant, in ns, positive where it is ahead; it is taken to be a straight line, which a clock
is that nobody sets and that runs evenly. A clock that goes forward fits a reading [t1, t2] x [w1, w2] exactly where at
t1 it stood no later than w2, and at t2 no earlier than w1. So each reading gives one upper bound of the offset, at t1,
and one lower bound, at t2; a line fits where it lies below all upper and above all lower ones. Which lines do depends
on two convex hulls alone. All of it is reckoned in integers and fractions: nothing is rounded but outwards, at the end.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Final

from harness.core.instants import FOREVER, Bounds, elapsed

RATE_MAX_DEFAULT: Final = Fraction(1, 1_000)
"""No clock that somebody still keeps drifts by more than 1,000 ppm, which is 86.4 s a day: common practice, no source.
Without some such limit a clock that was set between two readings could as well have run away."""

_Point = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockReading:
    """The clock was read at an instant within ``at``, and stood within ``stood`` then. Both in ns.

    ``at.lo`` is -FOREVER where nobody knows how long before it was told it may have been read (and so with ``at.hi``).
    """

    at: Bounds
    stood: Bounds

    @property
    def offset(self) -> Bounds:
        """Its offset by this reading alone."""
        return elapsed(self.at, self.stood)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockLines:
    """Every line that fits: offset = a + rate * (t - ``origin``). ``rate`` is a pure number; 1 ppm is 1 / 1,000,000.

    ``low``, ``high``: (rate, least a) and (rate, greatest a) of the corners of the set of lines, by rate; () where
    nothing bounds that side. ``rate``: least and greatest; each of ``is_bounded`` says whether the readings bound that
    end, and not merely what a clock's drift may be at most.
    """

    origin: int
    rate: tuple[Fraction, Fraction]
    is_bounded: tuple[bool, bool]
    low: tuple[tuple[Fraction, Fraction], ...]
    high: tuple[tuple[Fraction, Fraction], ...]

    def offset_at(self, instant: int) -> Bounds:
        """The offsets at an instant by all of the lines, rounded outwards; an end that nothing bounds is open."""
        since = instant - self.origin
        lo, hi = -FOREVER, FOREVER
        if self.low:
            lo = _floor(min(a + rate * since for rate, a in self.low))
        if self.high:
            hi = -_floor(-max(a + rate * since for rate, a in self.high))
        return Bounds(max(lo, -FOREVER), min(hi, FOREVER))


def lines_through(readings: Iterable[ClockReading], rate_max: Fraction = RATE_MAX_DEFAULT) -> ClockLines | None:
    """All lines that fit every reading and drift by ``rate_max`` at most; None where there is none.

    ValueError where there are no readings, or where ``rate_max`` is not between 0 and 1: a clock goes forward.
    """
    if not 0 <= rate_max < 1:
        raise ValueError(f"rate_max={rate_max}: expected 0 or more, and less than 1")
    all_of_them = list(readings)
    if not all_of_them:
        raise ValueError("lines_through: expected at least one reading")
    origin = min((it.at.hi for it in all_of_them if not it.at.is_open_above), default=0)
    above = [(it.at.lo - origin, it.stood.hi - it.at.lo) for it in all_of_them if not it.at.is_open_below]
    below = [(it.at.hi - origin, it.stood.lo - it.at.hi) for it in all_of_them if not it.at.is_open_above]
    ceiling = _Envelope(_hull(above), sign=1)
    floor = _Envelope([(t, -value) for t, value in _hull([(t, -value) for t, value in below])], sign=-1)
    rates = sorted({-rate_max, rate_max, *ceiling.turns(rate_max), *floor.turns(rate_max)})
    found = _feasible(rates, ceiling, floor)
    if found is None:
        return None
    least, greatest = found
    corners = [least, *(it for it in rates if least < it < greatest), greatest]
    return ClockLines(
        origin=origin,
        rate=found,
        is_bounded=(least > -rate_max, greatest < rate_max),
        low=tuple((rate, floor.at(rate)) for rate in corners) if below else (),
        high=tuple((rate, ceiling.at(rate)) for rate in corners) if above else (),
    )


def _feasible(rates: Sequence[Fraction], ceiling: _Envelope, floor: _Envelope) -> tuple[Fraction, Fraction] | None:
    """The least and the greatest rate at which the floor is not above the ceiling.

    Their distance is concave, and straight between the rates at which one of the two turns, so it has its greatest
    value at one of these, and its zeros follow from its values beside them.
    """
    if not (ceiling.points and floor.points):
        return rates[0], rates[-1]
    room = [ceiling.at(rate) - floor.at(rate) for rate in rates]
    fits = [number for number, it in enumerate(room) if it >= 0]
    if not fits:
        return None
    first, last = fits[0], fits[-1]
    least = rates[first] if first == 0 else _zero(rates, room, first - 1, first)
    greatest = rates[last] if last == len(rates) - 1 else _zero(rates, room, last, last + 1)
    return least, greatest


def _zero(rates: Sequence[Fraction], room: Sequence[Fraction], one: int, other: int) -> Fraction:
    return rates[one] + (rates[other] - rates[one]) * room[one] / (room[one] - room[other])


class _Envelope:
    """Of the points that bound the offset from one side: the farthest that a line of some rate may be moved there.

    ``points``: the lower hull of upper bounds (``sign`` 1), or the upper hull of lower bounds (-1), by time.
    """

    def __init__(self, points: Sequence[_Point], *, sign: int) -> None:
        self.points = points
        self._sign = sign
        self._slopes = [sign * Fraction(v1 - v0, t1 - t0) for (t0, v0), (t1, v1) in pairwise(points)]

    def turns(self, rate_max: Fraction) -> Iterable[Fraction]:
        """The rates at which another point holds the line, as far as they are possible."""
        return (self._sign * it for it in self._slopes if -rate_max < it < rate_max)

    def at(self, rate: Fraction) -> Fraction:
        """Where a line of this rate stands at the origin when it touches the hull."""
        t, value = self.points[bisect_left(self._slopes, self._sign * rate)]
        return value - rate * t


def _hull(points: Iterable[_Point]) -> list[_Point]:
    """The lower hull of points, by time: Andrew's monotone chain (Information Processing Letters 9 (1979) 216)."""
    hull: list[_Point] = []
    for t, value in sorted(points):
        if hull and hull[-1][0] == t:
            continue  # the lower one of the same time came first
        while len(hull) > 1:
            (t0, value0), (t1, value1) = hull[-2], hull[-1]
            if (value1 - value0) * (t - t0) < (value - value0) * (t1 - t0):
                break
            hull.pop()
        hull.append((t, value))
    return hull


def _floor(value: Fraction) -> int:
    return value.numerator // value.denominator
