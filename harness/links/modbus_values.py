"""From the bytes of an answer to a number, and from the number to on or off. Pure.

Bit tables: least significant bit first, the first address in bit 0 of the first byte (*MODBUS Application Protocol
Specification V1.1b3*, 6.1 and 6.2). Registers: two bytes each, more significant byte first (V1.1b3, 4.2). The order of
bytes within a register and of the registers within a value is the device's own affair, and therefore declared.
"""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from functools import lru_cache
from typing import Final

from harness.core import current_loop
from harness.core.places import ModbusPlace, OnWhen, Order, Table, ValueType
from harness.links.base import Block

Number = int | float

_STRUCT: Final = {
    ValueType.U16: struct.Struct(">H"),
    ValueType.S16: struct.Struct(">h"),
    ValueType.U32: struct.Struct(">I"),
    ValueType.S32: struct.Struct(">i"),
    ValueType.F32: struct.Struct(">f"),
}


def decode(place: ModbusPlace, block: Block, payload: bytes) -> Number | None:
    """The number at ``place`` in an answer to ``block``; None where the bytes are no number (a float's NaN, infinity).

    Bits are 0 or 1. Scaled integers are exact in the decimals that the site file wrote: 3 at scale 0.1 is 0.3.
    Raises ValueError where the block does not hold the place or the payload is too short.
    """
    raw = raw_value(place, block, payload)
    if raw is None or not _is_scaled(place):
        return raw
    if isinstance(raw, int):
        exact = _exact(raw, place)
        return int(exact) if exact.denominator == 1 else float(exact)
    number = raw * place.scale + place.offset
    return number if math.isfinite(number) else None


def is_on(place: ModbusPlace, block: Block, payload: bytes) -> bool | None:
    """Whether the value at ``place`` counts as on; None where it is no number, and then it is neither on nor off.

    Raises ValueError as ``decode``, and where ``on_when`` needs a threshold that the place does not have.
    """
    if place.loop is not None:
        read = decode(place, block, payload)
        return None if read is None else current_loop.is_on(place.loop, place.on_when, place.threshold, read)
    raw = raw_value(place, block, payload)
    if raw is None:
        return None
    if place.on_when is OnWhen.SET or place.on_when is OnWhen.CLEAR:
        if _is_scaled(place):
            number = decode(place, block, payload)
            if number is None:
                return None
            raw = number
        return (raw != 0) is (place.on_when is OnWhen.SET)
    if place.threshold is None:
        raise ValueError(f"on_when={place.on_when.value}: needs a threshold, and the place has none: {place}")
    if isinstance(raw, int):
        return _compare(_exact(raw, place), _decimal(place.threshold), place.on_when)
    number = decode(place, block, payload)
    if number is None:
        return None
    threshold: Number = place.threshold if _is_scaled(place) else _nearest_f32(place.threshold)
    return _compare(number, threshold, place.on_when)


def raw_value(place: ModbusPlace, block: Block, payload: bytes) -> Number | None:
    """The number as the device holds it, before scale and offset; None where a float is NaN or infinite."""
    _check(place, block, payload)
    index = place.address - block.address
    if place.table.is_bits:
        return payload[index >> 3] >> (index & 7) & 1
    data = payload[2 * index : 2 * (index + place.count)]
    if place.byte_order is Order.LITTLE:
        data = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
    kind = place.value_type
    if kind is ValueType.BIT or kind is ValueType.BITS:
        width = 1 if kind is ValueType.BIT else place.bit_count
        return int.from_bytes(data, "big") >> place.bit & (1 << width) - 1
    if len(data) == 4 and place.word_order is Order.LITTLE:
        data = data[2:] + data[:2]
    raw: Number = _STRUCT[kind].unpack(data)[0]
    return raw if isinstance(raw, int) or math.isfinite(raw) else None


def bit_at(block: Block, payload: bytes, address: int, bit: int = 0) -> bool:
    """One bit of an answer, mapped or not: of a bit table at ``address``, or bit ``bit`` (0 to 15) of a register.

    Registers are taken with the more significant byte first, as the specification has them. Raises ValueError
    where the block does not hold it.
    """
    place = ModbusPlace(unit=block.unit, table=block.table, address=address, bit=bit)
    return bool(raw_value(place, block, payload))


def payload_bytes(table: Table, count: int) -> int:
    """How many payload bytes an answer with ``count`` bits or registers has."""
    return (count + 7) // 8 if table.is_bits else 2 * count


def _check(place: ModbusPlace, block: Block, payload: bytes) -> None:
    if (place.unit, place.table) != (block.unit, block.table) or not (
        block.address <= place.address and place.address + place.count <= block.address + block.count
    ):
        raise ValueError(
            f"unit={place.unit} table={place.table.value} address={place.address} count={place.count}: "
            f"not in the block unit={block.unit} table={block.table.value} "
            f"addresses {block.address} to {block.address + block.count - 1}"
        )
    expected = payload_bytes(block.table, block.count)
    if len(payload) != expected:
        raise ValueError(f"a payload of {len(payload)} bytes, expected {expected} for the block {block}")
    if place.table.is_bits:
        return
    width = place.bit_count if place.value_type is ValueType.BITS else 1
    if place.bit < 0 or width < 1 or place.bit + width > 16:
        raise ValueError(f"bit={place.bit} bit_count={width}: a register has bits 0 to 15")


def _is_scaled(place: ModbusPlace) -> bool:
    return place.scale != 1 or place.offset != 0


@lru_cache(maxsize=4096)
def _decimal(value: float) -> Fraction:
    """The number that was typed, and not the binary one nearest to it."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)


def _exact(raw: int, place: ModbusPlace) -> Fraction:
    return raw * _decimal(place.scale) + _decimal(place.offset)


def _nearest_f32(value: float) -> float:
    """What a device holds that was set to ``value``: single precision has about seven digits (IEEE 754)."""
    try:
        nearest: float = struct.unpack(">f", struct.pack(">f", value))[0]
    except OverflowError:
        return value
    return nearest


def _compare(number: Fraction | Number, threshold: Fraction | Number, on_when: OnWhen) -> bool:
    if on_when is OnWhen.ABOVE:
        return number > threshold
    if on_when is OnWhen.BELOW:
        return number < threshold
    return number == threshold
