"""Everything that is connected to the bus: TCP clients and pseudo-terminals. Used from the thread of the line only."""

from __future__ import annotations

import contextlib
import selectors
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from sims.pty import READ_MAX, Pty

CLIENTS_MAX: Final = 16  # more than a test opens; a flood of connections must not exhaust the descriptors
LOOK_AGAIN_S: Final = 0.01  # how often a pseudo-terminal that nobody has open is looked at

_FIRST_TALKER: Final = 2  # 0 is all units together, 1 a master of our own


@dataclass(slots=True)
class _End:
    """One connection. What a ``receive_only`` one sends reaches nobody."""

    port: socket.socket | Pty
    talker: int
    receive_only: bool


@dataclass(frozen=True, slots=True)
class _Door:
    """A listening socket."""

    server: socket.socket
    receive_only: bool


class Ends:
    """The connections, what they send, and how they hear."""

    def __init__(self, threw_away: Callable[[bytes], None]) -> None:
        """``threw_away`` is told what was sent into a connection that only hears."""
        self.thrown_away = 0
        self._threw_away = threw_away
        self._selector = selectors.DefaultSelector()
        self._near, self._far = socket.socketpair()  # wakes the thread
        self._far.settimeout(0)
        self._selector.register(self._far, selectors.EVENT_READ)
        self._ends: dict[int, _End] = {}
        self._closed_ptys: set[int] = set()
        self._servers: list[socket.socket] = []
        self._talkers = _FIRST_TALKER
        self._gone: list[int] = []

    def listen(self, server: socket.socket, *, receive_only: bool) -> int:
        """Take connections there, and return the port."""
        server.settimeout(0)
        self._selector.register(server, selectors.EVENT_READ, _Door(server, receive_only))
        self._servers.append(server)
        return int(server.getsockname()[1])

    def add_pty(self, pty: Pty, *, receive_only: bool) -> str:
        """One more pseudo-terminal; returns the path of its far side."""
        self._add(pty, receive_only=receive_only)
        return pty.path

    def fileno(self) -> int:
        """Readable while anything is to be read or accepted. Raises NotImplementedError where that cannot be had."""
        fileno = getattr(self._selector, "fileno", None)
        if fileno is None:
            raise NotImplementedError("bus_in_loop: this system has neither epoll nor kqueue: leave it out")
        return int(fileno())

    @property
    def looks_again_s(self) -> float | None:
        """The longest wait that is allowed now; None: any."""
        return LOOK_AGAIN_S if self._closed_ptys else None

    def wake(self) -> None:
        """End a ``wait`` that goes on in the other thread."""
        with contextlib.suppress(BlockingIOError):
            self._near.send(b"\0")

    def wait(self, timeout_s: float | None) -> None:
        """Until somebody sends, comes or goes, or the time is over."""
        self._watch_ptys()
        if (longest_s := self.looks_again_s) is not None:
            timeout_s = longest_s if timeout_s is None else min(timeout_s, longest_s)
        for key, _ in self._selector.select(timeout_s):
            if isinstance(key.data, _Door):
                self._accept(key.data)
            elif key.data is None:
                self._far.recv(READ_MAX)

    def read(self) -> Iterator[tuple[int, bytes]]:
        """What has come in from each talker since the last time. Never waits."""
        for end in list(self._ends.values()):
            data = self._read(end)
            if data and end.receive_only:
                self.thrown_away += len(data)
                self._threw_away(data)
            elif data:
                yield end.talker, data

    def gone(self) -> list[int]:
        """The talkers that left since the last time."""
        gone, self._gone = self._gone, []
        return gone

    def send(self, data: bytes, talker: int) -> None:
        """Let everybody but the talker hear."""
        for end in list(self._ends.values()):
            if end.talker == talker:
                continue
            if isinstance(end.port, Pty):
                end.port.write(data)
                continue
            try:
                whole = end.port.send(data) == len(data)
            except OSError:  # it is gone, or has not read for hundreds of kilobytes
                whole = False
            if not whole:
                self._drop(end)

    def close(self) -> None:
        """Close everything; for when the thread has ended."""
        self._selector.close()
        for end in self._ends.values():
            end.port.close()
        for server in (*self._servers, self._near, self._far):
            server.close()
        self._ends.clear()

    def _add(self, port: socket.socket | Pty, *, receive_only: bool) -> None:
        end = _End(port, self._talkers, receive_only)
        self._talkers += 1
        self._ends[end.talker] = end
        if isinstance(port, Pty):
            self._closed_ptys.add(end.talker)
        else:
            self._selector.register(port, selectors.EVENT_READ, end)

    def _accept(self, door: _Door) -> None:
        try:
            client, _ = door.server.accept()
        except OSError:  # it left before it was let in
            return
        if len(self._ends) >= CLIENTS_MAX:
            client.close()
            return
        client.settimeout(0)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._add(client, receive_only=door.receive_only)

    def _read(self, end: _End) -> bytes:
        if isinstance(end.port, Pty):
            return end.port.read()
        try:
            data = end.port.recv(READ_MAX)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop(end)
        return data

    def _drop(self, end: _End) -> None:
        if self._ends.pop(end.talker, None) is None or isinstance(end.port, Pty):
            return
        self._selector.unregister(end.port)
        end.port.close()
        self._gone.append(end.talker)

    def _watch_ptys(self) -> None:
        """A pseudo-terminal that nobody has open is always ready, for nothing: it is not watched meanwhile."""
        for end in self._ends.values():
            if not isinstance(end.port, Pty):
                continue
            is_open, closed = end.port.is_open(), end.talker in self._closed_ptys
            if is_open and closed:
                self._closed_ptys.discard(end.talker)
                self._selector.register(end.port, selectors.EVENT_READ, end)
            elif not is_open and not closed:
                self._closed_ptys.add(end.talker)
                self._selector.unregister(end.port)
