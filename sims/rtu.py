"""What a serial Modbus unit does with a request: check it, answer it, or keep quiet. No ports, no clock.

Framing and CRC: MODBUS over Serial Line V1.02, 2.5.1 and 6.2.2. Functions and exceptions: Application Protocol V1.1b3.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from sims.points import BIT_TABLES, Table

FRAME_MAX: Final = 256
BROADCAST: Final = 0  # heard by every unit, answered by none: 2.2

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3

_TABLES: Final = {1: Table.COIL, 2: Table.DISCRETE_INPUT, 3: Table.HOLDING_REGISTER, 4: Table.INPUT_REGISTER}
_BITS_MAX: Final = 2000
_REGISTERS_MAX: Final = 125

# Given a table, the first bit or register and how many: their values, or the code of an exception.
Read = Callable[[Table, int, int], Sequence[int] | int]


def crc(data: bytes) -> bytes:
    """The two bytes that end a frame, low byte first: preload FFFF, polynomial A001 (6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def framed(unit: int, pdu: bytes) -> bytes:
    """A whole frame."""
    body = bytes((unit, *pdu))
    return body + crc(body)


def unframed(frame: bytes) -> tuple[int, bytes] | None:
    """Unit and PDU of a whole frame; None if it is too short, too long or does not match its CRC."""
    if not 4 <= len(frame) <= FRAME_MAX or crc(frame[:-2]) != frame[-2:]:
        return None
    return frame[0], frame[1:-2]


def read_request(unit: int, table: Table, address: int, count: int) -> bytes:
    """The frame that asks for ``count`` bits or registers."""
    function = next(number for number, each in _TABLES.items() if each is table)
    return framed(unit, bytes((function, *address.to_bytes(2, "big"), *count.to_bytes(2, "big"))))


def answer(pdu: bytes, read: Read) -> bytes:
    """The PDU that answers a request. Nothing can be written: every other function is refused with exception 01."""
    function = pdu[0]
    table = _TABLES.get(function)
    if table is None:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_VALUE)
    address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if not 1 <= count <= (_BITS_MAX if table in BIT_TABLES else _REGISTERS_MAX):
        return _exception(function, ILLEGAL_VALUE)
    values = read(table, address, count)
    if isinstance(values, int):
        return _exception(function, values)
    data = _packed(values) if table in BIT_TABLES else b"".join(value.to_bytes(2, "big") for value in values)
    return bytes((function, len(data))) + data


def _exception(function: int, code: int) -> bytes:
    return bytes((function & 0x7F | 0x80, code))


def _packed(bits: Sequence[int]) -> bytes:
    """Eight bits a byte, the lowest address in the lowest bit (6.1)."""
    number = sum(bool(bit) << place for place, bit in enumerate(bits))
    return number.to_bytes((len(bits) + 7) // 8, "little")
