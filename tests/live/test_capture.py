"""What goes over the wire, as a packet capture and a foreign dissector have it: reads only, and the same values."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from collections import defaultdict
from itertools import groupby
from pathlib import Path

import pytest

from harness.core.places import ModbusPlace, Table, ValueType
from harness.links.base import Block
from harness.links.modbus_tcp import ModbusTcpListener
from harness.links.modbus_values import bit_at, decode
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from tests.peers.capture import TSHARK, Packet, capture, dissect
from tests.peers.libmodbus_server import LIBRARY, LibmodbusServer, libmodbus_server
from tests.peers.recorder import Recorder, listening, modbus_link, point

pytestmark = [
    pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)"),
    pytest.mark.skipif(LIBRARY is None, reason="libmodbus is not installed (Debian: libmodbus5)"),
]

READ_FUNCTIONS = {"1", "2", "3", "4"}
Values = list[dict[int, int]]


@pytest.fixture
async def may_capture(tmp_path: Path) -> None:
    """Capturing takes a right that not every account has."""
    assert TSHARK is not None
    command = (TSHARK, "-i", "lo", "-f", "tcp port 1", "-c", "1", "-a", "duration:1", "-w", str(tmp_path / "may"))
    process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    _, err = await process.communicate()
    if process.returncode != 0:
        pytest.skip(f"this account may not capture on lo: {err.decode().strip().splitlines()[-1]}")


def only_reads(packets: list[Packet]) -> None:
    """Every byte that went to the device belongs to a request of functions 1 to 4, and each of these is 12 bytes."""
    sent = [packet for packet in packets if packet.to_device]
    assert len(sent) >= 10
    for packet in sent:
        assert packet.payload_bytes == 12 * len(packet.frames) > 0
        for frame in packet.frames:
            (function,) = frame["modbus.func_code"]
            assert function in READ_FUNCTIONS


def answered_values(packets: list[Packet]) -> dict[tuple[int, int], Values]:
    """By function and first address: what each answer said, by address, in order."""
    values: dict[tuple[int, int], Values] = defaultdict(list)
    for frame in (frame for packet in packets if not packet.to_device for frame in packet.frames):
        bits = "modbus.bitnum" in frame
        numbers = [int(number) for number in frame["modbus.bitnum" if bits else "modbus.regnum16"]]
        said = [int(value, 0) for value in frame["modbus.bitval" if bits else "modbus.regval_uint16"]]
        values[int(frame["modbus.func_code"][0]), numbers[0]].append(dict(zip(numbers, said, strict=True)))
    return values


def recorded_values(block: Block, payload: bytes) -> dict[int, int]:
    """Every address of an answered block, mapped or not, as our decoder has it."""
    addresses = range(block.address, block.address + block.count)
    if block.table.is_bits:
        return {address: int(bit_at(block, payload, address)) for address in addresses}
    places = {
        address: ModbusPlace(unit=block.unit, table=block.table, address=address, value_type=ValueType.U16)
        for address in addresses
    }
    return {address: int(decode(place, block, payload) or 0) for address, place in places.items()}


async def change(server: LibmodbusServer, number: int) -> None:
    """Another state in every table, different each time."""
    await server.set("coil", 5, number & 1, number >> 1 & 1)
    await server.set("discrete-input", 0, *(number * 7 >> bit & 1 for bit in range(28)))
    await server.set("holding-register", 100, number * 257, 65_535 - number)
    await server.set("input-register", 3, number, number * 1000 % 65_536)


@pytest.mark.usefixtures("may_capture")
@pytest.mark.parametrize("in_flight", [1, 3])
async def test_every_recorded_value_is_the_dissectors(tmp_path: Path, in_flight: int) -> None:
    places = [
        *(ModbusPlace(unit=1, table=Table.COIL, address=address) for address in (5, 6)),
        *(ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=address) for address in (0, 27, 200)),
        ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=100, value_type=ValueType.U32),
        ModbusPlace(unit=1, table=Table.INPUT_REGISTER, address=3, value_type=ValueType.U32),
    ]
    points = [point(f"p{number}", place) for number, place in enumerate(places)]
    header = Header.now(time.monotonic_ns, site="capture")
    writer = RecordWriter.create(tmp_path / "run.farend", header, {}, time.monotonic_ns)
    heard = Recorder()
    writer.subscribe(heard)
    async with libmodbus_server() as server, capture(server.port, tmp_path / "wire.pcapng") as wire:
        await wire.caught_up(server.port)
        spec = modbus_link(server.port, in_flight=in_flight)
        async with listening(ModbusTcpListener(spec, points, writer, time.monotonic_ns, heard.next_id)):
            for number in range(12):
                await change(server, number)
                seen = len(heard.polls)
                await heard.until(lambda: len(heard.polls) >= seen + 6)  # noqa: B023 - awaited here
        await wire.caught_up(server.port)
    writer.close()
    packets = await dissect(wire.path, server.port)
    only_reads(packets)
    dissected = answered_values(packets)
    with RecordReader.open(tmp_path / "run.farend") as record:
        blocks = record.blocks()
        assert len(blocks) == len(dissected) == 5
        for block in blocks:
            assert isinstance(block, Block)
            polls, wanted = record.polls(block.id), dissected[block.table.read_function, block.address]
            ends = [*(int(start) for start in polls.starts[1:]), len(polls)]
            recorded: Values = []
            for payload, end in zip(polls.payloads, ends, strict=True):
                recorded += [recorded_values(block, payload)] * (end - len(recorded))
            assert len(recorded) >= 10
            # At the end one answer may be on the wire that came after the listener was stopped.
            assert len(wanted) - len(recorded) in {0, 1}
            assert recorded == wanted[: len(recorded)]
        changed = sum(len(record.polls(block.id).starts) for block in blocks)
        assert changed >= 40


@pytest.mark.usefixtures("may_capture")
async def test_a_whole_watch_sends_reads_and_shows_what_the_dissector_saw(tmp_path: Path) -> None:
    async with libmodbus_server() as server, capture(server.port, tmp_path / "wire.pcapng") as wire:
        await wire.caught_up(server.port)
        address = f"modbus-tcp://127.0.0.1:{server.port}"
        ranges = ("--inputs", "10001-10028", "--coils", "6-7", "--every", "10 ms", "--json")
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "harness.cli", "watch", address, *ranges),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        assert process.stdout is not None
        shown: dict[str, list[str]] = defaultdict(list)

        async def until(place: str, now: str) -> None:
            assert process.stdout is not None
            async with asyncio.timeout(30):
                while shown[place][-1:] != [now]:
                    item = json.loads(await process.stdout.readline())
                    if "place" in item:
                        shown[item["place"]].append(item["now"])

        await until("10028", "off")
        for number in range(12):
            # The last input changes every time, and last within its request, so that all of it has been shown then.
            states = [number * 7 >> bit & 1 for bit in range(27)]
            await server.set("discrete-input", 0, *states, (number + 1) & 1)
            await until("10028", "on" if number % 2 == 0 else "off")
        process.send_signal(signal.SIGINT)
        rest, _ = await process.communicate()
        for line in rest.splitlines():
            item = json.loads(line)
            if "place" in item:
                shown[item["place"]].append(item["now"])
        assert process.returncode == 0
        await wire.caught_up(server.port)
    packets = await dissect(wire.path, server.port)
    only_reads(packets)
    dissected = answered_values(packets)
    assert set(dissected) == {(1, 5), (2, 0)}
    for at in range(28):
        series = ["on" if values[at] else "off" for values in dissected[2, 0]]
        assert shown[f"{10_001 + at}"] == [now for now, _ in groupby(series)], at
    assert shown["10028"] == ["off", "on"] * 6 + ["off"]
