"""Bytes of a printed log in, lines out. No I/O, and never more memory than one line.

What ends a line is declared (``LineEnd``). Bytes stay bytes, whatever they are. Blank lines are passed over.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from harness.core.links import LineEnd
from harness.links.seen import Message

HEAD_BYTES: Final = 64
"""So much of a line that was too long, or cut off, is kept to show what it was."""

_ENDS: Final = {
    LineEnd.ANY: re.compile(rb"\r\n?|\n"),
    LineEnd.CRLF: re.compile(rb"\n"),
    LineEnd.LF: re.compile(rb"\n"),
    LineEnd.CR: re.compile(rb"\r"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NoLine:
    """Bytes that did not become a line: too many of them, or cut off. ``head``: the first of them."""

    at_ns: int
    why: str
    head: bytes


class LineFramer:
    """Frames the bytes of one connection; each connection takes a new one."""

    def __init__(self, line_end: LineEnd, line_max_bytes: int) -> None:
        """ValueError where ``line_max_bytes`` is below 1."""
        if line_max_bytes < 1:
            raise ValueError(f"line_max_bytes={line_max_bytes}: expected at least 1")
        self._end = _ENDS[line_end]
        self._is_crlf = line_end is LineEnd.CRLF
        self._is_any = line_end is LineEnd.ANY
        self._max = line_max_bytes
        self._kept = bytearray()
        self._first_ns = self._last_ns = 0
        self._too_long = False
        self._swallow_lf = False

    def receive(self, data: bytes, since_ns: int, at_ns: int) -> list[Message | NoLine]:
        """The lines that ``data`` ends. Nothing of it had come in at ``since_ns``, all of it had at ``at_ns``."""
        found: list[Message | NoLine] = []
        position = 0
        if self._swallow_lf and data:
            position = int(data[:1] == b"\n")
            self._swallow_lf = False
        for end in self._end.finditer(data, position):
            self._keep(data[position : end.start()], since_ns, at_ns, found)
            position = end.end()
            if self._is_crlf and not self._kept.endswith(b"\r"):
                self._keep(b"\n", since_ns, at_ns, found)
                continue
            self._finish(found)
            self._swallow_lf = self._is_any and end.group() == b"\r" and position == len(data)
        self._keep(data[position:], since_ns, at_ns, found)
        return found

    def quiet(self, until_ns: int) -> list[Message | NoLine]:  # noqa: ARG002 - silence ends no line
        """Nothing: a line ends with its line end, however long that takes."""
        return []

    def cut_off(self, at_ns: int) -> NoLine | None:
        """The line that had begun when the connection was lost, if any."""
        if not self._kept or self._too_long:
            return None
        why = "a line was cut off by the end of the connection"
        return NoLine(at_ns=at_ns, why=why, head=bytes(self._kept[:HEAD_BYTES]))

    def _keep(self, piece: bytes, since_ns: int, at_ns: int, found: list[Message | NoLine]) -> None:
        if not piece:
            return
        if self._too_long:
            self._kept[:] = piece[-1:]  # whether a CR came last is all that still matters
            return
        if not self._kept:
            self._first_ns = since_ns
        self._last_ns = at_ns
        room = self._max - len(self._kept)
        # The CR of a CR LF is no part of the line, and is known as such only with the LF.
        if len(piece) <= room or (self._is_crlf and len(piece) == room + 1 and piece.endswith(b"\r")):
            self._kept += piece
            return
        head = bytes(self._kept[:HEAD_BYTES]) + piece[:HEAD_BYTES]
        why = f"a line longer than {self._max} bytes"
        found.append(NoLine(at_ns=at_ns, why=why, head=head[:HEAD_BYTES]))
        self._too_long = True
        self._kept[:] = piece[-1:]

    def _finish(self, found: list[Message | NoLine]) -> None:
        data = bytes(self._kept[:-1] if self._is_crlf else self._kept)
        if data and not self._too_long:
            found.append(Message(first_ns=self._first_ns, last_ns=self._last_ns, data=data))
        self._kept.clear()
        self._too_long = False
