"""An observer that keeps everything that a link hands on, and lets a test wait for what it needs."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS
from harness.core.links import ModbusTcpLink
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering
from harness.links.base import AnyBlock, Block, Link, LinkState, ObjectBlock
from harness.record.header import Json

ORIGIN = Origin(file="test", line=1)
DEADLINE_S = 20
"""Far more than anything here takes; only a broken test runs into it."""
STOPPED = "stopped before the answer came"
"""Why a poll failed that was under way when its listener was ended; tests end theirs at any moment."""


class Recorder:
    """Keeps what was observed, in order. Polls that only the end of the listener cut off are kept apart."""

    def __init__(self) -> None:
        self.blocks: dict[int, Block] = {}
        self.object_blocks: dict[int, ObjectBlock] = {}
        self.polls: list[tuple[int, int, int, bytes]] = []
        self.failures: list[tuple[int, int, int, str]] = []
        self.stopped: list[tuple[int, int, int, str]] = []
        self.overruns: list[tuple[str, int, int]] = []
        self.states: list[tuple[str, int, LinkState, str]] = []
        self.drops: list[tuple[str, int, str, bytes]] = []
        self.lines: list[tuple[str, int, int, bytes]] = []
        self.ids = itertools.count(1)
        self._heard = asyncio.Event()

    def next_id(self) -> int:
        return next(self.ids)

    def block(self, block: AnyBlock) -> None:
        assert block.id not in {**self.blocks, **self.object_blocks}
        if isinstance(block, ObjectBlock):
            self.object_blocks[block.id] = block
        else:
            self.blocks[block.id] = block
        self._heard.set()

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        assert asked_ns <= told_ns
        self.polls.append((block_id, asked_ns, told_ns, payload))
        self._heard.set()

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        assert asked_ns <= given_up_ns
        failures = self.stopped if why == STOPPED else self.failures
        failures.append((block_id, asked_ns, given_up_ns, why))
        self._heard.set()

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        self.overruns.append((link, due_ns, begun_ns))
        self._heard.set()

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        self.lines.append((link, first_ns, last_ns, data))
        self._heard.set()

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        self.states.append((link, at_ns, state, why))
        self._heard.set()

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        assert len(data) <= 64
        self.drops.append((link, at_ns, what, data))
        self._heard.set()

    def event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        """Part of what a record's listeners are told; not needed here."""

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until ``condition`` holds; it is looked at after everything that was heard."""
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                self._heard.clear()
                await self._heard.wait()

    def payloads(self, block_id: int) -> list[bytes]:
        return [payload for one, _, _, payload in self.polls if one == block_id]


async def eventually(condition: Callable[[], bool]) -> None:
    """Wait until ``condition`` holds, where nothing tells of it."""
    async with asyncio.timeout(DEADLINE_S):
        while not condition():  # noqa: ASYNC110 - there is no event to wait for
            await asyncio.sleep(0.001)


@asynccontextmanager
async def listening(link: Link) -> AsyncIterator[asyncio.Task[None]]:
    """Run a link for the length of a ``with`` block. What it raises is raised at the end."""
    task = asyncio.create_task(link.run(), name=f"listener {link.name}")
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.wait([task])
    if not task.cancelled():
        task.result()


def modbus_link(
    port: int, name: str = "bms", period_ms: float = 10, timeout_ms: float = 5000, **rest: object
) -> ModbusTcpLink:
    """A link to 127.0.0.1 with short periods and a time-out that no slow machine runs into."""
    return ModbusTcpLink(
        name=name,
        host="127.0.0.1",
        port=port,
        numbering=Numbering.FROM_ZERO,
        poll_period_ns=int(period_ms * NS_PER_MS),
        timeout_ns=int(timeout_ms * NS_PER_MS),
        origin=ORIGIN,
        **rest,  # type: ignore[arg-type]
    )


def point(name: str, place: ModbusPlace, link: str = "bms") -> Point:
    return Point(name=name, link=link, place=place, origin=ORIGIN)
