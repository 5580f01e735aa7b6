"""Modbus addresses as people write them, in the numbering that the site file declares, and back.

The data model's four tables, and number X being addressed as X - 1, are in the MODBUS Application Protocol
Specification V1.1b3, 4.3 and 4.4. The leading digit of a reference number that names the table is common practice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from harness.core.places import Numbering, Table
from harness.site.problems import Mismatch

ADDRESS_MAX: Final = 65535
REGISTER_BITS: Final = 16

TABLE_WORDS: Final = {
    "coil": Table.COIL,
    "discrete input": Table.DISCRETE_INPUT,
    "input register": Table.INPUT_REGISTER,
    "holding register": Table.HOLDING_REGISTER,
}
WORD_OF: Final = {table: word for word, table in TABLE_WORDS.items()}

_DIGIT_OF: Final = {
    Table.COIL: "0",
    Table.DISCRETE_INPUT: "1",
    Table.INPUT_REGISTER: "3",
    Table.HOLDING_REGISTER: "4",
}
_TABLE_OF: Final = {digit: table for table, digit in _DIGIT_OF.items()}
_WRITTEN: Final = re.compile(
    r"(?:(?P<table>coil|discrete[ -]input|input[ -]register|holding[ -]register)\s+)?"
    r"(?P<number>[0-9]{1,9})(?:\.(?P<bit>[0-9]{1,4})(?:\s*-\s*(?P<last>[0-9]{1,4}))?)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where it is on the wire: ``address`` from 0; ``bit`` (0 the least significant) only where one was written."""

    table: Table
    address: int
    bit: int | None = None
    bit_count: int = 1


def read_address(text: str, *, numbering: Numbering, table: Table | None, bits_from: int = 0) -> Address:
    """The address that ``text`` means: ``40101``, ``40101.3``, ``40101.4-6``, ``coil 17``. Raises Mismatch.

    ``table``: from the row, where it names one. ``bits_from``: the number of the least significant bit, 0 or 1.
    """
    written = _WRITTEN.fullmatch(text.strip())
    if written is None:
        raise Mismatch(f"expected {_example(numbering)}", code="address")
    named = written["table"]
    if named:
        in_text = TABLE_WORDS[named.lower().replace("-", " ")]
        if table is not None and table is not in_text:
            raise Mismatch(f"expected a {WORD_OF[table]}, as table={WORD_OF[table]} says", code="table")
        table = in_text
    found, address = _numbered(written["number"], numbering, table)
    bit, bit_count = _bits(written["bit"], written["last"], found, bits_from, address, numbering)
    return Address(table=found, address=address, bit=bit, bit_count=bit_count)


def read_by_any(text: str, *, table: Table | None, bits_from: int = 0) -> Address:
    """The address where the numbering is not known: by the first that can read it. Raises Mismatch if none can.

    Only for saying what is wrong with a row whose link is broken; such an address is never used.
    """
    first: Mismatch | None = None
    for numbering in (Numbering.REFERENCE, Numbering.FROM_ONE, Numbering.FROM_ZERO):
        try:
            return read_address(text, numbering=numbering, table=table, bits_from=bits_from)
        except Mismatch as mismatch:
            first = first or mismatch
    raise first or Mismatch("expected an address")


def _example(numbering: Numbering) -> str:
    if numbering is Numbering.REFERENCE:
        return "a reference number of 5 or 6 digits, such as 10001, or 40101.3 for a bit of a register"
    return f"a number counted {numbering.value.replace('-', ' ')}, or number.bit for a bit of a register"


def _numbered(digits: str, numbering: Numbering, table: Table | None) -> tuple[Table, int]:
    if numbering is Numbering.REFERENCE:
        return _reference(digits, table)
    if table is None:
        raise Mismatch(f"expected its table too, for numbers do not name it in numbering={numbering.value}",
                       _with_table(digits), code="table")  # fmt: skip
    number = int(digits)
    first = 0 if numbering is Numbering.FROM_ZERO else 1
    if number < first:
        raise Mismatch("expected 1 or more, for numbers count from 1 here",
                       "write 1 for the first, or declare numbering: from-0", code="numbering")  # fmt: skip
    if number - first > ADDRESS_MAX:
        raise Mismatch(f"expected {first} to {ADDRESS_MAX + first}", _if_reference(digits), code="address-range")
    return table, number - first


def _with_table(digits: str) -> str:
    """How to name the table; a number that looks like a reference number most likely is one."""
    named = _TABLE_OF.get(digits[0]) if len(digits) in (5, 6) and int(digits[1:]) else None
    if named is None:
        return f"write one of {', '.join(TABLE_WORDS)}, such as: coil {digits}"
    word = WORD_OF[named]
    meant = f"if it is a reference number ({word} {int(digits[1:])}, counted from 1), declare numbering: reference"
    return f"{meant}; else write its table, such as: {word} {int(digits)}"


def _if_reference(digits: str) -> str:
    return "if it is a reference number, declare numbering: reference" if len(digits) in (5, 6) else ""


def _reference(digits: str, table: Table | None) -> tuple[Table, int]:
    if len(digits) not in (5, 6):
        if table is Table.COIL and len(digits) < 5:
            digits = digits.zfill(5)  # a spreadsheet has eaten the zeros, and the row says that it is a coil
        else:
            remedy = f"for coil {digits} write {digits.zfill(5)}" if len(digits) < 5 else "count the digits"
            raise Mismatch("expected 5 or 6 digits, of which the first names the table", remedy, code="numbering")
    found = _TABLE_OF.get(digits[0])
    if found is None:
        raise Mismatch("expected 0 (coil), 1 (discrete input), 3 (input register) or 4 (holding register) first",
                       "or declare numbering: from-0 or from-1", code="numbering")  # fmt: skip
    if table is not None and table is not found:
        raise Mismatch(f"expected a {WORD_OF[table]}, which begins with {_DIGIT_OF[table]}",
                       f"or write table: {WORD_OF[found]}", code="table")  # fmt: skip
    number = int(digits[1:])
    if not 1 <= number <= ADDRESS_MAX + 1:
        most = f"{digits[0]}{ADDRESS_MAX + 1}" if len(digits) == 6 else f"{digits[0]}9999"
        raise Mismatch(f"expected {digits[0]}{'1'.zfill(len(digits) - 1)} to {most}",
                       "reference numbers begin with 1 behind the first digit", code="address-range")  # fmt: skip
    return found, number - 1


def _bits(
    first: str | None, last: str | None, table: Table, bits_from: int, address: int, numbering: Numbering
) -> tuple[int | None, int]:
    if first is None:
        return None, 1
    word = WORD_OF[table]
    if table.is_bits:
        raise Mismatch(f"a {word} is one bit and has none inside", f"delete .{first}", code="bit", found=f"bit={first}")
    low, high = int(first) - bits_from, int(last if last is not None else first) - bits_from
    top = REGISTER_BITS - 1 + bits_from
    for number, written in ((low, first), (high, last or first)):
        if not 0 <= number < REGISTER_BITS:
            remedy = ""
            if number == REGISTER_BITS and address < ADDRESS_MAX:
                remedy = f"for the next register write {write_number(table, address + 1, numbering)}.{bits_from}"
            raise Mismatch(f"a {word} has bits {bits_from} to {top}", remedy, code="bit-range", found=f"bit={written}")
    if high < low:
        raise Mismatch("expected the lower bit first", f"write .{last}-{first}", code="bit-range",
                       found=f"bit={first}-{last}")  # fmt: skip
    return low, high - low + 1


def write_number(table: Table, address: int, numbering: Numbering) -> str:
    """The number of an address (from 0) in human notation; reference numbers have 5 digits where they fit."""
    if numbering is Numbering.FROM_ZERO:
        return str(address)
    if numbering is Numbering.FROM_ONE:
        return str(address + 1)
    digits = 4 if address + 1 <= 9999 else 5
    return f"{_DIGIT_OF[table]}{address + 1:0{digits}d}"


def write_address(address: Address, numbering: Numbering, bits_from: int = 0) -> str:
    """The address as one would write it in a site file; the inverse of ``read_address``."""
    number = write_number(address.table, address.address, numbering)
    if numbering is not Numbering.REFERENCE:
        number = f"{WORD_OF[address.table]} {number}"
    if address.bit is None:
        return number
    low = address.bit + bits_from
    return f"{number}.{low}" if address.bit_count == 1 else f"{number}.{low}-{low + address.bit_count - 1}"
