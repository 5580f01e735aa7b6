"""The bus against other people's implementations: libmodbus as a unit on a pseudo-terminal, polled and overheard, and
tshark on what goes over TCP to a device server. Parity, RTS and silences within frames are not shown: no hardware.
"""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BusWay, ModbusRtuLink, SerialPort
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table, ValueType
from harness.links.base import LinkState
from harness.links.modbus_rtu import ModbusRtuListener
from tests.peers.capture import TSHARK, capture
from tests.peers.libmodbus_rtu import LibmodbusUnit, libmodbus_unit
from tests.peers.libmodbus_server import LIBRARY
from tests.peers.recorder import ORIGIN, Recorder, listening, point
from tests.peers.rtu_bus import answer_to, rtu_over_tcp
from tests.peers.wire import wire

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
needs_libmodbus = pytest.mark.skipif(LIBRARY is None, reason="libmodbus is not installed (Debian: libmodbus5)")


def bus(port: str, way: BusWay = BusWay.POLL, **rest: object) -> ModbusRtuLink:
    return ModbusRtuLink(
        name="bus",
        serial=SerialPort(port=port, baud=19_200, parity="even"),
        way=way,
        numbering=Numbering.FROM_ZERO,
        poll_period_ns=20 * NS_PER_MS,
        timeout_ns=5 * NS_PER_S,
        quiet_ns=20 * NS_PER_MS,
        origin=ORIGIN,
        **rest,  # type: ignore[arg-type]
    )


def points(unit: int) -> list[Point]:
    register = ModbusPlace(unit=unit, table=Table.INPUT_REGISTER, address=3, value_type=ValueType.U16)
    inputs = [ModbusPlace(unit=unit, table=Table.DISCRETE_INPUT, address=address) for address in (0, 9)]
    return [point(f"{unit}.{number}", place, "bus") for number, place in enumerate((register, *inputs))]


def check(recorder: Recorder, unit: LibmodbusUnit) -> None:
    """Every value is that of a request which the unit had within the sample's bounds."""
    for block_id, asked_ns, told_ns, payload in recorder.polls:
        if recorder.blocks[block_id].table is Table.INPUT_REGISTER:
            number = int.from_bytes(payload, "big") - 3000
        else:
            number = int.from_bytes(payload, "little")
            candidates = range(number, len(unit.heard_ns), 1024)
            number = next(it for it in candidates if asked_ns <= unit.heard_ns[it] <= told_ns)
        assert asked_ns <= unit.heard_ns[number] <= told_ns


@needs_libmodbus
async def test_libmodbus_is_polled_and_its_values_and_instants_agree() -> None:
    recorder = Recorder()
    with wire(2) as (ours, theirs):
        async with (
            libmodbus_unit(theirs, 17) as unit,
            listening(ModbusRtuListener(bus(ours), points(17), recorder, time.monotonic_ns, recorder.next_id)),
        ):
            await recorder.until(lambda: len(recorder.polls) >= 100)
    assert recorder.failures == []
    assert recorder.drops == []
    assert len(recorder.blocks) == 2
    check(recorder, unit)


@needs_libmodbus
async def test_what_another_master_reads_of_libmodbus_is_overheard_without_a_byte() -> None:
    """A third end of the line only receives; the master is farend's own, whose samples are at hand for comparison."""
    master, overheard = Recorder(), Recorder()
    with wire(3) as (ours, theirs, third):
        listener = ModbusRtuListener(
            bus(third, BusWay.RECEIVE_ONLY), points(17), overheard, time.monotonic_ns, overheard.next_id
        )
        async with libmodbus_unit(theirs, 17) as unit, listening(listener):
            await overheard.until(lambda: bool(overheard.states))
            async with listening(ModbusRtuListener(bus(ours), points(17), master, time.monotonic_ns, master.next_id)):
                await overheard.until(lambda: len(overheard.polls) >= 60)
    assert master.failures == []
    assert overheard.failures == []
    assert {(it.unit, it.table, it.address, it.count) for it in overheard.blocks.values()} == {
        (it.unit, it.table, it.address, it.count) for it in master.blocks.values()
    }
    heard = [payload for *_, payload in overheard.polls]
    assert heard == [payload for *_, payload in master.polls][: len(heard)]
    check(overheard, unit)
    assert len(unit.heard_ns) >= 60
    assert overheard.states[0][2] is LinkState.UP


@pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)")
async def test_tshark_sees_reads_with_good_checksums_and_nothing_else(tmp_path: Path) -> None:
    assert TSHARK is not None
    recorder, path = Recorder(), tmp_path / "bus.pcapng"
    async with rtu_over_tcp(lambda number, request: [answer_to(request, number)]) as device:
        spec = ModbusRtuLink(
            name="bus",
            host="127.0.0.1",
            tcp_port=device.port,
            numbering=Numbering.FROM_ZERO,
            poll_period_ns=20 * NS_PER_MS,
            timeout_ns=5 * NS_PER_S,
            quiet_ns=5 * NS_PER_MS,
            origin=ORIGIN,
        )
        try:
            async with capture(device.port, path) as captured:
                listener = ModbusRtuListener(spec, points(1) + points(2), recorder, time.monotonic_ns, recorder.next_id)
                async with listening(listener):
                    await recorder.until(lambda: len(recorder.polls) >= 20)
                await captured.caught_up(device.port)
        except OSError as exc:
            pytest.skip(f"this account may not capture on lo: {exc}")
    fields = ("-e", "tcp.payload", "-e", "mbrtu.unit_id", "-e", "modbus.func_code", "-e", "mbrtu.crc16.status")
    decode = ("-d", f"tcp.port=={device.port},mbrtu", "-o", "mbrtu.crc_verification:TRUE")
    only = ("-Y", f"tcp.dstport=={device.port} && tcp.len > 0")
    process = await asyncio.create_subprocess_exec(
        TSHARK, "-r", str(path), *decode, *only, "-T", "fields", *fields, stdout=asyncio.subprocess.PIPE
    )
    out, _ = await process.communicate()
    rows = [line.split("\t") for line in out.decode().splitlines()]
    assert [bytes.fromhex(row[0].replace(":", "")) for row in rows] == device.requests
    assert {row[1] for row in rows} == {"1", "2"}
    assert {row[2] for row in rows} == {"2", "4"}
    assert {row[3] for row in rows} == {"1"}, "checksums that tshark finds good"
