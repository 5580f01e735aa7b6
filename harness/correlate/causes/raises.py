"""What was raised, in order: which raise is the latest before an onset, and which alarms bring others along."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Site, Stimulus

TIED_MAX: Final = 64
"""So many raises are looked at that cannot be put in order before an onset; more would tell nothing."""


class Raises:
    """All stimuli in the order of raising; of equal times, in the order in which they were judged."""

    def __init__(self, site: Site, stimuli: Iterable[Stimulus]) -> None:
        self.in_order = sorted(stimuli, key=lambda it: (it.raised.lo, it.raised.hi))
        self.of_alarm: dict[str, list[Stimulus]] = defaultdict(list)
        for it in self.in_order:
            self.of_alarm[it.alarm].append(it)
        self._starts = [it.raised.lo for it in self.in_order]
        self._site = site
        self._brings: dict[str, frozenset[str]] = {}
        self._next: dict[str, int | None] = {}
        for each in self.of_alarm.values():
            starts = [it.raised.lo for it in each]
            self._next.update(zip((it.id for it in each), [*starts[1:], None], strict=True))

    def next_of(self, stimulus: str) -> int | None:
        """The earliest instant at which the same alarm is raised again, None where it is not."""
        return self._next[stimulus]

    def next_other(self, stimulus: Stimulus) -> int | None:
        """The earliest instant of the first raise of anything that certainly came after this one; None without any."""
        at = bisect_right(self._starts, stimulus.raised.hi)
        return self._starts[at] if at < len(self._starts) else None

    def last_before(self, instant: int) -> Stimulus | None:
        """The stimulus that was raised last by an instant."""
        at = bisect_right(self._starts, instant) - 1
        return self.in_order[at] if at >= 0 else None

    def latest(self, onset: Bounds) -> list[Stimulus]:
        """The stimuli that were raised last before an onset: one, or several that cannot be put in order."""
        at = bisect_right(self._starts, onset.hi) - 1
        if at < 0:
            return []
        newest = self.in_order[at]
        found = [newest]
        while at > 0 and len(found) < TIED_MAX:
            before = self.in_order[at - 1]
            if found[-1].raised.lo <= onset.lo and before.raised.hi < newest.raised.lo:
                break
            found.append(before)
            at -= 1
        return found[::-1]

    def brings(self, alarm: str) -> frozenset[str]:
        """The alarms that an alarm brings along, directly or through others."""
        found = self._brings.get(alarm)
        if found is None:
            ahead, reached = [alarm], set[str]()
            while ahead:
                of = self._site.alarms.get(ahead.pop())
                new = [name for name in (of.also_raises if of is not None else ()) if name not in reached]
                reached.update(new)
                ahead += new
            found = self._brings[alarm] = frozenset(reached)
        return found
