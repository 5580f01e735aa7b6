"""By how much two runs differ, and whether they are shown not to differ by more than that is worth. Pure.

Moved by a time, one run either could be the other or could not: the times by which it could are bounds of the
difference, at the confidence of the test (that of ``comparing`` turned round; Hollander, Wolfe, *Nonparametric
Statistical Methods*, 4.3, for times that are known). It speaks of a change that moves all times alike, so equality is
claimed only where nothing speaks for another one: not the test as the runs are, not what the times add up to, and no
trial that lies further off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, NS_PER_MS, Bounds
from harness.measure.comparing import Score, compare
from harness.measure.dealing import compare_ends, deal_out
from harness.measure.interval_censored import Times, as_arrays

STEP_NS: Final = 5 * NS_PER_MS
"""Bounds of a difference are sought so closely, and given outwards."""


def is_equal(
    before: Sequence[Bounds],
    after: Sequence[Bounds],
    worth_ns: int,
    *,
    error: float,
    rng: np.random.Generator,
    by_ends: bool = False,
) -> bool:
    """Whether no change worth more than ``worth_ns`` is shown. ``by_ends``: by the ends of the brackets, which holds
    however the runs were read; else both were read alike.

    Moved by it either way, the second run differs from the first (at ``error``, two-sided), by ranks and by what its
    times add up to, and no trial of either run lies further than it from all trials of the other. Ranks alone would be
    outvoted: of times of 0.1 s or 1.1 s a fifth may come a second later, and all others tell a move by a tenth of that.
    That the runs do not differ as they are is for the caller to see.
    """
    if lies_off(before, after, worth_ns) or lies_off(after, before, worth_ns):
        return False
    earlier, later = (
        _later(before, _moved(after, by_ns), error, rng, by_ends=by_ends) for by_ns in (-worth_ns, worth_ns)
    )
    return earlier < 0 < later and _adds_up_to_no_more(before, after, worth_ns, error, rng, by_ends=by_ends)


def _adds_up_to_no_more(
    before: Sequence[Bounds],
    after: Sequence[Bounds],
    worth_ns: int,
    error: float,
    rng: np.random.Generator,
    *,
    by_ends: bool,
) -> bool:
    """The same of the sums of the times, by all ways to deal them out: ``by_ends`` at the ends that speak least for it,
    else at either end. False where one of them is not bounded.
    """
    if any(it.is_open_above or it.is_open_below for it in (*before, *after)):
        return False
    (lo, hi), (other_lo, other_hi) = as_arrays(before), as_arrays(after)
    # Ends of the first and the second run: the second is to be the earlier one, moved back, and then the later one.
    back = [(lo, other_hi)] if by_ends else [(lo, other_lo), (hi, other_hi)]
    forth = [(hi, other_lo)] if by_ends else back
    return all(_sum_differs(one, other - worth_ns, error, rng) < 0 for one, other in back) and all(
        _sum_differs(one, other + worth_ns, error, rng) > 0 for one, other in forth
    )


def _sum_differs(first: Times, second: Times, error: float, rng: np.random.Generator) -> int:
    """1 where the second run is significantly later, -1 where it is earlier, else 0."""
    times = np.concatenate((first, second)).astype(np.float64)
    dealt = deal_out(-times, len(first), rng)
    return 0 if dealt.chance > error else dealt.later


def lies_off(times: Sequence[Bounds], others: Sequence[Bounds], by_ns: int) -> bool:
    """Whether any of ``times`` is for certain further than this from every one of ``others``."""
    first, last = min(it.lo for it in others), max(it.hi for it in others)
    return any(it.lo > last + by_ns or it.hi < first - by_ns for it in times)


def shift_bounds(
    before: Sequence[Bounds],
    after: Sequence[Bounds],
    *,
    error: float,
    rng: np.random.Generator,
    by_ends: bool = False,
) -> Bounds | None:
    """The times by which ``after``, moved back, could be ``before``: bounds of the difference at 1 - ``error``.

    None where so few trials bound nothing, or one of them is not bounded.
    """
    if any(it.is_open_above or it.is_open_below for it in (*before, *after)):
        return None
    apart_ns = max(it.hi for it in (*before, *after)) - min(it.lo for it in (*before, *after)) + 1

    def is_later(by_ns: int) -> bool:
        return _later(before, _moved(after, -by_ns), error, rng, by_ends=by_ends) > 0

    def is_earlier(by_ns: int) -> bool:
        return _later(before, _moved(after, -by_ns), error, rng, by_ends=by_ends) < 0

    if not is_later(-apart_ns) or not is_earlier(apart_ns):
        return None
    low, high = _edge(is_later, -apart_ns, apart_ns), _edge(is_earlier, apart_ns, -apart_ns)
    return Bounds(min(low, high), max(low, high))


def _later(
    first: Sequence[Bounds], second: Sequence[Bounds], error: float, rng: np.random.Generator, *, by_ends: bool
) -> int:
    """1 where the second is significantly later, -1 where it is earlier, else 0."""
    if by_ends:
        dealt = compare_ends(first, second)
        return 0 if dealt.chance > error else dealt.later
    found = compare(first, second, score=Score.WILCOXON, rng=rng)
    return 0 if found.chance > error else 1 if found.z > 0.0 else -1


def _edge(holds: Callable[[int], bool], inside: int, outside: int) -> int:
    """A time at which ``holds`` is True, within a step of one at which it is not; it is at ``inside``."""
    while abs(outside - inside) > STEP_NS:
        middle = (inside + outside) // 2
        if holds(middle):
            inside = middle
        else:
            outside = middle
    return inside


def _moved(times: Sequence[Bounds], by_ns: int) -> list[Bounds]:
    return [Bounds(it.lo + by_ns, FOREVER if it.is_open_above else it.hi + by_ns) for it in times]
