"""From the bytes of a bus that has a master to its reads and their answers. Pure; instants are handed in.

A stream of RTU frames does not say where a frame ends, nor which way it goes. Both are found from the length that
its function gives it (*MODBUS Application Protocol Specification V1.1b3*, 6) and its CRC; an answer is one only after
a request that it fits, and where nothing fits, bytes are passed over one by one, and counted. Silences are not relied
on: what hands the bytes on (a driver, an adapter, a device server) keeps none.

One pair of frames cannot be told apart: an answer of three bytes of bits, and a request for addresses from 768 to 1023
of the same unit and function. It is an answer where it came so soon after the request that no master can have given
up yet, and where the master is not known to make that very request; else nothing is credited.

Bytes may be lost on their way here, and with them the end of one answer and most of the next request, so that the
answer to that would seem to belong to the request before. What is left of them shows it: an answer is credited only
where nothing but what the switching of a line leaves came between. Assumed: no loss is exactly as long as some answers
and requests together, since what is left would fit without a seam.

Late answers are treated as in ``modbus_rtu_owed``: on this bus it is the master that may take one for another. Nobody
here can ask again, so one more thing is assumed, with the times of the site file: an answer that has not come by the
end of time-out and silence never comes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

from harness.core.instants import NS_PER_MS
from harness.links.modbus_pdu import EXCEPTION_FLAG, ReadRequest, exception_name, parse_read_request
from harness.links.modbus_rtu_frames import (
    ANSWER_OVERHEAD,
    EXCEPTION_BYTES,
    FRAME_BYTES_MAX,
    READ_FUNCTIONS,
    NoAnswer,
    RtuAnswer,
    has_good_crc,
    misfit,
    take_answer,
)
from harness.links.modbus_rtu_owed import OwedAnswers, Whose

ANSWERED_SOON_NS: Final = 50 * NS_PER_MS
"""No master gives a unit up so soon: time-outs are 1 s to several seconds at 9,600 baud (V1.02, 2.4.1)."""
TURNAROUND_BYTES_MAX: Final = 2
TURNAROUND: Final = b"\x00\xff"
"""What a line leaves behind where its driver is switched on or off: a byte or two of all the same bits (common
practice, no source). What is left of a lost frame ends with its CRC, or begins with the number of a unit."""
KNOWN_MAX: Final = 4096
"""Requests of the master that are remembered; a master with more reads the whole table space of a large site."""

_REQUEST_SIZES: Final = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10, 24: 6, 43: 7}
_REQUEST_COUNTED: Final = {15: (6, 9), 16: (6, 9), 20: (2, 5), 21: (2, 5), 23: (10, 13)}
"""Function: (where its byte count is, the size of the frame without what is counted)."""
_ANSWER_SIZES: Final = {5: 8, 6: 8, 7: 5, 8: 8, 11: 8, 15: 8, 16: 8, 22: 10}
_ANSWER_COUNTED: Final = dict.fromkeys((1, 2, 3, 4, 12, 17, 20, 21, 23), (2, 5))


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """The master read something, and was answered. The value was true at some instant of the two."""

    request: ReadRequest
    asked_ns: int
    told_ns: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class NotHeard:
    """The master asked, and no usable answer was heard."""

    request: ReadRequest
    asked_ns: int
    given_up_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PassedOver:
    """Bytes that belong to nothing."""

    at_ns: int
    what: str
    data: bytes


Overheard = Heard | NotHeard | PassedOver


@dataclass(frozen=True, slots=True, kw_only=True)
class _Open:
    """A request that was not answered yet. ``read``: None for one that reads nothing that farend looks at."""

    unit: int
    function: int
    read: ReadRequest | None
    asked_ns: int
    heard_ns: int


class Overhearer:
    """Pairs the frames of one bus. Holds a frame of 256 bytes at the most, and the requests that it knows."""

    def __init__(self, *, timeout_ns: int, quiet_ns: int, delay_max_ns: int) -> None:
        """``delay_max_ns``: what carries the bytes here holds them back for so long at the most."""
        self._timeout_ns = timeout_ns
        self._delay_max_ns = delay_max_ns
        self._owed = OwedAnswers(timeout_ns + quiet_ns + delay_max_ns)
        self._held = b""
        self._arrivals: deque[tuple[int, int, int]] = deque()
        self._passed = b""
        self._between = b""  # passed over since the request that is open
        self._open: _Open | None = None
        self._known: set[ReadRequest] = set()
        self._events: list[Overheard] = []

    def feed(self, data: bytes, since_ns: int, at_ns: int) -> list[Overheard]:
        """What ``data`` completes. It was not there at ``since_ns``, and was at ``at_ns``."""
        self._held += data
        self._arrivals.append((len(data), since_ns, at_ns))
        self._go_on(at_ns, is_idle=False)
        return self._taken()

    def idle(self, now_ns: int) -> list[Overheard]:
        """What is known once nothing has come for longer than a frame can pause: call it after each silence."""
        self._go_on(now_ns, is_idle=True)
        if self._held:
            self._skip(len(self._held), now_ns)
        self._report_passed(now_ns)
        if self._open is not None and now_ns - self._open.heard_ns > self._timeout_ns:
            self._unanswered(now_ns, "the master's request was not answered")
        return self._taken()

    def _taken(self) -> list[Overheard]:
        events, self._events = self._events, []
        return events

    # --- cutting ---

    def _go_on(self, at_ns: int, *, is_idle: bool) -> None:
        while self._held:
            size = self._frame_size(is_idle=is_idle)
            if size is None:
                return
            if size == 0:
                self._skip(1, at_ns)
                continue
            frame = self._held[:size]
            self._report_passed(at_ns)
            self._take(frame, at_ns)
            self._consume(size)

    def _frame_size(self, *, is_idle: bool) -> int | None:
        """The size of the frame at the beginning of what is held; 0: none begins here; None: more bytes are needed."""
        is_waiting = False
        for size in self._sizes():
            if size is None or size > len(self._held):
                is_waiting = True
            elif (is_idle or not is_waiting) and has_good_crc(self._held[:size]):
                return size
        return None if is_waiting and not is_idle else 0

    def _sizes(self) -> list[int | None]:
        """The sizes that a frame here can have, the likeliest first; None: its byte count has not come yet."""
        data = self._held
        if len(data) < 2:
            return [None]
        unit, function = data[0], data[1]
        as_answer: list[int | None] = (
            [EXCEPTION_BYTES] if function & EXCEPTION_FLAG else _size_of(data, _ANSWER_SIZES, _ANSWER_COUNTED)
        )
        as_request = _size_of(data, _REQUEST_SIZES, _REQUEST_COUNTED)
        expected = self._open
        fits = expected is not None and (unit, function & ~EXCEPTION_FLAG) == (expected.unit, expected.function)
        if fits and expected is not None and expected.read is not None and not function & EXCEPTION_FLAG:
            fits = len(data) < 3 or data[2] == expected.read.payload_bytes
        return as_answer + as_request if fits else as_request + as_answer

    def _skip(self, count: int, at_ns: int) -> None:
        self._passed += self._held[:count]
        self._between = (self._between + self._held[:count])[: TURNAROUND_BYTES_MAX + 1]
        self._consume(count)
        if len(self._passed) >= FRAME_BYTES_MAX:
            self._report_passed(at_ns)

    def _report_passed(self, at_ns: int) -> None:
        if self._passed:
            what = f"{len(self._passed)} bytes that are no frame"
            self._events.append(PassedOver(at_ns=at_ns, what=what, data=self._passed))
            self._passed = b""

    def _consume(self, count: int) -> None:
        self._held = self._held[count:]
        while count:
            size, since_ns, at_ns = self._arrivals.popleft()
            if size > count:
                self._arrivals.appendleft((size - count, since_ns, at_ns))
                return
            count -= size

    def _arrival_of(self, index: int) -> tuple[int, int]:
        """Bounds of the arrival of a held byte."""
        for size, since_ns, at_ns in self._arrivals:
            if index < size:
                return since_ns, at_ns
            index -= size
        raise IndexError(index)

    # --- pairing ---

    def _take(self, frame: bytes, at_ns: int) -> None:
        """One frame with a good CRC."""
        unit, function = frame[0], frame[1] & ~EXCEPTION_FLAG
        first_since_ns, first_at_ns = self._arrival_of(0)
        last_since_ns, last_at_ns = self._arrival_of(len(frame) - 1)
        is_answer = self._is_answer(frame, first_at_ns)
        if is_answer is not False:
            self._give_up_in_doubt(first_since_ns, at_ns)
        if is_answer is None:
            self._unanswered(at_ns, "what followed may be its answer, or a request")
            self._events.append(PassedOver(at_ns=at_ns, what="an answer or a request", data=frame))
        elif is_answer:
            self._take_answer(frame, last_at_ns)
        else:
            if self._open is not None:
                self._unanswered(first_at_ns, "the master's request was not answered before its next one")
            asked = parse_read_request(unit, frame[1:-2]) if function in READ_FUNCTIONS else None
            self._owed.asking(unit)
            if unit == 0:
                return  # to all units, which do not answer (V1.02, 2.1)
            self._open = _Open(
                unit=unit,
                function=function,
                read=asked if isinstance(asked, ReadRequest) else None,
                asked_ns=last_since_ns - self._delay_max_ns,
                heard_ns=last_at_ns,
            )
            self._between = b""

    def _give_up_in_doubt(self, first_since_ns: int, at_ns: int) -> None:
        """Before an answer is looked at that was not there at ``first_since_ns``: can it still be the open one?"""
        if self._open is None:
            return
        if first_since_ns - self._delay_max_ns - self._open.heard_ns > self._timeout_ns:
            self._unanswered(at_ns, "the master's request was not answered within its time-out")
        elif len(self._between) > TURNAROUND_BYTES_MAX or self._between.strip(TURNAROUND):
            self._unanswered(at_ns, "bytes were lost behind the request, perhaps another request among them")

    def _is_answer(self, frame: bytes, first_at_ns: int) -> bool | None:
        """Which way a frame goes; None where that cannot be told."""
        function = frame[1]
        if function & EXCEPTION_FLAG:
            return True
        size = len(frame)
        can_be_answer = size in _size_of(frame, _ANSWER_SIZES, _ANSWER_COUNTED)
        can_be_request = size in _size_of(frame, _REQUEST_SIZES, _REQUEST_COUNTED)
        asked = parse_read_request(frame[0], frame[1:-2]) if function in READ_FUNCTIONS and can_be_request else None
        if function in READ_FUNCTIONS and not isinstance(asked, ReadRequest):
            can_be_request = can_be_request and not can_be_answer
        if not (can_be_answer and can_be_request):
            return can_be_answer
        expected = self._open
        if expected is None or (expected.unit, expected.function) != (frame[0], function):
            return False
        if not isinstance(asked, ReadRequest) or expected.read is None:
            return True  # an echo of what was written, or a function that reads nothing here
        if expected.read.payload_bytes != frame[2]:
            return False
        is_soon = first_at_ns - expected.asked_ns - self._delay_max_ns <= ANSWERED_SOON_NS
        return True if is_soon and asked != expected.read and asked not in self._known else None

    def _take_answer(self, frame: bytes, told_ns: int) -> None:
        answer = take_answer(frame)
        if answer is None or isinstance(answer, NoAnswer):
            self._answered_otherwise(frame)
            return
        expected = self._open
        request = None if expected is None else expected.read
        match = self._owed.take(answer, request, 0 if expected is None else expected.asked_ns, told_ns)
        if match.whose is Whose.LATE or expected is None or request is None:
            what = "a late answer" if match.whose is Whose.LATE else "an answer whose request was not heard"
            self._events.append(PassedOver(at_ns=told_ns, what=f"{what}, of unit {answer.unit}", data=frame))
            self._answered_otherwise(frame)
        elif match.whose is Whose.OWN and answer.code is None:
            self._open = None
            if len(self._known) < KNOWN_MAX:
                self._known.add(request)
            self._events.append(
                Heard(request=request, asked_ns=match.asked_ns, told_ns=told_ns, payload=answer.payload)
            )
        elif match.whose is Whose.NOBODY:
            self._events.append(PassedOver(at_ns=told_ns, what=misfit(request, answer), data=frame))
        else:
            self._open = None
            self._failed(request, expected.asked_ns, told_ns, _why(answer))

    def _answered_otherwise(self, frame: bytes) -> None:
        """An answer to a request that reads nothing that farend looks at."""
        expected = self._open
        fits = expected is not None and (expected.unit, expected.function) == (frame[0], frame[1] & ~EXCEPTION_FLAG)
        if fits and expected is not None and expected.read is None:
            self._open = None

    def _unanswered(self, at_ns: int, why: str) -> None:
        expected, self._open = self._open, None
        if expected is not None and expected.read is not None:
            self._owed.give_up(expected.read, expected.asked_ns)
            self._failed(expected.read, expected.asked_ns, at_ns, why)

    def _failed(self, request: ReadRequest, asked_ns: int, at_ns: int, why: str) -> None:
        given_up_ns = max(asked_ns, at_ns)
        self._events.append(NotHeard(request=request, asked_ns=asked_ns, given_up_ns=given_up_ns, why=why))


def _size_of(data: bytes, fixed: dict[int, int], counted: dict[int, tuple[int, int]]) -> list[int | None]:
    """The size of the frame that ``data`` begins, in a list; [None] while its byte count is missing; []: none."""
    function = data[1]
    if function in fixed:
        return [fixed[function]]
    if function not in counted:
        return []
    at, rest = counted[function]
    if len(data) <= at:
        return [None]
    size = rest + data[at]
    return [size] if ANSWER_OVERHEAD < size <= FRAME_BYTES_MAX else []


def _why(answer: RtuAnswer) -> str:
    if answer.code is not None:
        return exception_name(answer.code)
    return "the answer may belong to an earlier request"
