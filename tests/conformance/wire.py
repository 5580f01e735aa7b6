"""A TCP wire between a listener and its peer that fails on demand, on real sockets. It knows no protocol."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.conformance.rig import Passage

_READ_BYTES = 65_536


@dataclass(slots=True)
class Connection:
    """One connection as the wire saw it. ``ended_by_listener``: how the listener's side ended, '' while it has not."""

    accepted_ns: int
    near: asyncio.StreamWriter
    far: asyncio.StreamWriter | None = None
    from_listener: bytearray = field(default_factory=bytearray)
    ended_by_listener: str = ""
    lost_bytes: int = 0

    def reset(self) -> None:
        """Cut it: the listener gets a reset."""
        for writer in (self.near, self.far):
            if writer is not None and not writer.is_closing():
                sock = writer.get_extra_info("socket")
                with contextlib.suppress(OSError):
                    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                writer.transport.abort()


class TcpWire:
    """Listens on a port of its own (``port``) and passes everything on to ``peer_port``, unless it is told to fail."""

    def __init__(self, peer_port: Callable[[], int]) -> None:
        self._peer_port = peer_port
        self.port = 0
        self.passage = Passage()
        self.connections: list[Connection] = []
        self.refused_ns: list[int] = []
        self._held = False
        self._slow_s = 0.0
        self._torn = False
        self._server: asyncio.Server | None = None
        self._guard: socket.socket | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._changed = asyncio.Event()

    # --- life -----------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Open for business; the port stays the same over :meth:`refuse` and :meth:`admit`."""
        await self.admit()

    async def stop(self) -> None:
        """Close everything that is left."""
        await self.refuse(reserve=False)
        self._held = False
        self.cut()
        await asyncio.gather(*self._tasks)

    # --- faults ---------------------------------------------------------------------------------------

    async def refuse(self, *, reserve: bool = True) -> None:
        """Nobody listens any more, and every connection is reset. The port stays ours, so that nobody takes it."""
        if self._server is not None:
            self._server.close()
            self.cut()
            self._server = None
            self.passage.shut("refused")
        if reserve and self._guard is None and self.port:
            # A socket that is bound and does not listen refuses connections, and keeps its port.
            self._guard = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            self._guard.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._guard.bind(("127.0.0.1", self.port))
        elif not reserve and self._guard is not None:
            self._guard.close()
            self._guard = None

    async def admit(self) -> None:
        """Accept connections (again)."""
        if self._guard is not None:
            self._guard.close()
            self._guard = None
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
            self.port = self._server.sockets[0].getsockname()[1]
            self.passage.open("refused")

    def cut(self) -> None:
        """Reset every connection."""
        for connection in self.connections:
            connection.reset()

    def hold(self) -> None:
        """Half-open: connections stand, and whatever either side sends is lost."""
        self._held = True
        self.passage.shut("held")

    def release(self) -> None:
        """No longer half-open. TCP loses nothing without an end: connections that did are reset."""
        self._held = self._torn = False
        self.passage.open("held")
        for connection in self.open():
            if connection.lost_bytes:
                connection.reset()

    def slow(self, seconds: float) -> None:
        """Whatever the peer sends arrives byte by byte, with this time between two."""
        self._slow_s = seconds

    def tear(self) -> None:
        """Of the next bytes that the peer sends only the first half arrives; then the connection ends."""
        self._torn = True

    def inject(self, data: bytes) -> None:
        """Bytes to the listener that the peer never sent."""
        for connection in self.open():
            connection.near.write(data)

    # --- what was seen ----------------------------------------------------------------------------------

    def open(self) -> list[Connection]:
        """The connections that stand."""
        return [it for it in self.connections if not it.near.is_closing() and not it.ended_by_listener]

    @property
    def sent_by_listener(self) -> bytes:
        """All that the listener ever sent."""
        return b"".join(bytes(it.from_listener) for it in self.connections)

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until ``condition`` holds; it is looked at after everything that the wire noticed."""
        async with asyncio.timeout(20):
            while not condition():
                self._changed.clear()
                await self._changed.wait()

    # --- inside -----------------------------------------------------------------------------------------

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._server is None:  # accepted in the moment in which it ended
            writer.transport.abort()
            return
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        connection = Connection(accepted_ns=time.monotonic_ns(), near=writer)
        self.connections.append(connection)
        self._changed.set()
        back: asyncio.Task[None] | None = None
        try:
            far_reader, connection.far = await asyncio.open_connection("127.0.0.1", self._peer_port())
            back = asyncio.create_task(self._to_listener(connection, far_reader), name="wire to the listener")
            await self._from_listener(connection, reader)
        except OSError as exc:
            connection.ended_by_listener = connection.ended_by_listener or f"reset ({exc.strerror})"
        finally:
            if back is not None:
                back.cancel()
                await asyncio.gather(back, return_exceptions=True)
            for end in (connection.near, connection.far):
                if end is not None:
                    end.close()
            self._tasks.discard(task)
            self._changed.set()

    async def _from_listener(self, connection: Connection, reader: asyncio.StreamReader) -> None:
        assert connection.far is not None
        while data := await reader.read(_READ_BYTES):
            connection.from_listener += data
            self._changed.set()
            if self._held:
                connection.lost_bytes += len(data)
                continue
            connection.far.write(data)
            await connection.far.drain()
        connection.ended_by_listener = "closed"

    async def _to_listener(self, connection: Connection, reader: asyncio.StreamReader) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(_READ_BYTES):
                if self._held:
                    connection.lost_bytes += len(data)
                    continue
                if self._torn:
                    self._torn = False
                    connection.near.write(data[: max(1, len(data) // 2)])
                    await connection.near.drain()
                    break
                await self._pass_on(connection, data)
        if not self._held:
            connection.near.close()

    async def _pass_on(self, connection: Connection, data: bytes) -> None:
        if not self._slow_s:
            connection.near.write(data)
            await connection.near.drain()
            return
        for at in range(len(data)):
            connection.near.write(data[at : at + 1])
            await connection.near.drain()
            await asyncio.sleep(self._slow_s)
