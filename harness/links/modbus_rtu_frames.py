"""Modbus RTU frames without I/O: requests out as bytes, answers in as frozen values.

A write is never built here: who may write hands its request in, whose only good answer is known beforehand.

Sources: *MODBUS over Serial Line Specification and Implementation Guide V1.02*, 2.5.1 (the frame: unit, PDU, CRC; at
most 256 bytes) and 6.2.2 (the CRC); *MODBUS Application Protocol Specification V1.1b3*, 6.1 to 6.4 and 7 (how long
answers are).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Protocol

from harness.links.modbus_pdu import EXCEPTION_FLAG, ReadRequest

FRAME_BYTES_MAX: Final = 256
CRC_BYTES: Final = 2
REQUEST_BYTES: Final = 8
"""Of a read: unit, function, address, count, CRC."""
ANSWER_OVERHEAD: Final = 5
"""Of an answer to a read, beside its values: unit, function, byte count, CRC."""
EXCEPTION_BYTES: Final = 5
READ_FUNCTIONS: Final = frozenset((1, 2, 3, 4))
ECHO_BYTES: Final = 8
"""Of an answer that repeats where and what was asked: unit, function, address, value or count, CRC (V1.1b3, 6.5, 6.6,
6.11 and 6.12)."""


class EchoRequest(Protocol):
    """A request that is carried for somebody else: its answer repeats it, and is known beforehand byte for byte."""

    @property
    def unit(self) -> int: ...
    @property
    def function(self) -> int: ...
    @property
    def pdu(self) -> bytes: ...
    @property
    def answer_pdu(self) -> bytes: ...


BusRequest = ReadRequest | EchoRequest


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
        table.append(register)
    return tuple(table)


_CRC_TABLE: Final = _crc_table()


def crc16(data: bytes) -> int:
    """The register after ``data`` (V1.02, 6.2.2: preset FFFF, polynomial A001 reflected)."""
    register = 0xFFFF
    for byte in data:
        register = register >> 8 ^ _CRC_TABLE[(register ^ byte) & 0xFF]
    return register


def with_crc(data: bytes) -> bytes:
    """``data`` and its CRC, low byte first (V1.02, 6.2.2)."""
    return data + crc16(data).to_bytes(2, "little")


def has_good_crc(frame: bytes) -> bool:
    """Whether the last two bytes are the CRC of those before them."""
    return len(frame) > CRC_BYTES and crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little")


def request_frame(request: BusRequest) -> bytes:
    """The whole request as it goes over the line."""
    return with_crc(bytes((request.unit,)) + request.pdu)


def request_bytes(request: BusRequest) -> int:
    """How long ``request`` is."""
    return 1 + len(request.pdu) + CRC_BYTES


def answer_bytes(request: BusRequest) -> int:
    """How long a good answer to ``request`` is."""
    if isinstance(request, ReadRequest):
        return ANSWER_OVERHEAD + request.payload_bytes
    return 1 + len(request.answer_pdu) + CRC_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class RtuAnswer:
    """One answer with a good CRC. ``code``: of an exception, else None. ``function`` is without the exception flag.

    ``payload``: the values of a read; of an echo all that follows the function.
    """

    unit: int
    function: int
    payload: bytes = b""
    code: int | None = None
    raw: bytes

    def fits(self, request: BusRequest) -> bool:
        """Whether this can be an answer to ``request``; nothing in the answer to a read names the address asked."""
        if (self.unit, self.function) != (request.unit, request.function):
            return False
        if self.code is not None:
            return True
        if isinstance(request, ReadRequest):
            return len(self.payload) == request.payload_bytes
        return self.payload == request.answer_pdu[1:]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoAnswer:
    """Bytes that are no answer to a read."""

    what: str


def take_answer(data: bytes, echoes: Collection[int] = ()) -> RtuAnswer | NoAnswer | None:
    """The answer at the beginning of ``data``; None where more bytes are needed to tell.

    Its end is found by its own length, so that no silence has to be waited for; its CRC must be good. ``echoes``: the
    functions whose answers repeat what was asked, as far as such were asked for.
    """
    if len(data) < 2:
        return None
    unit, function = data[0], data[1]
    if function & EXCEPTION_FLAG:
        size = EXCEPTION_BYTES
    elif function in echoes:
        size = ECHO_BYTES
    elif function not in READ_FUNCTIONS:
        return NoAnswer(what=f"function {function} answered, which reads nothing")
    elif len(data) < 3:
        return None
    else:
        size = ANSWER_OVERHEAD + data[2]
        if size > FRAME_BYTES_MAX:
            return NoAnswer(what=f"byte count {data[2]}, more than a frame of {FRAME_BYTES_MAX} bytes holds")
    if len(data) < size:
        return None
    raw = data[:size]
    if not has_good_crc(raw):
        found, right = raw[-2:].hex(" "), crc16(raw[:-2]).to_bytes(2, "little").hex(" ")
        return NoAnswer(what=f"CRC {found}, expected {right}")
    if function & EXCEPTION_FLAG:
        return RtuAnswer(unit=unit, function=function & ~EXCEPTION_FLAG, code=data[2], raw=raw)
    payload = raw[2:-2] if function in echoes else raw[3:-2]
    return RtuAnswer(unit=unit, function=function, payload=payload, raw=raw)


def misfit(request: BusRequest, answer: RtuAnswer) -> str:
    """Why ``answer`` is none to ``request``, in words."""
    if answer.unit != request.unit:
        return f"unit {answer.unit} answered, unit {request.unit} was asked"
    if answer.function != request.function:
        return f"function {answer.function} answered, function {request.function} was asked"
    if not isinstance(request, ReadRequest):
        return "the echo differs from what was asked"
    return f"{len(answer.payload)} bytes of values, expected {request.payload_bytes}"
