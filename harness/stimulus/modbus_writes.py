"""The four write functions of Modbus that an armed stimulus may use: 5, 6, 15 and 16. Pure; sends nothing.

It stands apart from the listening code on purpose, so that what listens cannot even build a write. Source: *MODBUS
Application Protocol Specification V1.1b3*, 6.5, 6.6, 6.11 and 6.12, and section 7 for exceptions.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from harness.core.places import Table

WRITE_SINGLE_COIL: Final = 5
WRITE_SINGLE_REGISTER: Final = 6
WRITE_MULTIPLE_COILS: Final = 15
WRITE_MULTIPLE_REGISTERS: Final = 16
COILS_MAX: Final = 1968
REGISTERS_MAX: Final = 123
TABLE_SIZE: Final = 65_536
COIL_ON: Final = 0xFF00
"""V1.1b3, 6.5: FF00 hex writes ON, 0000 writes OFF, and nothing else is legal."""

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_DATA_ADDRESS: Final = 2
ILLEGAL_DATA_VALUE: Final = 3

_COUNT_MAX: Final = {Table.COIL: COILS_MAX, Table.HOLDING_REGISTER: REGISTERS_MAX}


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteRequest:
    """Write ``values`` to one unit's coils (0 or 1) or holding registers (0 to 65535) from ``address`` (from 0).

    One value uses functions 5 and 6 unless ``multiple`` asks for 15 and 16, since some devices know only those.
    ``tail``, ``answer_head`` and ``answer_bytes`` are the whole exchange but for its transaction identifier: a write's
    good answer is known beforehand, byte for byte. Raises ValueError for what the specification does not allow, in its
    order of checks (figures 15, 16, 21 and 22): quantity and values, then address.
    """

    unit: int
    table: Table
    address: int
    values: tuple[int, ...]
    multiple: bool = False
    function: int = field(init=False, repr=False, compare=False)
    tail: bytes = field(init=False, repr=False, compare=False)
    answer_head: bytes = field(init=False, repr=False, compare=False)
    answer_bytes: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        count, count_max = len(self.values), _COUNT_MAX.get(self.table)
        if count_max is None:
            raise ValueError(
                f"table={self.table.value}: only {Table.COIL.value} and {Table.HOLDING_REGISTER.value} can be written"
            )
        if not 0 <= self.unit <= 255:
            raise ValueError(f"unit={self.unit}: expected 0 to 255 (one byte of the MBAP header)")
        if not 1 <= count <= count_max:
            raise ValueError(f"{count} values: one request writes 1 to {count_max} of table {self.table.value}")
        value_max = 1 if self.table.is_bits else 65_535
        for value in self.values:
            if not 0 <= value <= value_max:
                raise ValueError(f"value={value}: expected 0 to {value_max} for table {self.table.value}")
        if self.address < 0 or self.address + count > TABLE_SIZE:
            raise ValueError(
                f"address={self.address} with {count} values: expected addresses 0 to {TABLE_SIZE - 1}, from 0"
            )
        pdu = self._build(single=count == 1 and not self.multiple)
        echo = pdu[:5]
        put = object.__setattr__
        put(self, "function", pdu[0])
        put(self, "tail", _mbap(len(pdu)) + bytes((self.unit,)) + pdu)
        put(self, "answer_head", _mbap(len(echo)) + bytes((self.unit,)) + echo)
        put(self, "answer_bytes", 2 + len(self.answer_head))

    @property
    def pdu(self) -> bytes:
        """The request without its MBAP header."""
        return self.tail[5:]

    @property
    def answer_pdu(self) -> bytes:
        """The only good answer, without its MBAP header."""
        return self.answer_head[5:]

    def frame(self, transaction: int) -> bytes:
        """The whole request with its MBAP header."""
        return transaction.to_bytes(2, "big") + self.tail

    def _build(self, *, single: bool) -> bytes:
        where = self.address.to_bytes(2, "big")
        if self.table.is_bits:
            if single:
                return bytes((WRITE_SINGLE_COIL,)) + where + (COIL_ON * self.values[0]).to_bytes(2, "big")
            data = _pack_bits(self.values)
            function = WRITE_MULTIPLE_COILS
        else:
            if single:
                return bytes((WRITE_SINGLE_REGISTER,)) + where + self.values[0].to_bytes(2, "big")
            data = b"".join(value.to_bytes(2, "big") for value in self.values)
            function = WRITE_MULTIPLE_REGISTERS
        return bytes((function,)) + where + len(self.values).to_bytes(2, "big") + bytes((len(data),)) + data


def parse_write_request(unit: int, pdu: bytes) -> WriteRequest | int:
    """A request as the device sees it, or the exception code that the specification demands for it.

    Order of checks as in V1.1b3, figures 15, 16, 21 and 22: function (01), quantity, byte count and value (03), address
    and quantity (02).
    """
    function = pdu[0] if pdu else 0
    if function not in (WRITE_SINGLE_COIL, WRITE_SINGLE_REGISTER, WRITE_MULTIPLE_COILS, WRITE_MULTIPLE_REGISTERS):
        return ILLEGAL_FUNCTION
    if len(pdu) < 5:
        return ILLEGAL_DATA_VALUE
    table = Table.COIL if function in (WRITE_SINGLE_COIL, WRITE_MULTIPLE_COILS) else Table.HOLDING_REGISTER
    address, word = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    multiple = function in (WRITE_MULTIPLE_COILS, WRITE_MULTIPLE_REGISTERS)
    values = _multiple_values(table, word, pdu) if multiple else _single_value(table, word, pdu)
    if values is None:
        return ILLEGAL_DATA_VALUE
    if address + len(values) > TABLE_SIZE:
        return ILLEGAL_DATA_ADDRESS
    return WriteRequest(unit=unit, table=table, address=address, values=values, multiple=multiple)


def _single_value(table: Table, word: int, pdu: bytes) -> tuple[int] | None:
    if len(pdu) != 5 or (table.is_bits and word not in (0, COIL_ON)):
        return None
    return (word // COIL_ON if table.is_bits else word,)


def _multiple_values(table: Table, count: int, pdu: bytes) -> tuple[int, ...] | None:
    size = (count + 7) // 8 if table.is_bits else 2 * count
    if not 1 <= count <= _COUNT_MAX[table] or len(pdu) != 6 + size or pdu[5] != size:
        return None
    data = pdu[6:]
    if table.is_bits:
        return tuple(data[at >> 3] >> (at & 7) & 1 for at in range(count))
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, size, 2))


def _pack_bits(bits: tuple[int, ...]) -> bytes:
    """Least significant bit first; the last byte is filled up with zeros (V1.1b3, 6.11)."""
    packed = bytearray((len(bits) + 7) // 8)
    for at, bit in enumerate(bits):
        packed[at >> 3] |= bit << (at & 7)
    return bytes(packed)


def _mbap(pdu_bytes: int) -> bytes:
    """Protocol identifier 0 and the length, which counts the unit identifier too (TCP guide V1.0b, 3.1.3)."""
    return b"\x00\x00" + (1 + pdu_bytes).to_bytes(2, "big")
