"""Writes over a serial bus travel between its polls, never beside them. Units made by hand."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Iterable
from itertools import pairwise

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.links import ModbusRtuLink
from harness.core.model import Site
from harness.core.places import ModbusPlace, Numbering, Table
from harness.core.writing import WritableRange, Write
from harness.links import modbus_rtu
from harness.links.modbus_rtu import ModbusRtuListener
from harness.stimulus.armed import ArmedWriter
from harness.stimulus.as_found import read_writable
from tests.peers.recorder import DEADLINE_S, ORIGIN, Recorder, listening, point
from tests.peers.rtu_bus import Bus, closed, echo_of, rtu_over_tcp

HOLDING = Table.HOLDING_REGISTER
SILENT_UNIT = 9
Chunks = Iterable[bytes | float]
Answer = Callable[[int, bytes], Chunks]


class Units:
    """Units 1 and 2 with registers that can be written; unit 9 never answers."""

    def __init__(self) -> None:
        self.registers: dict[tuple[int, int], int] = {}
        self.writes: list[bytes] = []
        self.is_late = False
        """Whether it answers a write only once the next one comes, and that one never."""

    def __call__(self, number: int, request: bytes) -> Chunks:
        unit, function, address = request[0], request[1], int.from_bytes(request[2:4], "big")
        if unit == SILENT_UNIT:
            return
        if function == 3:
            count = int.from_bytes(request[4:6], "big")
            values = b"".join(self.registers.get((unit, address + at), 0).to_bytes(2, "big") for at in range(count))
            yield closed(bytes((unit, 3, len(values))) + values)
            return
        data = request[4:6] if function == 6 else request[7:-2]
        for at in range(len(data) // 2):
            self.registers[unit, address + at] = int.from_bytes(data[2 * at : 2 * at + 2], "big")
        self.writes.append(request)
        if not self.is_late:
            yield echo_of(request)
        elif len(self.writes) > 1:
            yield echo_of(self.writes[-2])


def write(address: int, *values: int, unit: int = 1) -> Write:
    return Write(link="bus", unit=unit, table=HOLDING, address=address, values=values)


def site_of(port: int) -> Site:
    link = ModbusRtuLink(
        name="bus",
        host="127.0.0.1",
        tcp_port=port,
        numbering=Numbering.FROM_ZERO,
        poll_period_ns=50 * NS_PER_MS,
        timeout_ns=200 * NS_PER_MS,
        quiet_ns=20 * NS_PER_MS,
        origin=ORIGIN,
    )
    places = [ModbusPlace(unit=unit, table=HOLDING, address=100) for unit in (1, 2)]
    points = [point(f"{it.unit}.{it.address}", it, "bus") for it in places]
    listed = [
        WritableRange(link="bus", unit=unit, table=HOLDING, address=0, count=8, origin=ORIGIN)
        for unit in (1, 2, SILENT_UNIT)
    ]
    return Site(
        name="weir",
        title="",
        controller="",
        firmware="",
        links={"bus": link},
        points={it.name: it for it in points},
        alarms={},
        side_effects={},
        writable=tuple(listed),
        expectations=(),
    )


Test = Callable[[Bus, ArmedWriter, Recorder, Site], Awaitable[None]]


def on_a_bus(units: Answer, test: Test, *, with_points: bool = True) -> None:
    """Run a test while the bus is polled. In real time: the bus is paced by a timer of the system's own."""

    async def main() -> None:
        recorder = Recorder()
        async with asyncio.timeout(DEADLINE_S), rtu_over_tcp(units) as bus:
            site = site_of(bus.port)
            spec = site.links["bus"]
            assert isinstance(spec, ModbusRtuLink)
            points = site.points.values() if with_points else ()
            link = ModbusRtuListener(spec, points, recorder, time.monotonic_ns, recorder.next_id, carries=True)
            async with listening(link), ArmedWriter(site, time.monotonic_ns, site.name) as writer:
                writer.over([link])
                await test(bus, writer, recorder, site)

    asyncio.run(main())


def test_writes_travel_between_the_polls_and_are_read_back() -> None:
    units = Units()

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, site: Site) -> None:
        await recorder.until(lambda: len(recorder.polls) >= 4)
        done = await writer.perform([write(0, 7), write(1, 1, 2, 3), write(4, 5, unit=2)])
        assert (done.proven, done.why, done.proof) == (True, "", "answered and read back")
        assert [units.registers[1, at] for at in range(4)] == [7, 1, 2, 3]
        found = await read_writable(site, writer.devices)
        assert [it.value for it in found[:4]] == [7, 1, 2, 3]
        assert found[12].value == 5
        assert all(it.why for it in found[16:]), "unit 9 does not answer"
        count = len(recorder.polls)
        await recorder.until(lambda: len(recorder.polls) >= count + 8)
        assert bus.connections == 1
        assert recorder.drops == []
        assert recorder.failures == []

    on_a_bus(units, test)


def test_one_request_is_under_way_at_a_time_and_the_line_is_silent_in_between() -> None:
    units = Units()

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        await recorder.until(lambda: len(recorder.polls) >= 4)
        done = await asyncio.gather(*(writer.perform([write(at, at + 1)]) for at in range(8)))
        assert all(it.proven for it in done)
        await recorder.until(lambda: len(recorder.polls) >= 12)
        apart_ns = min(later - earlier for earlier, later in pairwise(bus.heard_ns))
        assert apart_ns >= 4 * NS_PER_MS, "3.5 characters of 11 bits at 9,600 baud"

    on_a_bus(units, test)


def test_a_bus_on_which_nothing_is_observed_carries_writes_all_the_same() -> None:
    units = Units()

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        assert (await writer.perform([write(0, 7)])).proven
        assert [request[1] for request in bus.requests] == [3, 6, 3]
        assert recorder.polls == []

    on_a_bus(units, test, with_points=False)


def test_a_unit_that_does_not_answer_proves_nothing_and_costs_the_others_little() -> None:
    units = Units()

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        await recorder.until(lambda: len(recorder.polls) >= 4)
        done = await writer.perform([write(0, 7, unit=SILENT_UNIT), write(0, 7)])
        assert (done.proven, done.is_sent) == (False, False)
        assert done.why == "nothing was written, since a read before it failed: no answer of unit 9 within 200 ms"
        assert units.writes == [], "what stands behind it is not sent"
        count = len(recorder.polls)
        await recorder.until(lambda: len(recorder.polls) >= count + 8)
        assert (await writer.perform([write(0, 7)])).proven

    on_a_bus(units, test)


def test_a_late_answer_to_a_raise_is_not_credited_to_the_clear() -> None:
    """Both answers are the same bytes: address and quantity (V1.1b3, 6.12)."""
    units = Units()
    units.is_late = True

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        await recorder.until(lambda: len(recorder.polls) >= 4)
        raised = await writer.perform([write(0, 1, 1)])
        assert not raised.proven
        cleared = await writer.perform([write(0, 0, 0)])
        assert len(units.writes) == 2
        assert not cleared.proven, "the answer that came is that of the raise"
        assert cleared.why == "the answer may belong to an earlier request"

    on_a_bus(units, test)


def test_what_reads_late_is_not_taken_for_an_answer_to_a_write() -> None:
    """An answer of another function is none, whatever it says."""
    units = Units()

    def confused(number: int, request: bytes) -> Chunks:
        if request[1] == 6:
            return [closed(bytes((request[0], 3, 2)) + request[4:6])]
        return units(number, request)

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        await recorder.until(lambda: len(recorder.polls) >= 4)
        done = await writer.perform([write(0, 7)])
        assert not done.proven
        assert "function 3 answered, function 6 was asked" in done.why

    on_a_bus(confused, test)


def test_an_adapter_that_echoes_is_not_taken_for_the_unit() -> None:
    """The good answer to a single write is the request itself (V1.1b3, 6.6), and here it comes from the adapter."""
    units = Units()

    def echoing(number: int, request: bytes) -> Chunks:
        yield request
        if request[1] == 3:
            yield from units(number, request)

    async def test(bus: Bus, writer: ArmedWriter, recorder: Recorder, _: Site) -> None:
        done = await writer.perform([write(0, 7)])
        assert (done.proven, done.is_sent) == (False, False)
        assert "what was sent came back: switch off the echo of the RS-485 adapter" in done.why
        assert all(request[1] == 3 for request in bus.requests)

    on_a_bus(echoing, test)


def test_without_a_session_nothing_is_sent() -> None:
    async def main() -> None:
        async with rtu_over_tcp(Units()) as bus:
            site = site_of(bus.port)
            async with ArmedWriter(site, time.monotonic_ns, site.name) as writer:
                done = await writer.perform([write(0, 7)])
                assert (done.proven, done.is_sent) == (False, False)
                assert "farend does not poll this bus in this run" in done.why
            assert bus.connections == 0

    asyncio.run(main())


def test_a_bus_that_is_down_is_waited_for_and_then_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_rtu, "CARRY_WAIT_S", 0.2)

    async def main() -> None:
        recorder = Recorder()
        async with rtu_over_tcp(Units()) as bus:
            port = bus.port
        site = site_of(port)
        spec = site.links["bus"]
        assert isinstance(spec, ModbusRtuLink)
        link = ModbusRtuListener(spec, site.points.values(), recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link), ArmedWriter(site, time.monotonic_ns, site.name) as writer:
            writer.over([link])
            began_ns = time.monotonic_ns()
            done = await writer.perform([write(0, 7)])
            assert (done.proven, done.is_sent) == (False, False)
            assert "the bus is not up, so nothing was sent" in done.why
            assert time.monotonic_ns() - began_ns >= 200 * NS_PER_MS

    asyncio.run(main())
