"""What the links observe while a run goes on: the newest state of every point, and enough memory to judge from."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.links import BacnetLink
from harness.core.model import Point, Site
from harness.links.base import AnyBlock, LinkState
from harness.links.current_loop import Lasting, lasting_loop
from harness.links.decoding import LinkReader, is_sign_of_life, state_in_poll
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.record.found import Event
from harness.record.header import Json
from harness.run.kept import KeptPolls

KEPT_POLLS_MAX: Final = 20_000
"""Polls of a block kept in memory for live results; at 10 a second more than half an hour. The record has them all."""

KEPT_POLLS_STEPWISE_MAX: Final = 200_000
"""Where a program drives the run, which may hold an alarm for as long as it likes: at 50 a second more than an hour."""


KEPT_DROPPED_MAX: Final = 1_000
"""A device that sends nothing but garbage must not fill the memory; the record has it all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PointState:
    """The newest sample of a point, and the one before its last change."""

    on: bool
    asked_ns: int
    told_ns: int
    changed_lo_ns: int
    """Earliest instant of the last change: just after the last sample of the other state; 0 where none was seen."""


Changed = Callable[[Point, PointState], None]


@dataclass(slots=True)
class BlockMemory:
    """The newest polls of one block, and the points in it."""

    block: AnyBlock
    points: list[Point]
    polls: KeptPolls
    failures: list[Failure] = field(default_factory=list)
    read: dict[str, bool | None] = field(default_factory=dict)
    """By point, what its newest payload says by itself."""


class LiveSource:
    """An observer that keeps the newest state of every point, and what it heard since :meth:`forget_before`."""

    def __init__(
        self, site: Site, clock: Clock, changed: Changed | None = None, *, polls_max: int | None = None
    ) -> None:
        """``changed``: see :meth:`subscribe`; ``polls_max``: so many polls of a block are kept, else the usual."""
        self._site = site
        self._polls_max = KEPT_POLLS_MAX if polls_max is None else polls_max
        self._clock = clock
        self._told_of_changes: list[Changed] = [] if changed is None else [changed]
        self.memories: dict[int, BlockMemory] = {}
        self.heard: dict[str, list[Message]] = defaultdict(list)
        self.link_changes: dict[str, list[StateChange]] = defaultdict(list)
        self.events: list[Event] = []
        """What was done and said, the oldest first."""
        self._last_on: dict[str, int] = {}
        self._lived_ns: dict[str, int] = {}
        self.drops: dict[str, list[Dropped]] = defaultdict(list)
        self._news = asyncio.Event()
        self.states: dict[str, PointState] = {}
        self.up: dict[str, bool] = dict.fromkeys(site.links, False)
        self.why_down: dict[str, str] = {}
        self.polls_total = 0
        self.failures_total = 0
        loops = {it.name: (lasting_loop(it.place), it.hold.off_ns) for it in site.points.values()}
        self._lasting = {name: Lasting(loop.persistence_ns, off) for name, (loop, off) in loops.items() if loop}
        self._readers = {name: LinkReader(site.points.values(), spec) for name, spec in site.links.items()}
        self._told = frozenset(name for reader in self._readers.values() for name in reader.points)

    def subscribe(self, changed: Changed) -> None:
        """Have ``changed`` called at every change of a point; it must be quick and must not raise."""
        self._told_of_changes.append(changed)

    # --- what links observe -----------------------------------------------------------------------

    def block(self, block: AnyBlock) -> None:
        """See ``Observer.block``."""
        points = [
            point for point in self._site.points.values() if point.link == block.link and block.holds(point.place)
        ]
        self.memories[block.id] = BlockMemory(block, points, KeptPolls(self._polls_max))

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """See ``Observer.poll``."""
        memory = self.memories[block_id]
        same = memory.polls.add(asked_ns, told_ns, payload)
        self.polls_total += 1
        for point in memory.points:
            if not same:
                memory.read[point.name] = state_in_poll(point.place, memory.block, payload)
            on = memory.read[point.name]
            if point.name in self._lasting:
                on = self._lasting[point.name].take(on, asked_ns, told_ns)
            if on is not None:
                self._enter(point, on, asked_ns, told_ns)
        self._news.set()

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        """See ``Observer.poll_failed``."""
        self.memories[block_id].failures.append(Failure(asked_ns=asked_ns, given_up_ns=given_up_ns, why=why))
        self.failures_total += 1
        self._news.set()

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        """See ``Observer.overrun``; the gap shows in the samples by itself."""

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        """See ``Observer.message``."""
        self.heard[link].append(Message(first_ns=first_ns, last_ns=last_ns, data=data))
        if is_sign_of_life(self._site.links[link], data):
            self._lived_ns[link] = first_ns
        for point, on in self._readers[link].read(data):
            self._enter(point, on, first_ns, last_ns)
        self._news.set()

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        """See ``Observer.link_state``."""
        self.link_changes[link].append(StateChange(at_ns=at_ns, state=state, why=why))
        self.up[link] = state is LinkState.UP
        self.why_down[link] = why
        self._news.set()

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        """See ``Observer.dropped``."""
        kept = self.drops[link]
        if len(kept) < KEPT_DROPPED_MAX:
            kept.append(Dropped(at_ns=at_ns, what=what, data=data))

    def event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        """See ``RecordWriter.event``; kept for live results."""
        self.events.append(Event(kind=kind, at_ns=at_ns, data=data))

    def events_of(self, stimulus: str) -> tuple[Event, ...]:
        """The steps of one stimulus so far."""
        return tuple(event for event in self.events if event.data.get("stimulus") == stimulus)

    def _enter(self, point: Point, on: bool, asked_ns: int, told_ns: int) -> None:  # noqa: FBT001  # a state, not a switch
        before = self.states.get(point.name)
        changed = before is None or before.on is not on
        lo = before.changed_lo_ns if before is not None and not changed else (before.asked_ns + 1 if before else 0)
        state = PointState(on=on, asked_ns=asked_ns, told_ns=told_ns, changed_lo_ns=lo)
        self.states[point.name] = state
        if on:
            self._last_on[point.name] = told_ns
        if changed:
            for told in self._told_of_changes:
                told(point, state)

    # --- the state of things ----------------------------------------------------------------------

    def polled_points(self) -> frozenset[str]:
        """The points that are read again and again; the others are heard of only when something happens."""
        return frozenset(point.name for memory in self.memories.values() for point in memory.points)

    def is_off(self, point: str) -> bool:
        """True where the newest sample of a point is off, or it never said anything and is only heard of by events."""
        state = self.states.get(point)
        return point in self._told if state is None else not state.on

    def was_on_since(self, point: str, instant: int) -> bool:
        """True where an on-sample of a point was told at or after ``instant``."""
        return self._last_on.get(point, -1) >= instant

    def last_message_ns(self, link: str) -> int:
        """When the newest message of a link had come in whole; -1 where none did."""
        heard = self.heard[link]
        return heard[-1].last_ns if heard else -1

    def alive_ns(self, link: str) -> int:
        """The newest instant up to which a link is known to have observed; -1 where there is none."""
        lived_ns = self._lived_ns.get(link)
        if lived_ns is not None and isinstance(self._site.links[link], BacnetLink):
            return lived_ns  # a device that says more of its life than answers: only that proves that it told all
        polled = [it.polls.last_asked_ns for it in self.memories.values() if it.block.link == link]
        return max([self._lived_ns.get(link, -1), *polled])

    # --- waiting ------------------------------------------------------------------------------------

    async def wait_until(self, condition: Callable[[], bool], until_ns: int) -> bool:
        """Wait until ``condition`` holds, looking again at every observation; False at ``until_ns``."""
        while not condition():
            left_ns = until_ns - self._clock()
            if left_ns <= 0:
                return False
            self._news.clear()
            try:
                async with asyncio.timeout(left_ns / NS_PER_S):
                    await self._news.wait()
            except TimeoutError:
                return condition()
        return True

    async def wait_for_news(self, points: Collection[str], since_ns: int, until_ns: int) -> bool:
        """Wait for a sample of every polled point that was asked at or after ``since_ns``."""
        waited = [point for point in points if point not in self._told]
        return await self.wait_until(
            lambda: all(point in self.states and self.states[point].asked_ns >= since_ns for point in waited), until_ns
        )

    def forget_before(self, instant: int) -> None:
        """Let go of polls and failures that ended before ``instant``. Lines and link states are few, and stay."""
        for memory in self.memories.values():
            memory.polls.forget_before(instant)
            memory.failures = [failure for failure in memory.failures if failure.given_up_ns >= instant]


class LiveMemory:
    """What a :class:`LiveSource` keeps at present, as a source of evidence for live results.

    A copy: what is observed afterwards is not in it, and it may be judged in a thread while listening goes on.
    """

    def __init__(self, live: LiveSource, links: Collection[str] | None = None) -> None:
        """``links``: the only ones that are asked for, None for all."""
        chosen = {name for name in live.up if links is None or name in links}
        mine = {number: it for number, it in live.memories.items() if it.block.link in chosen}
        self._blocks = tuple(memory.block for memory in mine.values())
        self._polls = {number: memory.polls.polls() for number, memory in mine.items()}
        self._failures = {number: tuple(memory.failures) for number, memory in mine.items()}
        self._heard = {name: tuple(live.heard[name]) for name in chosen}
        self._changes = {name: tuple(live.link_changes[name]) for name in chosen}
        self._drops = {name: tuple(live.drops[name]) for name in chosen}

    def blocks(self) -> tuple[AnyBlock, ...]:
        """See ``Source.blocks``."""
        return self._blocks

    def polls(self, block_id: int) -> Polls:
        """See ``Source.polls``; only what is still kept."""
        return self._polls[block_id]

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """See ``Source.failures``."""
        return self._failures[block_id]

    def messages(self, link: str) -> tuple[Message, ...]:
        """See ``Source.messages``."""
        return self._heard.get(link, ())

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """See ``Source.link_states``."""
        return self._changes.get(link, ())

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """Bytes of a link that did not fit."""
        return self._drops.get(link, ())
