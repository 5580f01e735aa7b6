"""Confidence bounds of shares and quantiles of times that are only bracketed, by likelihood ratios. Pure, numpy.

"A share s is at most x" is kept in the interval unless some distribution is likelier, by more than a critical value
allows, than every one that has exactly this share: 2 (max log L - max log L given F(x) = s) <= c. Nothing has to be
estimated of how times spread within a bracket, and where the data do not settle the share (several are equally likely)
the interval holds all of them.

The critical value is looked for where it is needed: trials are drawn again from the likeliest distribution that puts
the share there, polled as these were, and it is what their ratio exceeds once in 25. No one value would do:
where times spread smoothly within wide brackets it is about 2.3 (the limit of Banerjee, Wellner, *Annals of Statistics*
29 (2001) 1699, a quantile from memory), where all is settled 3.84 (chi-square: Thomas, Grunkemeier, *JASA* 70 (1975)
865), and where times are alike to much less than a bracket is wide, up to 6. Where nothing is bracketed at all it is
counted out exactly (``critical``). ``python -m tests.bench.bench_coverage`` measures what all of it covers. ``band``
needs no such value, holds always, and is wider. Visible times of which the onset is bracketed too are mostly settled
less than the drawing supposes: their bounds cover more than they say (up to always, where one fixed period leaves a
share open).

The bounds are pointwise: each holds at its confidence, not all of a curve together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import log1p
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.critical import chi_square, critical
from harness.measure.evidence import BracketedTimes, Evidence, VisibleTimes
from harness.measure.lockstep import Stack, ratio_of_rank
from harness.measure.proportions import CONFIDENCE

__all__ = [
    "BracketedTimes",
    "Evidence",
    "VisibleTimes",
    "is_kept",
    "likely_quantile",
    "quantile",
]

SAME: Final = 1e-4
"""A ratio statistic up to this counts as equally likely: the fits are certified to 4e-6."""
DRAWN: Final = 49
"""Sets of trials that are drawn."""
RANK: Final = 2
"""So many of their ratios reach the critical value: 2/50, and not 0.05, to err to wide. With 3 single cells of the
benchmark go down to 0.91, with 2 to 0.93."""
DRAWN_TRIALS: Final = 40
"""No more in each. With more trials the value is nearer to that of a smooth spread, which is the smaller one."""
SURELY_KEPT: Final = 0.5
SURELY_OUT: Final = 2.0
"""In values of chi-square: below the one and above the other nothing is drawn, and no scale goes beyond them."""
FEW: Final = 4.0
"""n s (1 - s) of the settled trials. With fewer the drawing has too little to go by, and the value is at least that of
chi-square with two degrees of freedom: nothing is known of how much lies up to the cut, nor of where the rest does."""
_SEED: Final = 20_011
_HALVINGS: Final = 6
"""Of the time between two bends, to find a bound in between."""


def is_kept(evidence: Evidence, time_ns: int, share: float, *, confidence: float = CONFIDENCE) -> bool:
    """True where the evidence does not exclude that exactly ``share`` of the times are at most ``time_ns``.

    ``quantile`` finds the ends of what this keeps, with one critical value for both; by it coverage is measured.
    """
    limit = chi_square(confidence)
    if not evidence.straddling(time_ns):
        return _reaches(evidence, time_ns, share, critical(evidence.trials, share, confidence))
    if _reaches(evidence, time_ns, share, SURELY_KEPT * limit):
        return True
    if not _reaches(evidence, time_ns, share, SURELY_OUT * limit):
        return False
    return _reaches(evidence, time_ns, share, _drawn_limit(evidence, [(time_ns, share)], confidence))


def quantile(evidence: Evidence, share: float, *, confidence: float = CONFIDENCE) -> Bounds:
    """Where the time lies that ``share`` of all do not exceed, two-sided; an end is open where nothing bounds it.

    A time t is left out if at most t are certainly fewer than ``share``, or less than t certainly more. Of latencies
    nothing changes between two ends of brackets, so the interval goes from one end to another.
    """
    limit = critical(evidence.trials, share, confidence)
    bounds = _within(evidence, share, limit)
    cuts = [it for it in (bounds.lo - 1, bounds.hi) if abs(it) < FOREVER - 1 and evidence.straddling(it)]
    return (
        _within(evidence, share, _drawn_limit(evidence, [(it, share) for it in cuts], confidence)) if cuts else bounds
    )


def likely_quantile(evidence: Evidence, share: float) -> Bounds:
    """Where that time most likely lies: all that are equally likely."""
    return _within(evidence, share, SAME)


def _reaches(evidence: Evidence, cut: int, share: float, limit: float) -> bool:
    wanted = evidence.best - max(limit, SAME) / 2.0
    return evidence.given(cut, share, wanted) >= wanted


def _within(evidence: Evidence, share: float, limit: float) -> Bounds:
    ends = evidence.ends.tolist()
    reached = _first(0, len(ends), lambda at: evidence.shares(ends[at])[1] >= share - SAME)
    first = _first(0, reached, lambda at: _reaches(evidence, ends[at], share, limit))
    past = _first(reached, len(ends), lambda at: not _reaches(evidence, ends[at], share, limit))
    below = first == 0 and _reaches(evidence, ends[0] - 1, share, limit)
    low = ends[min(first, len(ends) - 1)]
    if isinstance(evidence, VisibleTimes) and first:
        low = _after_excluded(evidence, (ends[first - 1], low), share, limit)
    return Bounds(-FOREVER if below else low, ends[past] if past < len(ends) else FOREVER)


def _after_excluded(evidence: Evidence, between: tuple[int, int], share: float, limit: float) -> int:
    """The first time after those that are excluded, rounded outwards: a visible time of which both ends are bracketed
    gets likelier from one bend of its likelihood to the next.
    """
    out, kept = between
    for _ in range(_HALVINGS):
        middle = (out + kept) // 2
        if out < middle:
            out, kept = (out, middle) if _reaches(evidence, middle, share, limit) else (middle, kept)
    return out + 1


def _drawn_limit(evidence: Evidence, at: Sequence[tuple[int, float]], confidence: float) -> float:
    """The critical value over all these cuts and shares together."""
    rng = np.random.default_rng(_SEED)
    limit, usual = chi_square(confidence), chi_square(CONFIDENCE)
    trials = min(evidence.trials, DRAWN_TRIALS)
    stacks = [
        evidence.redrawn(cut, share, (len(range(number, DRAWN, len(at))), trials), rng) if 0.0 < share < 1.0 else None
        for number, (cut, share) in enumerate(at)
    ]
    drawn = [it for it in stacks if it is not None]
    scale = 1.0
    if len(drawn) == len(stacks):
        scale = ratio_of_rank(Stack.of(drawn), RANK, SURELY_KEPT * usual, SURELY_OUT * usual) / usual
    are_few = evidence.is_sharp and any(
        (evidence.trials - evidence.straddling(cut)) * it * (1.0 - it) < FEW for cut, it in at
    )
    floor = -2.0 * log1p(-confidence) if are_few else 0.0
    return max(floor, limit * scale)


def _first(low: int, high: int, holds: Callable[[int], bool]) -> int:
    """The first number from ``low`` for which it holds, once and for all; ``high`` if none below it."""
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low
