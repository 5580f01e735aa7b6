"""Properties of the Modbus codec, planner, decoder and schedule, with brute force and struct as oracles."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.places import ModbusPlace, Order, Table, ValueType
from harness.links.base import Block
from harness.links.modbus_pdu import FrameSplitter, GoodAnswer, ReadRequest, check_answer
from harness.links.modbus_plan import BlockPlan, plan_blocks, split
from harness.links.modbus_schedule import EARLY_MAX_NS, Poll, Schedule
from harness.links.modbus_values import decode, payload_bytes

TABLES = st.sampled_from(list(Table))
TYPES = st.sampled_from(list(ValueType))


def places(address_max: int, size: int) -> st.SearchStrategy[list[ModbusPlace]]:
    place = st.builds(
        ModbusPlace,
        unit=st.integers(1, 2),
        table=TABLES,
        address=st.integers(0, address_max),
        value_type=TYPES,
    )
    return st.lists(place, max_size=size)


def longest_gap(block: BlockPlan, held: Sequence[ModbusPlace]) -> int:
    needed = {at for place in held for at in range(place.address, place.address + place.count)}
    gap = longest = 0
    for at in range(block.address, block.end):
        gap = 0 if at in needed else gap + 1
        longest = max(longest, gap)
    return longest


@given(places(3000, 60), st.none() | st.integers(0, 300), st.none() | st.integers(0, 60))
def test_every_place_is_covered_whole_and_limits_hold(
    wanted: list[ModbusPlace], gap_max_bits: int | None, gap_max_registers: int | None
) -> None:
    plan = plan_blocks(wanted, gap_max_bits, gap_max_registers)
    assert all(any(block.holds(place) for block in plan) for place in wanted)
    for block in plan:
        held = [place for place in wanted if block.holds(place)]
        assert 1 <= block.count <= block.table.count_max
        assert block.address == min(place.address for place in held)
        assert block.end == max(place.address + place.count for place in held)
        gap_max = gap_max_bits if block.table.is_bits else gap_max_registers
        assert gap_max is None or longest_gap(block, held) <= gap_max
    assert plan_blocks(reversed(wanted), gap_max_bits, gap_max_registers) == plan


def partitions(items: Sequence[ModbusPlace]) -> Iterator[list[list[ModbusPlace]]]:
    if not items:
        yield []
        return
    for rest in partitions(items[1:]):
        yield [[items[0]], *rest]
        for at in range(len(rest)):
            yield [*rest[:at], [items[0], *rest[at]], *rest[at + 1 :]]


def may_be_read_together(group: Sequence[ModbusPlace], gap_max: int, refused: frozenset[BlockPlan]) -> bool:
    first = group[0]
    if any((place.unit, place.table) != (first.unit, first.table) for place in group):
        return False
    start = min(place.address for place in group)
    block = BlockPlan(
        unit=first.unit,
        table=first.table,
        address=start,
        count=max(place.address + place.count for place in group) - start,
    )
    single = any((p.address, p.count) == (block.address, block.count) for p in group)
    return (
        block.count <= block.table.count_max
        and longest_gap(block, group) <= gap_max
        and (single or not any(block.contains(other) for other in refused))
    )


REGISTER_PLACES = st.lists(
    st.builds(
        ModbusPlace,
        unit=st.just(1),
        table=st.just(Table.HOLDING_REGISTER),
        address=st.sampled_from([0, 1, 2, 3, 5, 60, 122, 123, 124, 125, 126, 127]),
        value_type=st.sampled_from([ValueType.U16, ValueType.U32]),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda place: (place.address, place.count),
)
REFUSED = st.frozensets(
    st.builds(
        BlockPlan,
        unit=st.just(1),
        table=st.just(Table.HOLDING_REGISTER),
        address=st.sampled_from([0, 1, 2, 3, 60, 122]),
        count=st.integers(1, 6),
    ),
    max_size=2,
)


@settings(max_examples=300)
@given(REGISTER_PLACES, st.sampled_from([0, 1, 60, 125]), REFUSED)
def test_no_grouping_needs_fewer_requests(
    wanted: list[ModbusPlace], gap_max: int, refused: frozenset[BlockPlan]
) -> None:
    fewest = min(
        len(groups)
        for groups in partitions(wanted)
        if all(may_be_read_together(group, gap_max, refused) for group in groups)
    )
    assert len(plan_blocks(wanted, 0, gap_max, refused)) == fewest


@given(places(300, 30), st.data())
def test_splitting_until_nothing_is_refused_loses_only_what_does_not_exist(
    wanted: list[ModbusPlace], data: st.DataObject
) -> None:
    """A device in which some addresses do not exist ends up asked for every place that does, and remembers."""
    absent = data.draw(st.frozensets(st.integers(0, 302), max_size=20))

    def exists(block: BlockPlan) -> bool:
        return not absent & set(range(block.address, block.end))

    asked, answered, refused = list(plan_blocks(wanted, None, None)), set(), set()
    while asked:
        block = asked.pop()
        if exists(block):
            answered.add(block)
            continue
        refused.add(block)
        parts = split(block, wanted)
        held = [place for place in wanted if block.holds(place)]
        assert all(any(part.holds(place) for part in parts) for place in held)
        assert parts == (block,) or all(part.count < block.count for part in parts)
        asked += [part for part in parts if part != block]
    # Values that overlap each other are read together, so one's absence takes the other with it.
    for place in wanted:
        alone = BlockPlan(unit=place.unit, table=place.table, address=place.address, count=place.count)
        overlaps = any(
            other is not place
            and (other.unit, other.table) == (place.unit, place.table)
            and other.address < alone.end
            and place.address < other.address + other.count
            and (other.address, other.count) != (place.address, place.count)
            for other in wanted
        )
        if exists(alone) and not overlaps:
            assert any(block.holds(place) for block in answered)
    for block in plan_blocks(wanted, None, None, refused):
        assert block not in refused or split(block, wanted) == (block,)


@given(
    st.sampled_from([ValueType.U16, ValueType.S16, ValueType.U32, ValueType.S32, ValueType.F32]),
    st.sampled_from(list(Order)),
    st.sampled_from(list(Order)),
    st.integers(0, 123),
    st.data(),
)
def test_numbers_survive_the_wire_in_every_order(
    kind: ValueType, byte_order: Order, word_order: Order, at: int, data: st.DataObject
) -> None:
    code = {"u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f"}[kind.value]
    bits = 16 * kind.registers
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if kind.value[0] == "s" else (0, (1 << bits) - 1)
    number = data.draw(
        st.floats(width=32, allow_nan=False, allow_infinity=False) if code == "f" else st.integers(low, high)
    )
    registers = [struct.pack(">" + code, number)[i : i + 2] for i in range(0, bits // 8, 2)]
    if word_order is Order.LITTLE:
        registers.reverse()
    if byte_order is Order.LITTLE:
        registers = [register[::-1] for register in registers]
    payload = bytearray(data.draw(st.binary(min_size=250, max_size=250)))
    payload[2 * at : 2 * (at + kind.registers)] = b"".join(registers)
    block = Block(id=0, link="x", unit=9, table=Table.INPUT_REGISTER, address=1000, count=125)
    place = ModbusPlace(
        unit=9,
        table=Table.INPUT_REGISTER,
        address=1000 + at,
        value_type=kind,
        byte_order=byte_order,
        word_order=word_order,
    )
    assert decode(place, block, bytes(payload)) == number


@given(TABLES, st.integers(0, 255), st.integers(0, 65_535), st.data())
def test_an_answer_survives_any_cutting_and_any_damage_is_seen_or_harmless(
    table: Table, unit: int, address: int, data: st.DataObject
) -> None:
    count = data.draw(st.integers(1, min(table.count_max, 65_536 - address)))
    request = ReadRequest(unit=unit, table=table, address=address, count=count)
    payload = data.draw(st.binary(min_size=payload_bytes(table, count), max_size=payload_bytes(table, count)))
    raw = b"\x12\x34" + request.answer_head + payload
    splitter, frames, at = FrameSplitter(), [], 0
    while at < len(raw):
        step = data.draw(st.integers(1, len(raw)))
        frames += splitter.feed(raw[at : at + step])
        at += step
    assert [check_answer(request, frame) for frame in frames] == [GoodAnswer(payload=payload)]
    # One damaged byte of the nine before the values: never a good answer to this request.
    where, change = data.draw(st.integers(0, 8)), data.draw(st.integers(1, 255))
    damaged = bytearray(raw)
    damaged[where] ^= change
    for frame in FrameSplitter().feed(bytes(damaged)):
        if frame.transaction == b"\x12\x34":
            assert not isinstance(check_answer(request, frame), GoodAnswer)


@given(st.lists(st.binary(max_size=600), max_size=20))
def test_garbage_never_crashes_the_splitter_nor_fills_it(chunks: list[bytes]) -> None:
    splitter, total = FrameSplitter(), b""
    raws: list[bytes] = []
    for chunk in chunks:
        total += chunk
        raws += [frame.raw for frame in splitter.feed(chunk)]
        assert len(splitter.held) <= 260
    assert total.startswith(b"".join(raws))


@given(
    st.integers(1, 12),
    st.integers(1_000_000, 1_000_000_000),
    st.sampled_from([0, 1_000_000, 30_000_000]),
    st.lists(st.integers(0, 3_000_000_000), min_size=1, max_size=60),
)
def test_the_schedule_never_drifts_and_keeps_its_rate(
    blocks: int, period_ns: int, spacing_ns: int, delays_ns: list[int]
) -> None:
    """Whatever the delays: each block stays on its own grid, overruns are reported, requests keep their distance."""
    schedule = Schedule(period_ns, spacing_ns)
    request = ReadRequest(unit=1, table=Table.COIL, address=0, count=1)
    plan = BlockPlan(unit=1, table=Table.COIL, address=0, count=1)
    grid = {number: number * period_ns // blocks for number in range(blocks)}
    for number, due_ns in grid.items():
        schedule.add(Poll(id=number, plan=plan, request=request, due_ns=due_ns))
    now_ns, last_ns = 0, -spacing_ns
    for delay_ns in delays_ns:
        next_ns = schedule.next_ns()
        assert next_ns is not None
        now_ns = max(now_ns, next_ns)
        due_before = {poll.id: poll.due_ns for _, _, poll in schedule._heap}
        poll, overrun_due_ns = schedule.begin(now_ns)
        due_ns = due_before[poll.id]
        assert due_ns == min(due_before.values())
        assert now_ns - last_ns >= spacing_ns
        assert now_ns >= due_ns - EARLY_MAX_NS
        assert overrun_due_ns == (due_ns if now_ns - due_ns >= period_ns else None)
        assert (poll.due_ns - grid[poll.id]) % period_ns == 0
        assert max(now_ns, due_ns) < poll.due_ns <= max(now_ns, due_ns) + period_ns
        last_ns = now_ns
        now_ns += delay_ns
        schedule.add(poll)
    schedule.skip_ahead(now_ns)
    for _, _, poll in schedule._heap:
        assert poll.due_ns >= now_ns or poll.due_ns == grid[poll.id]
        assert (poll.due_ns - grid[poll.id]) % period_ns == 0
