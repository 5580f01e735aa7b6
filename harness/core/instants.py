"""Instants and closed intervals of them.

Every instant is an integer count of nanoseconds of one monotonic clock per run. Bounds are closed
intervals; "after a0" is stored as a0 + 1. ``FOREVER`` stands for "not bounded above" and
``-FOREVER`` for "not bounded below"; both are far from any clock reading and safe to add to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

NS_PER_US: Final = 1_000
NS_PER_MS: Final = 1_000_000
NS_PER_S: Final = 1_000_000_000

FOREVER: Final = 2**61
"""Not bounded. A sum of two of these still fits into a signed 64-bit integer."""

Clock = Callable[[], int]
"""Returns the present instant in nanoseconds. Handed in everywhere; ``time.monotonic_ns`` in real runs."""


@dataclass(frozen=True, slots=True, order=True)
class Bounds:
    """A closed interval [lo, hi] of instants (or of durations) in nanoseconds that holds the true value."""

    lo: int
    hi: int

    def __post_init__(self) -> None:
        if self.lo > self.hi:
            raise ValueError(f"Bounds: lo={self.lo} is above hi={self.hi}: the evidence contradicts itself")

    @classmethod
    def exactly(cls, at: int) -> Bounds:
        """The instant ``at``, known exactly."""
        return cls(at, at)

    @property
    def width(self) -> int:
        """hi - lo in nanoseconds; at least FOREVER where an end is not bounded."""
        return self.hi - self.lo

    @property
    def is_open_above(self) -> bool:
        """True where no upper bound is known (still on, not yet gone)."""
        return self.hi >= FOREVER

    @property
    def is_open_below(self) -> bool:
        """True where no lower bound is known."""
        return self.lo <= -FOREVER

    def __contains__(self, instant: int) -> bool:
        return self.lo <= instant <= self.hi

    def shifted(self, by: int) -> Bounds:
        """The interval moved by ``by`` nanoseconds; open ends stay open."""
        lo = self.lo if self.is_open_below else self.lo + by
        hi = self.hi if self.is_open_above else self.hi + by
        return Bounds(lo, hi)

    def meet(self, other: Bounds) -> Bounds | None:
        """The common part, or None where there is none."""
        lo, hi = max(self.lo, other.lo), min(self.hi, other.hi)
        return Bounds(lo, hi) if lo <= hi else None

    def touches(self, other: Bounds) -> bool:
        """True where the two have an instant in common."""
        return self.lo <= other.hi and other.lo <= self.hi


def latest(first: Bounds, second: Bounds) -> Bounds:
    """Bounds of the later of two instants."""
    return Bounds(max(first.lo, second.lo), max(first.hi, second.hi))


def elapsed(start: Bounds, end: Bounds) -> Bounds:
    """Bounds of end - start, not cut at 0; open ends stay open."""
    lo = -FOREVER if end.is_open_below or start.is_open_above else end.lo - start.hi
    hi = FOREVER if end.is_open_above or start.is_open_below else end.hi - start.lo
    return Bounds(lo, hi)
