"""The printed alarm line: the same bytes to every client of a TCP port and, on request, on a pseudo-terminal."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import Callable
from typing import Final

from sims.wire import reset

CLIENT_BACKLOG_MAX: Final = 64 * 1024  # about 1,500 lines: a client that is this far behind has stopped reading
CLIENTS_MAX: Final = 64


class _Client(asyncio.Protocol):
    """One reader. What it sends is thrown away: a printer has nothing to be told."""

    def __init__(self, printer: Printer) -> None:
        self._printer = printer
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 - a stream server makes no other
        self.transport = transport
        self._printer.joined(self)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self._printer.left(self)


class Printer:
    """Writes bytes to whoever listens. ``port`` and ``pty_path`` say where, once started."""

    def __init__(self, on_change: Callable[[], None]) -> None:
        """``on_change`` is called when a client joins or leaves."""
        self._on_change = on_change
        self.port = 0
        self.pty_path: str | None = None
        self.pty_bytes_lost = 0
        self._clients: dict[_Client, asyncio.Transport] = {}
        self._server: asyncio.Server | None = None
        self._pty: tuple[int, int] | None = None
        self._left = asyncio.Event()

    @property
    def clients(self) -> int:
        """How many clients are connected."""
        return len(self._clients)

    async def start(self, host: str, port: int, *, pty: bool) -> None:
        """Listen, and open the pseudo-terminal if asked for.

        Raises OSError if the port is taken, NotImplementedError where the system has no pseudo-terminals.
        """
        if pty:
            self._open_pty()
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Client(self), host, port)
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Close everything."""
        if self._server is not None:
            self._server.close()
        for transport in list(self._clients.values()):
            transport.abort()
        while self._clients:
            self._left.clear()
            await self._left.wait()
        if self._pty is not None:
            for descriptor in self._pty:
                os.close(descriptor)
            self._pty = None

    def write(self, data: bytes) -> None:
        """Hand bytes to every client and to the pseudo-terminal, now. Never waits."""
        for transport in list(self._clients.values()):
            if transport.get_write_buffer_size() > CLIENT_BACKLOG_MAX:
                transport.abort()
            else:
                transport.write(data)
        if self._pty is not None:
            try:
                written = os.write(self._pty[0], data)
            except BlockingIOError:
                written = 0  # nobody reads, and the line's buffer is full: a printer without paper loses lines too
            self.pty_bytes_lost += len(data) - written

    def reset_connections(self) -> None:
        """Reset every TCP connection."""
        for transport in list(self._clients.values()):
            reset(transport)

    def joined(self, client: _Client) -> None:
        """A client connected."""
        assert client.transport is not None  # noqa: S101 - it has just been made
        if len(self._clients) >= CLIENTS_MAX:
            client.transport.abort()
            return
        self._clients[client] = client.transport
        self._on_change()

    def left(self, client: _Client) -> None:
        """A client is gone."""
        with contextlib.suppress(KeyError):
            del self._clients[client]
        self._left.set()
        self._on_change()

    def _open_pty(self) -> None:
        if not hasattr(os, "openpty"):
            raise NotImplementedError(
                "printer_pty: this system has no pseudo-terminals; expected Linux, macOS or another Unix: "
                "read the printed line from its TCP port instead"
            )
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)  # no echo, no CR LF conversion: the bytes arrive as they were sent
        os.set_blocking(master, False)
        self._pty = (master, slave)  # our own hold on the far side keeps the line alive between readers
        self.pty_path = os.ttyname(slave)
