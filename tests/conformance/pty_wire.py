"""A serial line between a listener and its peer that fails on demand, on real pseudo-terminals. It knows no protocol.

Not shown on hardware: parity, control lines, and silences within a frame.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.conformance.rig import Passage, clock

_READ_BYTES = 65_536


class PtyWire:
    """What the listener opens is ``path``; it stays the same while the adapter behind it is unplugged and plugged in.

    ``from_listener`` takes what the listener sends. Whoever speaks to it calls :meth:`to_listener`.
    """

    def __init__(self, from_listener: Callable[[bytes], None]) -> None:
        self._from_listener = from_listener
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self.path = ""
        self.passage = Passage()
        self.sent_by_listener = bytearray()
        self.opened_ns: list[int] = []
        self._near = self._held_open = -1
        self._name = ""
        self._out = bytearray()
        self._held = False
        self._slow_s = 0.0
        self._torn = False
        self._pump: asyncio.TimerHandle | None = None

    # --- life -----------------------------------------------------------------------------------------

    def start(self) -> None:
        """Plug it in; who opens it is noted."""
        self._folder = tempfile.TemporaryDirectory()
        self.path = str(Path(self._folder.name) / "port")
        _watched[self.path] = self.opened_ns
        self.admit()

    def stop(self) -> None:
        """Unplug it for good."""
        self.refuse()
        _watched.pop(self.path, None)
        if self._folder is not None:
            self._folder.cleanup()

    # --- faults ---------------------------------------------------------------------------------------

    def refuse(self) -> None:
        """The adapter is unplugged: whoever has it open loses it, and its name is gone."""
        if self._near < 0:
            return
        self.passage.shut("refused")
        Path(self.path).unlink()
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._near)
        loop.remove_writer(self._near)
        if self._pump is not None:
            self._pump.cancel()
            self._pump = None
        os.close(self._near)
        os.close(self._held_open)
        self._near = self._held_open = -1
        self._out.clear()

    def admit(self) -> None:
        """It is plugged in (again)."""
        if self._near >= 0:
            return
        import tty

        self._near, self._held_open = os.openpty()
        tty.setraw(self._held_open)
        os.set_blocking(self._near, False)
        self._name = os.ttyname(self._held_open)
        asyncio.get_running_loop().add_reader(self._near, self._read)
        Path(self.path).symlink_to(self._name)
        self.passage.open("refused")

    def cut(self) -> None:
        """Unplugged, and plugged in again at once."""
        if self._near >= 0:
            self.refuse()
            self.admit()

    def hold(self) -> None:
        """The cable behind the adapter is pulled: nothing arrives, and nobody is told."""
        self._held = True
        self.passage.shut("held")

    def release(self) -> None:
        """It is in again; what was lost stays lost."""
        self._held = self._torn = False
        self.passage.open("held")

    def slow(self, seconds: float) -> None:
        """Whatever the peer sends arrives byte by byte, with this time between two."""
        self._slow_s = seconds

    def tear(self) -> None:
        """Of the next bytes that the peer sends only the first half arrives."""
        self._torn = True

    def to_listener(self, data: bytes) -> None:
        """The peer sends."""
        if self._near < 0 or self._held or (self._is_unread() and not self.is_open()):
            return
        if self._torn:
            self._torn = False
            data = data[: max(1, len(data) // 2)]
        self.inject(data)

    def inject(self, data: bytes) -> None:
        """Bytes to the listener, past the faults."""
        if self._near >= 0:
            self._out += data
            self._write()

    # --- what was seen ----------------------------------------------------------------------------------

    @property
    def is_plugged(self) -> bool:
        """Whether the port is there."""
        return self._near >= 0

    def is_open(self) -> bool:
        """Whether the listener has the port open. In this process, beside the descriptor that keeps it alive."""
        if self._near < 0:
            return False
        users = 0
        for number in os.listdir("/proc/self/fd"):  # noqa: PTH208 - paths of descriptors are no files to look into
            with contextlib.suppress(OSError):
                users += os.readlink(f"/proc/self/fd/{number}") == self._name  # noqa: PTH115
        return users > 1

    @property
    def waiting_bytes(self) -> int:
        """What the wire holds for a listener that reads slowly."""
        return len(self._out)

    def _is_unread(self) -> bool:
        """Whether what was sent before still waits: for a busy listener, or because there is none."""
        import fcntl
        import termios

        return bool(self._out) or any(fcntl.ioctl(self._held_open, termios.FIONREAD, bytes(4)))

    # --- inside -----------------------------------------------------------------------------------------

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            data = os.read(self._near, _READ_BYTES)
            self.sent_by_listener += data
            if not self._held:
                self._from_listener(data)

    def _write(self) -> None:
        """Write what there is; the rest once there is room, or after the time between two bytes."""
        loop = asyncio.get_running_loop()
        loop.remove_writer(self._near)
        if self._pump is not None or not self._out:
            return
        written = 0
        with contextlib.suppress(BlockingIOError):
            written = os.write(self._near, self._out[: 1 if self._slow_s else _READ_BYTES])
        del self._out[:written]
        if self._out and written and self._slow_s:
            self._pump = loop.call_later(self._slow_s, self._go_on)
        elif self._out:
            loop.add_writer(self._near, self._write)

    def _go_on(self) -> None:
        self._pump = None
        self._write()


_watched: dict[str, list[int]] = {}
"""By the path of a port: when it was opened to be looked at, which each attempt to connect does first."""


def _note_opening(event: str, arguments: tuple[object, ...]) -> None:
    if event == "open" and _watched:
        path, _, flags = arguments
        opened = _watched.get(str(path))
        if opened is not None and isinstance(flags, int) and flags & os.O_ACCMODE == os.O_RDONLY:
            opened.append(clock())


sys.addaudithook(_note_opening)
