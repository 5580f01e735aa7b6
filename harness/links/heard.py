"""What a source gives, fetched and decoded once for all the points that are read from it. Pure.

A night's soak is 100,000 messages, and 200 points may be read from the same link: whatever is done for each message of
each point is done twenty million times. So messages are decoded and sorted once, and a point is read from those that
concern it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from heapq import merge
from typing import Any, Final, Generic, TypeVar

from harness.links.base import AnyBlock
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.links.source import Source

T = TypeVar("T")


class Heard:
    """A source that is asked for everything once. It must not change meanwhile; let go of it with what was read."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._kept: dict[Hashable, Any] = {}

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives; it is called the first time that ``key`` is asked for."""
        if key not in self._kept:
            self._kept[key] = make()
        made: T = self._kept[key]
        return made

    def blocks(self) -> tuple[AnyBlock, ...]:
        """See ``Source.blocks``."""
        return self.once("blocks", self._source.blocks)

    def polls(self, block_id: int) -> Polls:
        """See ``Source.polls``."""
        return self.once(("polls", block_id), lambda: self._source.polls(block_id))

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """See ``Source.failures``."""
        return self.once(("failures", block_id), lambda: self._source.failures(block_id))

    def messages(self, link: str) -> tuple[Message, ...]:
        """See ``Source.messages``."""
        return self.once(("messages", link), lambda: self._source.messages(link))

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """See ``Source.link_states``."""
        return self.once(("link states", link), lambda: self._source.link_states(link))

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """See ``Source.dropped``."""
        return self.once(("dropped", link), lambda: self._source.dropped(link))


def heard_of(source: Source) -> Heard:
    """``source`` itself where it is one already."""
    return source if isinstance(source, Heard) else Heard(source)


ALL: Final = object()
"""In place of a key: this concerns everybody."""


class Sorted(Generic[T]):
    """Things in the order in which they came, each of which concerns one key, or everybody, or nobody.

    What does not concern a key may still be a sign of life to it. Of several in a row only the last one matters, since
    each of them says that whoever tells was there when it came, and nothing else.
    """

    def __init__(self, items: Sequence[T], keys: Iterable[Hashable], signs: Iterable[bool] = ()) -> None:
        """``keys``: of each item, ``ALL`` for everybody, None for nobody. ``signs``: which are signs of life."""
        self._items = items
        self._all: list[int] = []
        self._of: dict[Hashable, list[int]] = {}
        for at, key in enumerate(keys):
            if key is ALL:
                self._all.append(at)
            elif key is not None:
                self._of.setdefault(key, []).append(at)
        self._signs = [at for at, is_sign in enumerate(signs) if is_sign]

    def about(self, key: Hashable) -> Iterator[T]:
        """What concerns ``key``, in order, and between two such things the last sign of life, if any came."""
        return self.at(self._of.get(key, ()))

    def at(self, mine: Sequence[int]) -> Iterator[T]:
        """As ``about``, where it is known which items concern it: their places, ascending."""
        before = -1
        for place in merge(self._all, mine):
            if place == before:
                continue
            yield from self._last_sign(before, place)
            yield self._items[place]
            before = place
        yield from self._last_sign(before, len(self._items))

    def _last_sign(self, after: int, before: int) -> Iterator[T]:
        at = bisect_right(self._signs, before - 1) - 1
        if at >= 0 and self._signs[at] > after:
            yield self._items[self._signs[at]]
