"""What a poller that stalled would have measured had it kept to its schedule. Pure.

A poller that waits for a late answer does not send the polls that would have been late too (coordinated omission), so
one long stall counts as one late observation where it delayed many. farend records each overrun instead; this puts
measurements of others right that were taken at a known interval.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """How often each value was measured, or would have been; ascending."""

    values: tuple[tuple[int, int], ...]

    @property
    def total(self) -> int:
        """How many."""
        return sum(count for _, count in self.values)

    def percentile(self, percent: float) -> int:
        """The least value that so many percent of all do not exceed."""
        if not 0.0 <= percent <= 100.0:
            raise ValueError(f"percent={percent}: expected 0 to 100")
        reached, total = 0, self.total
        for value, count in self.values:
            reached += count
            if reached * 100 >= percent * total:
                return value
        raise ValueError("percentile of no value at all")


def with_omitted(measured: Iterable[int], interval: int) -> Counts:
    """Beside every value above the interval also value - interval, value - 2 interval, ... down to the interval.

    Source: Tene's correction, as in HdrHistogram's ``recordValueWithExpectedInterval`` (from memory). Any one unit.
    """
    if interval < 1:
        raise ValueError(f"interval={interval}: expected at least 1")
    counts: dict[int, int] = {}
    for value in measured:
        for one in (value, *range(value - interval, interval - 1, -interval)):
            counts[one] = counts.get(one, 0) + 1
    return Counts(values=tuple(sorted(counts.items())))
