"""Planning of read requests: worked cases. The properties are in tests/properties."""

from __future__ import annotations

from harness.core.places import ModbusPlace, Table, ValueType
from harness.links.modbus_plan import BlockPlan, plan_blocks, plan_probes, split

BITS, HOLDING = Table.DISCRETE_INPUT, Table.HOLDING_REGISTER


def bits(*addresses: int, unit: int = 1, table: Table = BITS) -> list[ModbusPlace]:
    return [ModbusPlace(unit=unit, table=table, address=address) for address in addresses]


def block(address: int, count: int, table: Table = BITS, unit: int = 1) -> BlockPlan:
    return BlockPlan(unit=unit, table=table, address=address, count=count)


def u32(address: int) -> ModbusPlace:
    return ModbusPlace(unit=1, table=HOLDING, address=address, value_type=ValueType.U32)


def test_one_request_for_each_unit_and_table() -> None:
    places = bits(5, unit=2) + bits(5) + bits(5, table=Table.COIL) + [u32(5)] + bits(7, table=HOLDING)
    assert plan_blocks(places, 64, 16) == (
        block(5, 1, Table.COIL),
        block(5, 1),
        block(5, 3, HOLDING),
        block(5, 1, unit=2),
    )


def test_gaps_are_spanned_up_to_what_was_declared() -> None:
    assert plan_blocks(bits(0, 11), 10, 0) == (block(0, 12),)
    assert plan_blocks(bits(0, 11), 9, 0) == (block(0, 1), block(11, 1))
    assert plan_blocks(bits(0, 11, table=HOLDING), 0, 10) == (block(0, 12, HOLDING),)
    assert plan_blocks(bits(0, 1999), None, 0) == (block(0, 2000),)
    assert plan_blocks(bits(0, 2000), None, 0) == (block(0, 1), block(2000, 1))


def test_limits_of_the_protocol_are_kept() -> None:
    assert plan_blocks(bits(*range(2001)), 0, 0) == (block(0, 2000), block(2000, 1))
    assert plan_blocks(bits(*range(126), table=HOLDING), 0, 0) == (block(0, 125, HOLDING), block(125, 1, HOLDING))


def test_a_value_of_two_registers_is_never_split() -> None:
    places = [u32(address) for address in range(0, 126, 2)]
    assert plan_blocks(places, 0, 0) == (block(0, 124, HOLDING), block(124, 2, HOLDING))
    assert split(block(0, 4, HOLDING), [u32(0), u32(2)]) == (block(0, 2, HOLDING), block(2, 2, HOLDING))
    assert split(block(0, 2, HOLDING), [u32(0)]) == (block(0, 2, HOLDING),)
    assert split(block(0, 3, HOLDING), [u32(0), u32(1)]) == (block(0, 3, HOLDING),)


def test_a_refused_block_is_cut_at_its_gaps_first() -> None:
    places = bits(0, 1, 2, 9, 20, 21)
    (whole,) = plan_blocks(places, 64, 0)
    assert split(whole, places) == (block(0, 3), block(9, 1), block(20, 2))


def test_without_gaps_it_is_cut_in_two_until_one_is_left() -> None:
    places = bits(*range(8))
    assert split(block(0, 8), places) == (block(0, 4), block(4, 4))
    assert split(block(4, 4), places) == (block(4, 2), block(6, 2))
    assert split(block(6, 2), places) == (block(6, 1), block(7, 1))
    assert split(block(7, 1), places) == (block(7, 1),)


def test_what_was_refused_is_not_planned_again() -> None:
    places = bits(0, 1, 2, 9, 20, 21)
    assert plan_blocks(places, 64, 0, {block(0, 22)}) == (block(0, 21), block(21, 1))
    assert plan_blocks(places, 64, 0, {block(1, 9), block(0, 22)}) == (block(0, 3), block(9, 13))
    assert plan_blocks(places, 64, 0, {block(1, 1)}) == (block(0, 1), block(1, 1), block(2, 20))


def test_nothing_to_read() -> None:
    assert plan_blocks([], 64, 16) == ()


def test_probes_read_what_is_not_mapped_around_and_in_the_other_table() -> None:
    places = [*bits(10, 12), *bits(0, table=HOLDING)]
    found = {(it.table, it.address, it.count) for it in plan_probes(places, 2)}
    assert found == {
        (Table.DISCRETE_INPUT, 8, 2),
        (Table.DISCRETE_INPUT, 11, 1),
        (Table.DISCRETE_INPUT, 13, 2),
        (Table.COIL, 8, 7),
        (Table.HOLDING_REGISTER, 1, 2),
        (Table.INPUT_REGISTER, 0, 3),
    }
    assert plan_probes(places, 0) == ()


def test_probes_stay_within_the_addresses_and_the_limits_of_one_request() -> None:
    last = bits(65_535, table=HOLDING)
    assert [(it.table, it.address, it.count) for it in plan_probes(last, 3)] == [
        (Table.INPUT_REGISTER, 65_532, 4),
        (Table.HOLDING_REGISTER, 65_532, 3),
    ]
    many = plan_probes(bits(*range(400), table=HOLDING), 1)
    assert all(it.count <= it.table.count_max for it in many)
    assert sum(it.count for it in many if it.table is Table.INPUT_REGISTER) == 401
