"""Decoding checked against struct and pymodbus's converters, and the rules for on and off."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from pymodbus.client.mixin import ModbusClientMixin

from harness.core.places import ModbusPlace, OnWhen, Order, Table, ValueType
from harness.links.base import Block
from harness.links.modbus_values import bit_at, decode, is_on, raw_value

REGISTERS = Block(id=1, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=4)
INPUTS = Block(id=2, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0xC4, count=0x16)
KINDS = {
    ValueType.U16: ModbusClientMixin.DATATYPE.UINT16,
    ValueType.S16: ModbusClientMixin.DATATYPE.INT16,
    ValueType.U32: ModbusClientMixin.DATATYPE.UINT32,
    ValueType.S32: ModbusClientMixin.DATATYPE.INT32,
    ValueType.F32: ModbusClientMixin.DATATYPE.FLOAT32,
}


def register(value_type: ValueType = ValueType.U16, address: int = 100, **rest: Any) -> ModbusPlace:
    return ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=address, value_type=value_type, **rest)


def words(*values: int) -> bytes:
    return struct.pack(f">{len(values)}H", *values) + bytes(8 - 2 * len(values))


def test_the_worked_example_of_discrete_inputs() -> None:
    """V1.1b3, 6.2 p.13: inputs 197 to 218 are AC DB 35. Input X is address X - 1 (4.4): 199 is on, 197 is off."""
    payload = bytes.fromhex("AC DB 35")
    states = "FFTTFTFTTTFTTFTTTFTFTT"
    for at, state in enumerate(states):
        place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0xC4 + at)
        assert decode(place, INPUTS, payload) == int(state == "T")
        assert is_on(place, INPUTS, payload) is (state == "T")
        assert bit_at(INPUTS, payload, 0xC4 + at) is (state == "T")
    assert is_on(ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=199 - 1), INPUTS, payload) is True
    assert is_on(ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=197 - 1), INPUTS, payload) is False


def test_the_worked_example_of_holding_registers() -> None:
    """V1.1b3, 6.3 p.15: registers 108 to 110 are 555, 0, 100."""
    block = Block(id=1, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=0x6B, count=3)
    payload = bytes.fromhex("02 2B 00 00 00 64")
    assert [decode(register(address=number - 1), block, payload) for number in (108, 109, 110)] == [555, 0, 100]


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("word_order", ["big", "little"])
def test_numbers_equal_those_of_another_implementation(kind: ValueType, word_order: Any) -> None:
    for first, second in ((0, 0), (1, 2), (0x8000, 0x7FFF), (0xFFFF, 0xFFFE), (0x42C8, 0x3333), (0x1234, 0xABCD)):
        count = kind.registers
        theirs = ModbusClientMixin.convert_from_registers([first, second][:count], KINDS[kind], word_order=word_order)
        ours = decode(register(kind, word_order=Order(word_order)), REGISTERS, words(first, second))
        if isinstance(theirs, float) and not math.isfinite(theirs):
            assert ours is None
        else:
            assert ours == theirs


@pytest.mark.parametrize(
    ("byte_order", "word_order", "wire"),
    [
        (Order.BIG, Order.BIG, "01 02 03 04"),
        (Order.BIG, Order.LITTLE, "03 04 01 02"),
        (Order.LITTLE, Order.BIG, "02 01 04 03"),
        (Order.LITTLE, Order.LITTLE, "04 03 02 01"),
    ],
)
def test_the_four_orders(byte_order: Order, word_order: Order, wire: str) -> None:
    place = register(ValueType.U32, address=101, byte_order=byte_order, word_order=word_order)
    assert decode(place, REGISTERS, b"\xff\xff" + bytes.fromhex(wire) + b"\xff\xff") == 0x01020304
    single = register(byte_order=byte_order)
    assert decode(single, REGISTERS, words(0x0102)) == (0x0102 if byte_order is Order.BIG else 0x0201)


def test_bits_of_a_register() -> None:
    for bit in range(16):
        payload = words(1 << bit)
        for other in range(16):
            assert is_on(register(ValueType.BIT, bit=other), REGISTERS, payload) is (other == bit)
            assert bit_at(REGISTERS, payload, 100, other) is (other == bit)
    enumeration = register(ValueType.BITS, bit=4, bit_count=3, on_when=OnWhen.EQUAL, threshold=5)
    assert decode(enumeration, REGISTERS, words(0xFFDF)) == 5
    assert is_on(enumeration, REGISTERS, words(0xFFDF)) is True
    assert is_on(enumeration, REGISTERS, words(0xFFCF)) is False
    assert decode(register(ValueType.BITS, bit=0, bit_count=16), REGISTERS, words(0xFFDF)) == 0xFFDF
    swapped = register(ValueType.BIT, bit=0, byte_order=Order.LITTLE)
    assert is_on(swapped, REGISTERS, words(0x0100)) is True


@pytest.mark.parametrize("bits", [0x7FC00000, 0x7F800000, 0xFF800000, 0x7F800001])
def test_what_is_no_number_is_neither_on_nor_off(bits: int) -> None:
    payload = words(bits >> 16, bits & 0xFFFF)
    for on_when in OnWhen:
        for scale in (1.0, 2.0):
            place = register(ValueType.F32, on_when=on_when, threshold=1.0, scale=scale)
            assert decode(place, REGISTERS, payload) is None
            assert is_on(place, REGISTERS, payload) is None


def test_a_scale_that_leaves_the_numbers_gives_none() -> None:
    place = register(ValueType.F32, scale=1e300, on_when=OnWhen.ABOVE, threshold=1.0)
    payload = struct.pack(">f", 3e38) + bytes(4)
    assert decode(place, REGISTERS, payload) is None
    assert is_on(place, REGISTERS, payload) is None


@pytest.mark.parametrize(
    ("raw", "scale", "offset", "on_when", "threshold", "on"),
    [
        (3, 0.1, 0, OnWhen.EQUAL, 0.3, True),  # 3 * 0.1 is not 0.3 in binary
        (3, 0.1, 0, OnWhen.ABOVE, 0.3, False),
        (4, 0.1, 0, OnWhen.ABOVE, 0.3, True),
        (7, 0.1, 0, OnWhen.BELOW, 0.7, False),
        (6, 0.1, 0, OnWhen.BELOW, 0.7, True),
        (235, 0.1, -40, OnWhen.EQUAL, -16.5, True),
        (10, -1, 0, OnWhen.BELOW, -9, True),
        (40, 1, -40, OnWhen.SET, None, False),
        (41, 1, -40, OnWhen.SET, None, True),
        (40, 1, -40, OnWhen.CLEAR, None, True),
        (0, 1, 0, OnWhen.CLEAR, None, True),
        (9, 1, 0, OnWhen.CLEAR, None, False),
    ],
)
def test_thresholds_are_compared_in_the_decimals_that_were_typed(
    raw: int, scale: float, offset: float, on_when: OnWhen, threshold: float | None, on: bool
) -> None:
    place = register(scale=scale, offset=offset, on_when=on_when, threshold=threshold)
    assert is_on(place, REGISTERS, words(raw)) is on


def test_scaled_numbers_are_exact() -> None:
    assert decode(register(scale=0.1), REGISTERS, words(3)) == 0.3
    assert repr(decode(register(scale=2.0, offset=1.0), REGISTERS, words(3))) == "7"
    assert decode(register(ValueType.S16, scale=0.1, offset=-40.0), REGISTERS, words(0xFFFF)) == -40.1


def test_a_float_set_to_a_decimal_equals_it() -> None:
    place = register(ValueType.F32, on_when=OnWhen.EQUAL, threshold=0.1)
    assert is_on(place, REGISTERS, struct.pack(">f", 0.1) + bytes(4)) is True
    assert is_on(place, REGISTERS, struct.pack(">f", 0.1000001) + bytes(4)) is False
    huge = register(ValueType.F32, on_when=OnWhen.EQUAL, threshold=1e300)
    assert is_on(huge, REGISTERS, struct.pack(">f", 3e38) + bytes(4)) is False


@pytest.mark.parametrize("set_to", [0.1, 0.7])
@pytest.mark.parametrize("on_when", [OnWhen.ABOVE, OnWhen.BELOW])
def test_a_float_set_to_a_decimal_is_neither_above_nor_below_it(set_to: float, on_when: OnWhen) -> None:
    """0.1 is more in single precision than in double, and 0.7 is less."""
    place = register(ValueType.F32, on_when=on_when, threshold=set_to)
    assert is_on(place, REGISTERS, struct.pack(">f", set_to) + bytes(4)) is False


def test_inverted_bits() -> None:
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0xC4, on_when=OnWhen.CLEAR)
    assert is_on(place, INPUTS, bytes.fromhex("AC DB 35")) is True
    assert is_on(place, INPUTS, bytes.fromhex("AD DB 35")) is False


@pytest.mark.parametrize(
    ("place", "payload", "message"),
    [
        (register(address=99), bytes(8), "address=99 count=1: not in the block"),
        (register(address=104), bytes(8), "address=104 count=1: not in the block"),
        (register(ValueType.U32, address=103), bytes(8), "address=103 count=2: not in the block"),
        (ModbusPlace(unit=2, table=Table.HOLDING_REGISTER, address=100), bytes(8), "unit=2"),
        (ModbusPlace(unit=1, table=Table.INPUT_REGISTER, address=100), bytes(8), "table=input-register"),
        (register(), bytes(6), "a payload of 6 bytes, expected 8"),
        (register(), bytes(10), "a payload of 10 bytes, expected 8"),
        (register(ValueType.BIT, bit=16), bytes(8), "bit=16 bit_count=1: a register has bits 0 to 15"),
        (register(ValueType.BITS, bit=8, bit_count=9), bytes(8), "bit=8 bit_count=9: a register has bits 0 to 15"),
        (register(on_when=OnWhen.ABOVE), bytes(8), "on_when=above: needs a threshold"),
    ],
)
def test_what_cannot_be_decoded_is_an_error(place: ModbusPlace, payload: bytes, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        is_on(place, REGISTERS, payload)


def test_raw_is_before_scale() -> None:
    assert raw_value(register(scale=0.1), REGISTERS, words(3)) == 3
