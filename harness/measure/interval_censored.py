"""The distribution of a time that is only known to lie between two instants: never a midpoint in it. Pure.

A poll brackets an onset, so a latency is known as an interval. Of all distributions the one is sought that makes the
observed intervals most likely (the non-parametric maximum likelihood estimate, NPMLE). It holds mass only in the
innermost intervals, and says nothing of how the mass lies within one: shares and quantiles are therefore bounds too.
Source: Turnbull, *J. R. Statist. Soc. B* 38 (1976) 290; Peto, *Applied Statistics* 22 (1973) 86.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.core.instants import FOREVER, Bounds
from harness.measure.mixture import GAP_MAX, Floats, Indices, Spans, most_likely

Times = NDArray[np.int64]

_ROUNDING = 1e-6
"""Sums of masses are compared with this slack, so that 0.3 + 0.2 reaches 0.5."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mass:
    """So large a share of the times lies somewhere in these bounds; open above: longer than anything that was seen."""

    within: Bounds
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """The most likely distribution of ``trials`` times. ``masses`` ascend, do not overlap, and add up to 1.

    ``gap``: no other distribution has a log-likelihood larger by more than this (``mixture.most_likely``).
    """

    masses: tuple[Mass, ...]
    trials: int
    log_likelihood: float
    gap: float

    def at_most(self, time_ns: int) -> tuple[float, float]:
        """The least and the greatest share of times that are at most ``time_ns`` in this distribution."""
        surely = sum(mass.share for mass in self.masses if mass.within.hi <= time_ns)
        possibly = sum(mass.share for mass in self.masses if mass.within.lo <= time_ns)
        return min(surely, 1.0), min(possibly, 1.0)

    def quantile(self, share: float) -> Bounds:
        """Where the time lies that ``share`` of all do not exceed; open above where too few were seen to end.

        If the masses add up to exactly ``share`` at the end of one of them, every time up to the next mass will do.
        """
        if not 0.0 < share < 1.0:
            raise ValueError(f"share={share}: expected one between 0 and 1, neither included")
        total, low = 0.0, None
        for mass in self.masses:
            total += mass.share
            if low is None and total >= share - _ROUNDING:
                low = mass.within.lo
            if low is not None and total > share + _ROUNDING:
                return Bounds(low, mass.within.hi)
        return Bounds(self.masses[-1].within.lo if low is None else low, self.masses[-1].within.hi)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reduced:
    """Intervals as spans over the innermost intervals, equal ones put together with a weight."""

    spans: Spans
    weights: Floats
    within_lo: Times
    within_hi: Times


def estimate_of(lo: Times, hi: Times, *, counts: Times | None = None) -> Distribution:
    """The non-parametric maximum likelihood estimate of lower and upper ends, each so often.

    ArithmeticError where the maximum could not be certified to ``mixture.GAP_MAX``.
    """
    reduced = reduce(lo, hi, counts=counts)
    fit = most_likely(reduced.spans, reduced.weights)
    assert fit is not None, "an innermost interval lies in every interval"  # noqa: S101 - a proof, not a check of input
    if fit.gap > GAP_MAX:
        raise ArithmeticError(f"gap={fit.gap:g} in log-likelihood, expected at most {GAP_MAX:g}: not certified")
    lows, highs = reduced.within_lo[fit.support].tolist(), reduced.within_hi[fit.support].tolist()
    masses = tuple(
        Mass(within=Bounds(low, high), share=share)
        for low, high, share in zip(lows, highs, fit.masses.tolist(), strict=True)
    )
    return Distribution(
        masses=masses,
        trials=len(lo) if counts is None else int(counts.sum()),
        log_likelihood=fit.log_likelihood,
        gap=fit.gap,
    )


def as_arrays(times: Sequence[Bounds]) -> tuple[Times, Times]:
    """Lower and upper ends."""
    if not times:
        raise ValueError("times is empty: expected at least one; a distribution of nothing does not exist")
    lo, hi = np.array([it.lo for it in times], dtype=np.int64), np.array([it.hi for it in times], dtype=np.int64)
    return lo, np.minimum(hi, FOREVER)


def reduce(lo: Times, hi: Times, cut: int | None = None, *, counts: Times | None = None) -> Reduced:
    """To innermost intervals: a lower end and an upper one with no other end between them. ``counts``: how often each.

    With a ``cut``, no innermost interval reaches across it ("at most cut" and "more than cut" become two sets).
    """
    if cut is None:
        within_lo, within_hi = _innermost(lo, hi)
    else:
        left, right = lo <= cut, hi > cut
        lows, highs = _innermost(lo[left], np.minimum(hi[left], cut))
        more_lows, more_highs = _innermost(np.maximum(lo[right], cut + 1), hi[right])
        within_lo, within_hi = np.concatenate((lows, more_lows)), np.concatenate((highs, more_highs))
    first = np.searchsorted(within_lo, lo, side="left")
    last = np.searchsorted(within_hi, hi, side="right") - 1
    size = len(within_lo)
    pairs, at = np.unique(first * (size + 1) + last, return_inverse=True)  # one number is sorted sooner than two
    weights = np.bincount(at, counts, len(pairs))
    spans = Spans(
        first=(pairs // (size + 1)).astype(np.intp), last=(pairs % (size + 1)).astype(np.intp), candidates=size
    )
    return Reduced(spans=spans, weights=weights.astype(np.float64), within_lo=within_lo, within_hi=within_hi)


def _innermost(lo: Times, hi: Times) -> tuple[Times, Times]:
    """A lower end sorts before an equal upper one: closed intervals that touch have that instant in common."""
    lo, hi = np.unique(lo), np.unique(hi)
    ends = np.concatenate((lo, hi))
    upper = np.concatenate((np.zeros(len(lo), dtype=np.bool_), np.ones(len(hi), dtype=np.bool_)))
    order = np.lexsort((upper, ends))
    ends, upper = ends[order], upper[order]
    at: Indices = np.flatnonzero(~upper[:-1] & upper[1:])
    return ends[at], ends[at + 1]
