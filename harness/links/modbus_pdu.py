"""Modbus reading without I/O: requests out as bytes, bytes in as frozen events. Functions 1 to 4 and no others.

Nothing in ``harness.links`` can build a request that changes a device; writes are built elsewhere, behind the
safety gate. Sources: *MODBUS Application Protocol Specification V1.1b3* (section numbers below) and *MODBUS
Messaging on TCP/IP Implementation Guide V1.0b*, 3.1.3 (the MBAP header).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, unique
from typing import Final, Protocol

from harness.core.places import Table

PDU_BYTES_MAX: Final = 253
"""V1.1b3, 4.1: an RS-485 frame of 256 bytes less address and checksum."""
MBAP_BYTES: Final = 7
LENGTH_MIN: Final = 2
"""The MBAP length counts the unit identifier and the PDU, which has a function code at least."""
LENGTH_MAX: Final = 1 + PDU_BYTES_MAX
TABLE_SIZE: Final = 65_536
"""V1.1b3, 4.4: addresses in a request are 0 to 65535."""
TRANSACTIONS: Final = 65_536
EXCEPTION_FLAG: Final = 0x80

_TABLE_OF_FUNCTION: Final = {table.read_function: table for table in Table}


@unique
class ExceptionCode(IntEnum):
    """Why a device refused a request (V1.1b3, 7)."""

    ILLEGAL_FUNCTION = 1
    ILLEGAL_DATA_ADDRESS = 2
    ILLEGAL_DATA_VALUE = 3
    SERVER_DEVICE_FAILURE = 4
    ACKNOWLEDGE = 5
    SERVER_DEVICE_BUSY = 6
    MEMORY_PARITY_ERROR = 8
    GATEWAY_PATH_UNAVAILABLE = 10
    GATEWAY_TARGET_FAILED_TO_RESPOND = 11


def exception_name(code: int) -> str:
    """``exception 02 (illegal data address)``; a code that the specification does not have is said to be so."""
    try:
        words = ExceptionCode(code).name.replace("_", " ").lower()
    except ValueError:
        words = "not in the specification"
    return f"exception {code:02d} ({words})"


class Request(Protocol):
    """What a transport needs to know of any request, to send it and to check its answer byte for byte.

    ``tail``: the frame after the transaction identifier. ``answer_head``: what must follow the transaction
    identifier in a good answer, up to its payload; ``answer_bytes``: the length of the whole good frame.
    """

    @property
    def unit(self) -> int: ...
    @property
    def function(self) -> int: ...
    @property
    def tail(self) -> bytes: ...
    @property
    def answer_head(self) -> bytes: ...
    @property
    def answer_bytes(self) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRequest:
    """Read ``count`` bits or registers of one unit's table from ``address`` (as in the request, from 0).

    Raises ValueError for what the specification does not allow, in its order of checks: quantity, then address
    (V1.1b3, 6.1 to 6.4, figures 11 to 14).
    """

    unit: int
    table: Table
    address: int
    count: int
    function: int = field(init=False, repr=False, compare=False)
    payload_bytes: int = field(init=False, repr=False, compare=False)
    tail: bytes = field(init=False, repr=False, compare=False)
    answer_head: bytes = field(init=False, repr=False, compare=False)
    answer_bytes: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 0 <= self.unit <= 255:
            raise ValueError(f"unit={self.unit}: expected 0 to 255 (one byte of the MBAP header)")
        if not 1 <= self.count <= self.table.count_max:
            raise ValueError(
                f"count={self.count}: one request reads 1 to {self.table.count_max} of table {self.table.value}; "
                "split it into several requests"
            )
        if self.address < 0 or self.address + self.count > TABLE_SIZE:
            raise ValueError(
                f"address={self.address} count={self.count}: expected addresses 0 to {TABLE_SIZE - 1}, counted from 0"
            )
        function = self.table.read_function
        size = (self.count + 7) // 8 if self.table.is_bits else 2 * self.count
        pdu = bytes((function,)) + self.address.to_bytes(2, "big") + self.count.to_bytes(2, "big")
        put = object.__setattr__
        put(self, "function", function)
        put(self, "payload_bytes", size)
        put(self, "tail", b"\x00\x00\x00\x06" + bytes((self.unit,)) + pdu)
        put(self, "answer_head", b"\x00\x00" + (3 + size).to_bytes(2, "big") + bytes((self.unit, function, size)))
        put(self, "answer_bytes", MBAP_BYTES + 2 + size)

    @property
    def pdu(self) -> bytes:
        """The request without its MBAP header."""
        return self.tail[5:]

    def frame(self, transaction: int) -> bytes:
        """The whole request with its MBAP header."""
        return transaction.to_bytes(2, "big") + self.tail


def parse_read_request(unit: int, pdu: bytes) -> ReadRequest | ExceptionCode:
    """A request as the device sees it, or the exception that the specification demands for it.

    Order of checks as in V1.1b3, figures 11 to 14: function (01), quantity (03), address and quantity (02).
    """
    table = _TABLE_OF_FUNCTION.get(pdu[0]) if pdu else None
    if table is None:
        return ExceptionCode.ILLEGAL_FUNCTION
    if len(pdu) != 5:
        return ExceptionCode.ILLEGAL_DATA_VALUE
    address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if not 1 <= count <= table.count_max:
        return ExceptionCode.ILLEGAL_DATA_VALUE
    if address + count > TABLE_SIZE:
        return ExceptionCode.ILLEGAL_DATA_ADDRESS
    return ReadRequest(unit=unit, table=table, address=address, count=count)


@dataclass(frozen=True, slots=True, kw_only=True)
class GoodAnswer:
    """The answer fits the request. ``payload``: the bytes after the byte count (empty for an echo)."""

    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionAnswer:
    """The device refused. ``code`` is as it came: 1 to 255, see ``exception_name``."""

    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """The answer carries the right transaction identifier and does not fit the request; nothing in it is evidence.

    ``torn``: its lengths contradict each other, so that where the next frame begins is not known either.
    """

    what: str
    torn: bool = False


AnswerEvent = GoodAnswer | ExceptionAnswer | Misfit


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One whole frame of the stream, cut at the length that its MBAP header gives."""

    transaction: bytes
    unit: int
    pdu: bytes
    raw: bytes


def check_answer(request: Request, frame: Frame) -> AnswerEvent:
    """Whether ``frame``, whose transaction identifier is already known to be the request's, answers ``request``.

    Checked in this order: unit, function, exception, byte count, length.
    """
    raw, pdu, head = frame.raw, frame.pdu, request.answer_head
    if len(raw) == request.answer_bytes and raw.startswith(head, 2):
        return GoodAnswer(payload=raw[2 + len(head) :])
    if frame.unit != request.unit:
        return Misfit(what=f"unit {frame.unit} answered, unit {request.unit} was asked")
    if pdu[0] == request.function | EXCEPTION_FLAG:
        if len(pdu) != 2:
            return Misfit(what=f"an exception of {len(pdu)} bytes, expected 2", torn=True)
        return ExceptionAnswer(code=pdu[1])
    if pdu[0] != request.function:
        return Misfit(what=f"function {pdu[0]} answered, function {request.function} was asked")
    if len(head) > MBAP_BYTES:
        return Misfit(what="the echo differs from what was asked", torn=len(raw) != request.answer_bytes)
    if len(pdu) < 2 or pdu[1] != len(pdu) - 2:
        said = pdu[1] if len(pdu) > 1 else "no"
        return Misfit(what=f"byte count {said}, but {max(0, len(pdu) - 2)} bytes follow it", torn=True)
    return Misfit(what=f"{pdu[1]} bytes of values, expected {request.answer_bytes - MBAP_BYTES - 2}")


class FrameSplitter:
    """Cuts a byte stream into frames. Never holds more than one frame (260 bytes) between two calls.

    A header that cannot be one (protocol identifier not 0, length not 2 to 254) breaks the stream for good:
    where the next frame begins is then unknown, and a guess could credit a value wrongly. ``broken`` says why.
    """

    __slots__ = ("_rest", "broken")

    def __init__(self) -> None:
        self._rest = b""
        self.broken: str | None = None

    @property
    def held(self) -> bytes:
        """The beginning of a frame whose end has not come yet."""
        return self._rest

    def feed(self, data: bytes) -> list[Frame]:
        """All frames that ``data`` completes, in order. After the stream broke: none, ever."""
        if self.broken is not None:
            return []
        data = self._rest + data if self._rest else data
        frames: list[Frame] = []
        at = 0
        while len(data) - at >= MBAP_BYTES - 1:
            protocol = int.from_bytes(data[at + 2 : at + 4], "big")
            length = int.from_bytes(data[at + 4 : at + 6], "big")
            if protocol != 0:
                self.broken = f"protocol identifier {protocol} in the MBAP header, expected 0"
            elif not LENGTH_MIN <= length <= LENGTH_MAX:
                self.broken = f"length {length} in the MBAP header, expected {LENGTH_MIN} to {LENGTH_MAX}"
            if self.broken is not None:
                self._rest = data[at : at + LENGTH_MAX + MBAP_BYTES - 1]
                return frames
            end = at + MBAP_BYTES - 1 + length
            if end > len(data):
                break
            raw = data[at:end]
            frames.append(Frame(transaction=raw[:2], unit=raw[6], pdu=raw[7:], raw=raw))
            at = end
        self._rest = data[at:]
        return frames
