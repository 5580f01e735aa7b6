"""A TCP relay that holds back what the far end sends, each piece for a random time, in order."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from random import Random

PIECE_BYTES = 4096


class DelayingRelay:
    """Passes on to 127.0.0.1:``target`` at once, and back after up to ``delay_max_s``."""

    def __init__(self, target: int, delay_max_s: float, random: Random) -> None:
        self.port = 0
        self._target = target
        self._delay_max_s = delay_max_s
        self._random = random
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        """Returns when it takes connections."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Close everything."""
        assert self._server is not None
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._pass(reader, far_writer, late=False), name="relay out")
                group.create_task(self._pass(far_reader, writer, late=True), name="relay back")
        except* ConnectionError:
            pass
        finally:
            for one in (writer, far_writer):
                one.close()
            self._tasks.discard(task)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, late: bool) -> None:
        while data := await reader.read(PIECE_BYTES):
            if late:
                await asyncio.sleep(self._random.uniform(0, self._delay_max_s))
            writer.write(data)
            await writer.drain()
        writer.close()


@asynccontextmanager
async def delaying_relay(target: int, delay_max_s: float, random: Random) -> AsyncIterator[DelayingRelay]:
    """A relay for the length of a ``with`` block."""
    relay = DelayingRelay(target, delay_max_s, random)
    await relay.start()
    try:
        yield relay
    finally:
        await relay.stop()
