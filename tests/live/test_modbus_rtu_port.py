"""The bus on pseudo-terminals: an adapter that is unplugged and comes back, and the time that the line itself needs."""

from __future__ import annotations

import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BusWay, ModbusRtuLink, SerialPort
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table
from harness.links.base import LinkState
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu import ModbusRtuListener
from harness.links.modbus_rtu_timing import ns_up, poll_s
from tests.peers.recorder import ORIGIN, Recorder, listening, point
from tests.peers.rtu_bus import answer_to, paced_bus

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")

BAUD = 115_200


def bus(port: str, way: BusWay = BusWay.POLL) -> ModbusRtuLink:
    return ModbusRtuLink(
        name="bus",
        serial=SerialPort(port=port, baud=BAUD, parity="even"),
        way=way,
        numbering=Numbering.FROM_ZERO,
        poll_period_ns=20 * NS_PER_MS,
        timeout_ns=5 * NS_PER_S,
        quiet_ns=5 * NS_PER_MS,
        origin=ORIGIN,
    )


def points() -> list[Point]:
    return [point("1.0", ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0), "bus")]


def listener(spec: ModbusRtuLink, recorder: Recorder) -> ModbusRtuListener:
    return ModbusRtuListener(spec, points(), recorder, time.monotonic_ns, recorder.next_id)


async def test_an_adapter_that_is_unplugged_is_blind_and_comes_back(tmp_path: Path) -> None:
    recorder, name = Recorder(), tmp_path / "bus-port"

    def answer(request: bytes) -> bytes:
        return answer_to(request, 1)

    with paced_bus(BAUD, 11, answer) as first:
        name.symlink_to(first.name)
        async with listening(listener(bus(str(name)), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 3)
            first.unplug()
            await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN)
            down_ns = recorder.states[-1][1]
            with paced_bus(BAUD, 11, answer) as second:
                name.unlink()
                name.symlink_to(second.name)
                polls = len(recorder.polls)
                await recorder.until(lambda: len(recorder.polls) >= polls + 3)
    up_ns = next(at_ns for _, at_ns, state, _ in recorder.states if state is LinkState.UP and at_ns > down_ns)
    assert not [it for it in recorder.polls if it[1] < up_ns and it[2] > down_ns]


async def test_no_poll_takes_less_than_its_line_needs_and_bus_time_says_so() -> None:
    recorder = Recorder()
    with paced_bus(BAUD, 11, lambda request: answer_to(request, 1)) as line:
        spec = bus(line.name)
        link = listener(spec, recorder)
        async with listening(link):
            await recorder.until(lambda: len(recorder.polls) >= 20)
            spent = link.bus_time
    request = ReadRequest(unit=1, table=Table.DISCRETE_INPUT, address=0, count=1)
    assert spec.serial is not None
    wire_ns = ns_up(poll_s(spec.serial, request))
    assert spent.wire_ns == spent.polls * wire_ns
    assert spent.wire_ns < spent.elapsed_ns
    assert spent.lost_ns == 0
    asked = sorted(it[1] for it in recorder.polls)
    assert min(after - before for before, after in pairwise(asked)) >= wire_ns
    assert recorder.failures == []
