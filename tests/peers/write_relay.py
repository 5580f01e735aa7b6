"""A relay between farend and the panel of a simulated site, which sees every write, and can hold back what it likes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

WRITE = 16
RAISE, ACKNOWLEDGE, CLEAR = 1, 3, 4
Handler = Callable[[int, bytes, Callable[[bytes], None]], bytes | None]
"""Gets the action of a write, the whole request, and what sends to farend; returns the request to pass on, or None."""


class Relay:
    """Passes frames on between farend and the panel, one connection there for each one here."""

    def __init__(self, port: int, on_write: Handler) -> None:
        self._panel_port = port
        self.on_write = on_write
        self.holds_answers = False
        self.port = 0
        self._is_cut = False
        self.open_connections: set[asyncio.StreamWriter] = set()
        """Those of farend."""

    def cut(self) -> None:
        """The link is lost: every connection breaks, and no new one gets anywhere."""
        self._is_cut = True
        for writer in self.open_connections:
            writer.close()

    def mend(self) -> None:
        """The link is back."""
        self._is_cut = False

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._is_cut:
            writer.close()
            return
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._panel_port)
        self.open_connections.add(writer)
        try:
            async with asyncio.TaskGroup() as group:
                ahead = group.create_task(self._requests(reader, there_writer, writer))
                back = group.create_task(self._answers(there_reader, writer))
                await asyncio.wait([ahead, back], return_when=asyncio.FIRST_COMPLETED)
                ahead.cancel()
                back.cancel()
        except* (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            self.open_connections.discard(writer)
            writer.close()
            there_writer.close()

    async def _requests(
        self, reader: asyncio.StreamReader, there: asyncio.StreamWriter, here: asyncio.StreamWriter
    ) -> None:
        while True:
            frame = await self._frame(reader)
            passed: bytes | None = frame
            if frame[7] == WRITE:
                passed = self.on_write(frame[-1], frame, here.write)
            if passed is not None:
                there.write(passed)

    async def _answers(self, reader: asyncio.StreamReader, here: asyncio.StreamWriter) -> None:
        while True:
            frame = await self._frame(reader)
            if frame[7] != WRITE or not self.holds_answers:
                here.write(frame)

    async def _frame(self, reader: asyncio.StreamReader) -> bytes:
        head = await reader.readexactly(6)
        return head + await reader.readexactly(int.from_bytes(head[4:6], "big"))
