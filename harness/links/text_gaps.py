"""Printed bytes framed by silence or by length. No I/O, and never more memory than one message.

A silence between two reads is known within bounds only, since a loop that was busy reads late: no shorter than from the
read before to the last instant at which nothing more had come, no longer than from the last instant at which the read
before had not come to this read. So there are three answers: it certainly was a gap, it certainly was none, or nobody
knows. Where nobody knows, two messages may have become one, or one two: such bytes are no message. They are reported
as dropped, up to the next certain gap, and what was lost with them is a break in the evidence and never silence. The
same holds of the first bytes of a connection, unless a certain gap came before them: they may be the end of a message.

Assumed, since nothing here can see it: that within a message no silence is as long as the gap, and that driver and
adapter pass bytes on with delays that differ by less than the gap. A serial device server packs bytes into segments as
it likes, so over TCP the gap has to be longer than it may hold bytes back.

CR and LF at either end of a message are no part of it, and a message of nothing else is passed over.
"""

from __future__ import annotations

from typing import Final, Protocol

from harness.core.instants import NS_PER_MS
from harness.core.links import Framing, TextLink
from harness.links.seen import Message
from harness.links.text_framing import HEAD_BYTES, LineFramer, NoLine

GAP_MIN_NS: Final = 5 * NS_PER_MS
"""A shorter silence cannot be told by an event loop that notes its turns every millisecond."""

RESYNC_NS: Final = 500 * NS_PER_MS
"""A silence within a message of fixed length, after which a new one begins: common practice, no source."""

_ENDS: Final = b"\r\n"


class Framer(Protocol):
    """Frames the bytes of one connection; each connection takes a new one."""

    def receive(self, data: bytes, since_ns: int, at_ns: int) -> list[Message | NoLine]:
        """The messages that ``data`` ends. Nothing of it had come in at ``since_ns``, all of it had at ``at_ns``."""

    def quiet(self, until_ns: int) -> list[Message | NoLine]:
        """The message that ended because nothing more had come in at ``until_ns``."""

    def cut_off(self, at_ns: int) -> NoLine | None:
        """The message that had begun when the connection was lost, if any."""


def framer_of(spec: TextLink, begun_ns: int) -> Framer:
    """The framer of a connection that came up at ``begun_ns``. ValueError where the link's framing cannot work."""
    match spec.framing:
        case Framing.LINE_END:
            return LineFramer(spec.line_end, spec.line_max_bytes)
        case Framing.IDLE_GAP:
            return GapFramer(spec.idle_gap_ns, spec.line_max_bytes, begun_ns)
        case Framing.LENGTH:
            return LengthFramer(spec.message_bytes, spec.line_max_bytes, begun_ns, spec.idle_gap_ns or RESYNC_NS)


class _Gaps:
    """What is known of the silence before bytes that come in."""

    def __init__(self, gap_ns: int, begun_ns: int) -> None:
        """ValueError where ``gap_ns`` is too short to be told."""
        if gap_ns < GAP_MIN_NS:
            raise ValueError(f"idle_gap_ns={gap_ns}: expected at least {GAP_MIN_NS} (5 ms): no loop tells less")
        self.gap_ns = gap_ns
        self._since_ns = self._at_ns = begun_ns

    def before(self, since_ns: int, at_ns: int) -> bool | None:
        """Whether a gap lay between the last bytes and those of now; None where that is not known."""
        if self.ended_by(since_ns):
            return True
        return False if at_ns - self._since_ns < self.gap_ns else None

    def ended_by(self, until_ns: int) -> bool:
        """Whether a gap has certainly passed since the last bytes, where nothing had come in at ``until_ns``."""
        return until_ns - self._at_ns >= self.gap_ns

    def note(self, since_ns: int, at_ns: int) -> None:
        """Bytes came in."""
        self._since_ns, self._at_ns = since_ns, at_ns


class GapFramer:
    """A message ends with a silence of at least ``gap_ns`` after it."""

    def __init__(self, gap_ns: int, max_bytes: int, begun_ns: int) -> None:
        """ValueError where no message fits, or where ``gap_ns`` is too short to be told."""
        if max_bytes < 1:
            raise ValueError(f"line_max_bytes={max_bytes}: expected at least 1")
        self._gaps = _Gaps(gap_ns, begun_ns)
        self._max = max_bytes
        self._kept = bytearray()
        self._first_ns = self._last_ns = 0
        self._is_lost = False
        self._is_new = True

    def receive(self, data: bytes, since_ns: int, at_ns: int) -> list[Message | NoLine]:
        """See ``Framer.receive``. What one read brought at once is one piece only if no gap fits into that read."""
        if not data:
            return []
        gap = self._gaps.before(since_ns, at_ns)
        found = self._finish() if gap else []
        in_doubt = gap is None and bool(self._kept or self._is_lost)
        if self._is_new and not gap:
            self._lose(data, at_ns, "the end of a message that had begun before the connection", found)
        elif in_doubt or (at_ns - since_ns >= self._gaps.gap_ns and len(data) > 1):
            gap_ms = self._gaps.gap_ns / NS_PER_MS
            why = f"bytes that were read too late to tell whether a gap of {gap_ms:g} ms lay between"
            self._lose(data, at_ns, why, found)
        elif len(self._kept) + len(data) > self._max:
            self._lose(data, at_ns, f"a message longer than {self._max} bytes", found)
        self._is_new = False
        if not self._is_lost:
            if not self._kept:
                self._first_ns = since_ns
            self._kept += data
            self._last_ns = at_ns
        self._gaps.note(since_ns, at_ns)
        return found

    def quiet(self, until_ns: int) -> list[Message | NoLine]:
        """See ``Framer.quiet``."""
        return self._finish() if self._gaps.ended_by(until_ns) else []

    def cut_off(self, at_ns: int) -> NoLine | None:
        """See ``Framer.cut_off``."""
        return _cut_off(self._kept, at_ns)

    def _lose(self, data: bytes, at_ns: int, why: str, found: list[Message | NoLine]) -> None:
        """Once for all that is lost up to the next certain gap."""
        if not self._is_lost:
            found.append(NoLine(at_ns=at_ns, why=why, head=(bytes(self._kept) + data)[:HEAD_BYTES]))
        self._is_lost = True
        self._kept.clear()

    def _finish(self) -> list[Message | NoLine]:
        data = bytes(self._kept).strip(_ENDS)
        self._kept.clear()
        self._is_lost = False
        return [Message(first_ns=self._first_ns, last_ns=self._last_ns, data=data)] if data else []


class LengthFramer:
    """Every ``message_bytes`` bytes are one message; a silence of ``resync_ns`` begins a new one.

    Assumed: no byte is lost within a message. One that was shows at the next silence, as a message too short.
    """

    def __init__(self, message_bytes: int, max_bytes: int, begun_ns: int, resync_ns: int = RESYNC_NS) -> None:
        """ValueError where the length is not from 1 to ``max_bytes``, or the silence too short to be told."""
        if not 1 <= message_bytes <= max_bytes:
            raise ValueError(f"message_bytes={message_bytes}: expected 1 to line_max_bytes={max_bytes}")
        self._gaps = _Gaps(resync_ns, begun_ns)
        self._length = message_bytes
        self._kept = bytearray()
        self._first_ns = 0
        self._is_lost = False
        self._is_new = True

    def receive(self, data: bytes, since_ns: int, at_ns: int) -> list[Message | NoLine]:
        """See ``Framer.receive``."""
        if not data:
            return []
        gap = self._gaps.before(since_ns, at_ns)
        found = self._resync(at_ns) if gap else []
        if self._is_new and not gap:
            why = "bytes of which nobody knows where a message begins: they came before a silence"
            self._lose(data, at_ns, why, found)
        elif gap is None and self._kept:
            why = "bytes that were read too late to tell whether a new message begins with them"
            self._lose(data, at_ns, why, found)
        self._is_new = False
        self._gaps.note(since_ns, at_ns)
        if not self._is_lost:
            self._take(data, since_ns, at_ns, found)
        return found

    def quiet(self, until_ns: int) -> list[Message | NoLine]:
        """See ``Framer.quiet``."""
        return self._resync(until_ns) if self._gaps.ended_by(until_ns) else []

    def cut_off(self, at_ns: int) -> NoLine | None:
        """See ``Framer.cut_off``."""
        return _cut_off(self._kept, at_ns)

    def _take(self, data: bytes, since_ns: int, at_ns: int, found: list[Message | NoLine]) -> None:
        position = 0
        while position < len(data):
            if not self._kept:
                self._first_ns = since_ns
            piece = data[position : position + self._length - len(self._kept)]
            self._kept += piece
            position += len(piece)
            if len(self._kept) == self._length:
                text = bytes(self._kept).strip(_ENDS)
                self._kept.clear()
                if text:
                    found.append(Message(first_ns=self._first_ns, last_ns=at_ns, data=text))

    def _lose(self, data: bytes, at_ns: int, why: str, found: list[Message | NoLine]) -> None:
        if not self._is_lost:
            found.append(NoLine(at_ns=at_ns, why=why, head=(bytes(self._kept) + data)[:HEAD_BYTES]))
        self._is_lost = True
        self._kept.clear()

    def _resync(self, at_ns: int) -> list[Message | NoLine]:
        self._is_lost = False
        head = bytes(self._kept[:HEAD_BYTES])
        if not head:
            return []
        why = f"a message of {len(self._kept)} bytes, then silence: expected {self._length}"
        self._kept.clear()
        return [NoLine(at_ns=at_ns, why=why, head=head)]


def _cut_off(kept: bytearray, at_ns: int) -> NoLine | None:
    if not kept:
        return None
    why = "a message was cut off by the end of the connection"
    return NoLine(at_ns=at_ns, why=why, head=bytes(kept[:HEAD_BYTES]))
