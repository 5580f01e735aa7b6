"""A pseudo-terminal that behaves as a serial port does: raw, and with nothing in it that came while it was closed."""

from __future__ import annotations

import contextlib
import os
import select
from typing import Final

READ_MAX: Final = 4096


class Pty:
    """The near side of a pseudo-terminal; ``path`` is the far one, for whoever opens it as a serial port.

    Raises NotImplementedError where the system has none.
    """

    def __init__(self, what: str) -> None:
        if not hasattr(os, "openpty"):
            raise NotImplementedError(
                f"{what}: this system has no pseudo-terminals; expected Linux, macOS or another Unix: "
                "use the TCP port in its place"
            )
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)  # no echo, no CR LF conversion: the bytes arrive as they were sent, both ways
        os.set_blocking(self._master, False)
        self.path = os.ttyname(slave)
        os.close(slave)  # so that the near side can tell whether anybody has it open
        self._poll = select.poll()
        self._poll.register(self._master, 0)
        self._was_open = False
        self.bytes_lost = 0

    def fileno(self) -> int:
        """For selectors."""
        return self._master

    def is_open(self) -> bool:
        """Whether somebody has the far side open. What the last one left unread is thrown away."""
        open_now = not any(events & select.POLLHUP for _, events in self._poll.poll(0))
        if self._was_open and not open_now:
            self._forget()
        self._was_open = open_now
        return open_now

    def read(self) -> bytes:
        """What has come in; empty if nothing has, or nobody has it open."""
        try:
            return os.read(self._master, READ_MAX)
        except OSError:  # BlockingIOError: nothing there; EIO: nobody there
            return b""

    def write(self, data: bytes) -> None:
        """Send, if somebody has it open and reads; else the bytes are lost, as on any serial line."""
        written = 0
        if self.is_open():
            with contextlib.suppress(OSError):
                written = os.write(self._master, data)
        self.bytes_lost += len(data) - written

    def close(self) -> None:
        """The far side hangs up."""
        os.close(self._master)

    def _forget(self) -> None:
        import termios

        with contextlib.suppress(OSError, termios.error):
            slave = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                termios.tcflush(slave, termios.TCIOFLUSH)
            finally:
                os.close(slave)
