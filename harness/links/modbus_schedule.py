"""When which block is polled next: an absolute schedule, and a request rate that is kept. Pure; time is handed in.

Block k of n is due at t0 + phase + k * period / n + i * period for every i. A poll that begins late does not move the
ones after it, and one that missed whole periods is reported and skips ahead on the same schedule.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

from harness.core.instants import NS_PER_US
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_plan import BlockPlan

EARLY_MAX_NS: Final = 500 * NS_PER_US
"""Some event loops round timers to milliseconds. A poll that would be early by less than this is begun at once."""


@dataclass(slots=True, kw_only=True)
class Poll:
    """A block that is polled again and again. ``due_ns``: when next, on the absolute schedule.

    ``every``: in so many periods once. A ``probe`` reads what is not mapped: it is given up where it is refused.
    """

    id: int
    plan: BlockPlan
    request: ReadRequest
    due_ns: int
    every: int = 1

    @property
    def is_probe(self) -> bool:
        """True where nothing of it is mapped."""
        return self.every > 1


class Schedule:
    """The blocks of one device that have no request outstanding, by the time at which each is due."""

    __slots__ = ("_free_ns", "_heap", "period_ns", "spacing_ns")

    def __init__(self, period_ns: int, spacing_ns: int = 0) -> None:
        """``spacing_ns``: the shortest time between the beginnings of two requests; 0 for no limit."""
        self.period_ns = period_ns
        self.spacing_ns = spacing_ns
        self._free_ns = 0
        self._heap: list[tuple[int, int, Poll]] = []

    def __len__(self) -> int:
        return len(self._heap)

    def add(self, poll: Poll) -> None:
        """Put a block (back) on the schedule."""
        heapq.heappush(self._heap, (poll.due_ns, poll.id, poll))

    def next_ns(self) -> int | None:
        """From when on the next poll may begin; None where nothing is waiting."""
        return max(self._heap[0][0] - EARLY_MAX_NS, self._free_ns) if self._heap else None

    def begin(self, now_ns: int) -> tuple[Poll, int | None]:
        """Take the block that is due first; call it only once ``next_ns`` has come.

        Its ``due_ns`` is then the time after this one. The second value is None, or, where the poll begins a period
        or more after it was due, when that was: an overrun.
        """
        due_ns, _, poll = heapq.heappop(self._heap)
        self._free_ns = now_ns + self.spacing_ns
        period_ns = self.period_ns * poll.every
        missed = max(0, now_ns - due_ns) // period_ns
        poll.due_ns = due_ns + (missed + 1) * period_ns
        return poll, due_ns if missed else None

    def skip_ahead(self, now_ns: int) -> None:
        """Move every block that fell due before ``now_ns`` to its next time; nothing is reported."""
        for _, _, poll in self._heap:
            behind_ns = now_ns - poll.due_ns
            if behind_ns > 0:
                period_ns = self.period_ns * poll.every
                poll.due_ns += -(-behind_ns // period_ns) * period_ns
        self._heap = [(poll.due_ns, poll.id, poll) for _, _, poll in self._heap]
        heapq.heapify(self._heap)
