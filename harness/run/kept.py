"""The newest polls of one block in memory, in a form that costs little to keep, to copy, and to collect around.

Instants lie in arrays of numbers: as objects in a list, the garbage collector would go through each of them in every
full round, and a watch of twenty blocks would stop for tens of milliseconds.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right

import numpy as np

from harness.links.seen import Polls


class KeptPolls:
    """At most ``most`` polls of one block, in the order in which they were told."""

    __slots__ = ("_asked", "_most", "_payloads", "_starts", "_told")

    def __init__(self, most: int) -> None:
        self._most = most
        self._asked = array("q")
        self._told = array("q")
        self._starts = array("q")
        self._payloads: list[bytes] = []

    def __len__(self) -> int:
        return min(len(self._asked), self._most)

    @property
    def last_asked_ns(self) -> int:
        """When the newest poll was asked; -1 where there is none."""
        return self._asked[-1] if self._asked else -1

    def add(self, asked_ns: int, told_ns: int, payload: bytes) -> bool:
        """Keep a poll; True where it says what the one before said."""
        is_same = bool(self._payloads) and self._payloads[-1] == payload
        if not is_same:
            self._starts.append(len(self._asked))
            self._payloads.append(payload)
        self._asked.append(asked_ns)
        self._told.append(told_ns)
        if len(self._asked) >= 2 * self._most:
            self._trim()
        return is_same

    def forget_before(self, instant: int) -> None:
        """Let go of what was told before, but for the last of it: it bounds what came after. The newest one stays."""
        self._let_go_of(min(len(self._told), bisect_left(self._told, instant)) - 1)

    def polls(self) -> Polls:
        """A copy of what is kept."""
        self._trim()
        return Polls(
            asked=np.array(self._asked, dtype=np.int64),
            told=np.array(self._told, dtype=np.int64),
            starts=np.array(self._starts, dtype=np.int64),
            payloads=self._payloads.copy(),
        )

    def _trim(self) -> None:
        self._let_go_of(len(self._asked) - self._most)

    def _let_go_of(self, count: int) -> None:
        if count <= 0:
            return
        first = bisect_right(self._starts, count) - 1
        del self._asked[:count], self._told[:count], self._payloads[:first]
        self._starts = array("q", (max(0, at - count) for at in self._starts[first:]))
