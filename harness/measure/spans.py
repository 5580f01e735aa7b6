"""Half-open times from one instant to another, and what they cover together. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence

from harness.core.instants import Bounds

Span = tuple[int, int]
"""Begin and end in ns; the end is not part of it."""


def joined(spans: Iterable[Bounds]) -> list[Span]:
    """The times that at least one of the spans covers, in order, none touching the next."""
    found: list[Span] = []
    for it in sorted(spans):
        if found and it.lo <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], it.hi))
        else:
            found.append((it.lo, it.hi))
    return found


def is_free(span: Span, gaps: Sequence[Span]) -> bool:
    """Whether none of ``gaps``, as ``joined`` gives them, lies in it."""
    behind = bisect_right(gaps, span[0], key=lambda it: it[1])
    return behind == len(gaps) or gaps[behind][0] >= span[1]


def length_without(parts: Iterable[Span], gaps: Sequence[Span]) -> int:
    """How long ``parts``, which do not overlap, are without what of ``gaps``, as ``joined`` gives them, is in them."""
    total = 0
    for begin, end in parts:
        total += end - begin
        for low, high in gaps[bisect_right(gaps, begin, key=lambda it: it[1]) :]:
            if low >= end:
                break
            total -= min(end, high) - max(begin, low)
    return total
