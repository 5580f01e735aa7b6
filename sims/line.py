"""A serial line in virtual time: which byte is on it when, and where a frame ends. No ports, no clock.

A character has 11 bits (start, 8 data, parity, stop: MODBUS over Serial Line V1.02, 2.5.1), so it takes 11 / baud
seconds. A frame ends with a silence of 3.5 characters, or of 1.75 ms above 19,200 baud (2.5.1.1). The line is of two
wires: whoever talks while another one does spoils both.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final, NamedTuple

CHARACTER_BITS: Final = 11
UNITS: Final = 0  # the talker that is all units together; every other number is a connection's
PENDING_MAX: Final = 4096  # characters on their way of one talker: more than ten frames; what comes on top is lost

_FAST_BAUD: Final = 19_200
_FAST_GAP_NS: Final = 1_750_000


class _Character(NamedTuple):
    end_ns: int
    byte: int


class Line:
    """One bus. ``on_bytes(talker, data, end_ns)`` tells of characters whose last bit has passed, in order;
    ``on_frame(frame, at_ns)`` of what the units take for a request: bytes of others, ended by silence."""

    def __init__(
        self, baud: int, on_bytes: Callable[[int, bytes, int], None], on_frame: Callable[[bytes, int], None]
    ) -> None:
        self.baud = baud
        self.character_ns = round(CHARACTER_BITS * 1_000_000_000 / baud)
        self.gap_ns = round(3.5 * CHARACTER_BITS * 1_000_000_000 / baud) if baud <= _FAST_BAUD else _FAST_GAP_NS
        self._on_bytes = on_bytes
        self._on_frame = on_frame
        self._sending: dict[int, deque[_Character]] = {}
        self._free_ns: dict[int, int] = {}
        self._frame = bytearray()
        self._heard_ns = 0

    @property
    def listening(self) -> bool:
        """Whether the units have heard the beginning of a frame, and not yet its end."""
        return bool(self._frame)

    def wire_ns(self, count: int) -> int:
        """How long so many characters take."""
        return count * self.character_ns

    def put(self, talker: int, data: bytes, from_ns: int) -> int:
        """Have a talker send bytes from an instant on, after all that it is sending already.

        Returns the end of the last one. Characters that are on the line at the same time as another talker's are
        spoilt, both: where two drive the line, a 0 wins.
        """
        sending = self._sending.setdefault(talker, deque())
        start_ns = max(from_ns, self._free_ns.get(talker, 0))
        for number, byte in enumerate(data[: PENDING_MAX - len(sending)], start=1):
            sending.append(_Character(start_ns + number * self.character_ns, byte))
            self._free_ns[talker] = start_ns + number * self.character_ns
        self._collide(talker, start_ns)
        return self._free_ns.get(talker, start_ns)

    def forget(self, talker: int) -> None:
        """A talker has gone."""
        self._sending.pop(talker, None)
        self._free_ns.pop(talker, None)

    @property
    def due_ns(self) -> int | None:
        """When something happens next, if nobody sends anything before; None while the line is quiet."""
        dues = [sending[0].end_ns for sending in self._sending.values() if sending]
        if (end_ns := self._frame_end_ns()) is not None:
            dues.append(end_ns)
        return min(dues, default=None)

    def advance(self, now_ns: int) -> None:
        """Let everything happen that is due by now, in its order."""
        while True:
            heads = [(sending[0].end_ns, talker) for talker, sending in self._sending.items() if sending]
            byte_ns, talker = min(heads, default=(now_ns + 1, UNITS))
            frame_ns = self._frame_end_ns()
            if frame_ns is not None and frame_ns < byte_ns and frame_ns <= now_ns:
                frame = bytes(self._frame)
                self._frame.clear()
                self._on_frame(frame, frame_ns)
            elif byte_ns <= now_ns:
                others_ns = min((ns for ns, other in heads if other != talker), default=now_ns)
                self._pass(talker, min(now_ns, max(byte_ns, others_ns)))
            else:
                return

    def _pass(self, talker: int, until_ns: int) -> None:
        """All characters of one talker up to an instant leave the line, unless the units find a frame's end before."""
        sending = self._sending[talker]
        data = bytearray()
        last_ns = 0
        while sending and sending[0].end_ns <= until_ns:
            begins_ns = sending[0].end_ns - self.character_ns
            if data and (begins_ns > last_ns or (talker == UNITS and self._frame)):
                break
            last_ns, byte = sending.popleft()
            data.append(byte)
        if talker != UNITS:
            self._frame += data
            self._heard_ns = last_ns
        self._on_bytes(talker, bytes(data), last_ns)

    def _frame_end_ns(self) -> int | None:
        """When the silence after the last byte is long enough, if no other begins before."""
        if not self._frame:
            return None
        end_ns = self._heard_ns + self.gap_ns
        begins = (s[0].end_ns - self.character_ns for talker, s in self._sending.items() if s and talker != UNITS)
        return None if any(begin_ns < end_ns for begin_ns in begins) else end_ns

    def _collide(self, talker: int, start_ns: int) -> None:
        mine = self._sending[talker]
        for other, theirs in self._sending.items():
            if other == talker or not theirs or theirs[-1].end_ns <= start_ns:
                continue
            for i, my in enumerate(mine):
                for k, their in enumerate(theirs):
                    if abs(my.end_ns - their.end_ns) < self.character_ns:
                        both = my.byte & their.byte
                        mine[i], theirs[k] = my._replace(byte=both), their._replace(byte=both)
