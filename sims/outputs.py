"""What a reader of the simulated site can see, and the queue through which it gets there.

An ``Image`` is what a Modbus device answers from. It changes only in ``OutputQueue.publish_due``, which no other code
of the event loop can interrupt: a change is visible to every request served afterwards, and to none served before.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import time
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from sims.points import BIT_TABLES, MODBUS_TABLES, Point, Table

_TABLE_WORDS = 1024  # room for every address of the register map, in words of 16 bits


class Image:
    """The four tables of one Modbus device; bit tables are packed, lowest address in the lowest bit.

    ``defined`` holds the words that exist; the device answers exception 02 for every other.
    """

    def __init__(self) -> None:
        self.words: dict[Table, list[int]] = {table: [0] * _TABLE_WORDS for table in MODBUS_TABLES}
        self.defined: dict[Table, set[int]] = {table: set() for table in self.words}
        self._moved: dict[tuple[Table, int], Table] = {}

    def define(self, table: Table, address: int, count: int) -> None:
        """Let ``count`` bits or registers from ``address`` exist. Bit tables are padded to whole words."""
        if table in BIT_TABLES:
            self.defined[table].update(range(address // 16, (address + count + 15) // 16))
        else:
            self.defined[table].update(range(address, address + count))

    def move(self, table: Table, words: Iterable[int], other: Table) -> None:
        """Let words exist in another table of the same width instead, at the same addresses."""
        moved = set(words)
        self.defined[table] -= moved
        self.defined[other] |= moved
        self._moved.update({(table, word): other for word in moved})

    def where(self, point: Point) -> Point:
        """The point at the table in which it is really found."""
        return point._replace(table=self._moved.get((point.table, locate(point)[0]), point.table))

    def exists(self, table: Table, first_word: int, count: int) -> bool:
        """Whether all words of a range exist."""
        return all(word in self.defined[table] for word in range(first_word, first_word + count))

    def get(self, point: Point) -> int:
        """The value that a reader of this point gets."""
        word, bit = locate(point)
        value = self.words[self.where(point).table][word]
        return value if bit is None else value >> bit & 1

    def set(self, point: Point, value: int) -> None:
        """Change one bit or register."""
        word, bit = locate(point)
        words = self.words[self.where(point).table]
        words[word] = value if bit is None else words[word] & ~(1 << bit) | bool(value) << bit

    def set_registers(self, table: Table, address: int, values: Sequence[int]) -> None:
        """Change several registers at once."""
        self.words[table][address : address + len(values)] = values


def locate(point: Point) -> tuple[int, int | None]:
    """The word of its table that holds a point, and the bit in it; None where the point is the whole word."""
    if point.table in BIT_TABLES:
        return divmod(point.address, 16)
    return point.address, point.bit


class Event(NamedTuple):
    """One value that a point is to take. ``made_up``: put there by a defect, not by the controller."""

    due_ns: int
    order: int
    point: Point
    value: int
    made_up: bool = False


class OutputQueue:
    """Values on their way out: each is published when it is due, those due together in one go."""

    def __init__(self, publish: Callable[[list[Event]], None], clock: Callable[[], int] | None = None) -> None:
        self._publish = publish
        self._clock = clock or time.monotonic_ns
        self._heap: list[Event] = []
        self._order = 0
        self._earlier = asyncio.Event()

    def put(self, point: Point, value: int, due_ns: int, *, made_up: bool = False) -> None:
        """Have ``point`` take ``value`` at ``due_ns``, after everything that is due at the same instant already."""
        self._order += 1
        heapq.heappush(self._heap, Event(due_ns, self._order, point, value, made_up))
        if self._heap[0].order == self._order:
            self._earlier.set()

    def drop_made_up(self, point: Point, from_ns: int) -> int:
        """Forget what defects put there for ``point`` from an instant on, and return how many values that was."""
        kept = [e for e in self._heap if not (e.made_up and e.point == point and e.due_ns >= from_ns)]
        dropped = len(self._heap) - len(kept)
        self._heap = kept
        heapq.heapify(self._heap)
        return dropped

    def publish_due(self) -> None:
        """Publish all that is due."""
        now_ns = self._clock()
        due: list[Event] = []
        while self._heap and self._heap[0].due_ns <= now_ns:
            due.append(heapq.heappop(self._heap))
        if due:
            self._publish(due)

    async def run(self) -> None:
        """Publish everything when it is due, until cancelled."""
        while True:
            self.publish_due()
            self._earlier.clear()
            wait_s = (self._heap[0].due_ns - self._clock()) / 1e9 if self._heap else None
            if wait_s is not None and wait_s <= 0:
                continue
            # Not asyncio.wait_for: in Python 3.11 it loses a cancellation that comes together with the event.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._earlier.wait()
