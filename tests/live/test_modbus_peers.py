"""The same point map served by two foreign implementations, libmodbus (C) and pymodbus, gives the same results."""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from harness.core.places import ModbusPlace, OnWhen, Order, Table, ValueType
from harness.links.base import Block
from harness.links.modbus_tcp import ModbusTcpListener
from harness.links.modbus_values import Number, decode, is_on
from tests.peers.libmodbus_server import LIBRARY, SIZE, libmodbus_server
from tests.peers.recorder import Recorder, listening, modbus_link, point

Set = Callable[..., Awaitable[None]]
FUNCTIONS = {"coil": 1, "discrete-input": 2, "holding-register": 3, "input-register": 4}


@asynccontextmanager
async def pymodbus_server() -> AsyncIterator[tuple[int, Set]]:
    bits = [SimData(0, values=[False] * SIZE, datatype=DataType.BITS)]
    registers = [SimData(0, values=[0] * SIZE, datatype=DataType.REGISTERS)]
    server = ModbusTcpServer([SimDevice(id=1, simdata=(bits, bits, registers, registers))], address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    assert isinstance(server.transport, asyncio.Server)

    async def set_values(table: str, address: int, *values: int) -> None:
        wanted = [bool(value) for value in values] if FUNCTIONS[table] < 3 else list(values)
        await server.async_setValues(1, FUNCTIONS[table], address, wanted)

    try:
        yield server.transport.sockets[0].getsockname()[1], set_values
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


@asynccontextmanager
async def peer(name: str) -> AsyncIterator[tuple[int, Set]]:
    if name == "pymodbus":
        async with pymodbus_server() as served:
            yield served
    elif LIBRARY is None:
        pytest.skip("libmodbus is not installed (Debian: libmodbus5)")
    else:
        async with libmodbus_server() as c_server:
            yield c_server.port, c_server.set


def bits(table: Table, *addresses: int) -> list[ModbusPlace]:
    return [ModbusPlace(unit=1, table=table, address=address) for address in addresses]


def registers(value_type: ValueType, address: int, **rest: object) -> ModbusPlace:
    return ModbusPlace(unit=1, table=Table.INPUT_REGISTER, address=address, value_type=value_type, **rest)  # type: ignore[arg-type]


PLACES = [
    *bits(Table.COIL, 0, 1, 8, 700),
    *bits(Table.DISCRETE_INPUT, *range(28), 100, 101),
    *(ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=100, bit=bit) for bit in range(16)),
    registers(ValueType.U16, 0),
    registers(ValueType.S16, 1, scale=0.1, on_when=OnWhen.ABOVE, threshold=-20),
    registers(ValueType.F32, 2, on_when=OnWhen.EQUAL, threshold=1234.5),
    registers(ValueType.U32, 5, word_order=Order.LITTLE),
    registers(ValueType.BITS, 7, bit=4, bit_count=3, on_when=OnWhen.EQUAL, threshold=5),
]
F32 = struct.unpack(">HH", struct.pack(">f", 1234.5))
EXPECTED: dict[int, tuple[Number, bool]] = {
    **dict.fromkeys(range(len(PLACES)), (0, False)),
    1: (1, True),
    3: (1, True),
    4 + 27: (1, True),
    4 + 29: (1, True),
    34 + 5: (1, True),
    50: (65_535, True),
    51: (-20.1, False),
    52: (1234.5, True),
    53: (0x00012345, True),
    54: (5, True),
}


@pytest.mark.parametrize("name", ["libmodbus", "pymodbus"])
async def test_one_point_map_gives_the_same_results(name: str) -> None:
    recorder = Recorder()
    async with peer(name) as (port, set_values):
        await set_values("coil", 1, 1)
        await set_values("coil", 700, 1)
        await set_values("discrete-input", 27, 1)
        await set_values("discrete-input", 101, 1)
        await set_values("holding-register", 100, 1 << 5)
        await set_values("input-register", 0, 65_535, 65_536 - 201, *F32, 0xDEAD, 0x2345, 0x0001, 0xFFDF)
        points = [point(f"p{number}", place) for number, place in enumerate(PLACES)]
        link = ModbusTcpListener(modbus_link(port), points, recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link):
            await recorder.until(lambda: len({block_id for block_id, *_ in recorder.polls}) == 6)
    assert recorder.failures == []
    assert recorder.drops == []
    assert len(recorder.blocks) == 6
    latest = {block_id: payload for block_id, _, _, payload in recorder.polls}
    for number, place in enumerate(PLACES):
        block = next(block for block in recorder.blocks.values() if holds(block, place))
        seen = decode(place, block, latest[block.id]), is_on(place, block, latest[block.id])
        assert seen == EXPECTED[number], place


def holds(block: Block, place: ModbusPlace) -> bool:
    inside = block.address <= place.address and place.address + place.count <= block.address + block.count
    return block.table is place.table and inside


@pytest.mark.parametrize("name", ["libmodbus", "pymodbus"])
async def test_changes_are_seen_between_their_bounds(name: str) -> None:
    """A value that was set between two instants is not seen before the first, and is seen after the second."""
    recorder = Recorder()
    async with peer(name) as (port, set_values):
        points = [point("p", ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=3))]
        link = ModbusTcpListener(modbus_link(port, period_ms=3), points, recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link):
            changes = []
            for number in range(20):
                seen = len(recorder.polls)
                await recorder.until(lambda: len(recorder.polls) > seen + number % 3)  # noqa: B023 - awaited here
                before_ns = time.monotonic_ns()
                await set_values("discrete-input", 3, (number + 1) % 2)
                changes.append((before_ns, time.monotonic_ns()))
            seen = len(recorder.polls)
            await recorder.until(lambda: len(recorder.polls) > seen + 1)
    for _, asked_ns, told_ns, payload in recorder.polls:
        done = sum(after_ns < asked_ns for _, after_ns in changes)
        begun = sum(before_ns <= told_ns for before_ns, _ in changes)
        assert payload[0] & 1 in {number % 2 for number in range(done, begun + 1)}


@pytest.mark.parametrize("name", ["libmodbus", "pymodbus"])
async def test_addresses_that_do_not_exist_are_split_off(name: str) -> None:
    recorder = Recorder()
    async with peer(name) as (port, set_values):
        await set_values("holding-register", SIZE - 1, 77)
        places = [
            ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=address, value_type=ValueType.U16)
            for address in (SIZE - 3, SIZE - 1, SIZE + 2)
        ]
        points = [point(f"p{place.address}", place) for place in places]
        link = ModbusTcpListener(modbus_link(port), points, recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link):
            await recorder.until(lambda: len({block_id for block_id, *_ in recorder.polls}) == 2)
    assert [(block.address, block.count) for block in recorder.blocks.values()] == [
        (SIZE - 3, 6),
        (SIZE - 3, 1),
        (SIZE - 1, 1),
        (SIZE + 2, 1),
    ]
    assert recorder.payloads(3)[0] == (77).to_bytes(2, "big")
    assert {why for *_, why in recorder.failures} == {"exception 02 (illegal data address)"}


@pytest.mark.parametrize("name", ["libmodbus", "pymodbus"])
async def test_the_largest_requests_are_answered(name: str) -> None:
    """V1.1b3, 6.1 to 6.4: 125 registers; and as many bits as the peer has."""
    recorder = Recorder()
    async with peer(name) as (port, set_values):
        await set_values("input-register", 124, 4711)
        await set_values("coil", SIZE - 1, 1)
        places = [registers(ValueType.U16, 0), registers(ValueType.U16, 124), *bits(Table.COIL, 0, SIZE - 1)]
        spec = modbus_link(port, gap_max_bits=None, gap_max_registers=None)
        points = [point(f"p{number}", place) for number, place in enumerate(places)]
        link = ModbusTcpListener(spec, points, recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link):
            await recorder.until(lambda: len({block_id for block_id, *_ in recorder.polls}) == 2)
    by_table = {block.table: recorder.payloads(block.id)[0] for block in recorder.blocks.values()}
    assert len(by_table[Table.INPUT_REGISTER]) == 250
    assert by_table[Table.INPUT_REGISTER][-2:] == (4711).to_bytes(2, "big")
    assert len(by_table[Table.COIL]) == SIZE // 8
    assert by_table[Table.COIL][-1] == 0x80
