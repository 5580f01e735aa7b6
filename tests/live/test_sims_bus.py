"""The simulated bus, read by other people's RTU masters over its pseudo-terminal and its TCP port, and overheard."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import sys
import termios
import time
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from sims import SimulatedSite, SiteOptions
from sims.alarms import ALARMS
from sims.bus_master import REQUESTS
from sims.controller import Action
from sims.durations import NS_PER_MS
from sims.points import LOOP_UNIT, REPEATERS, Table
from sims.pty import Pty
from sims.rtu import framed, read_request, unframed
from sims.truth import changes
from tests.peers.libmodbus_master import LibmodbusError, RtuMaster

DEADLINE_S = 60.0
COUNTS_PER_MA = 4095 / 24

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


@contextlib.asynccontextmanager
async def running(*defects: str, **options: Any) -> AsyncIterator[SimulatedSite]:
    settings = SiteOptions(defects=defects, **({"bus_delay_ns": 0, "bus_baud": 115_200} | options))
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(settings) as site:
        yield site


@contextlib.asynccontextmanager
async def over_tcp(site: SimulatedSite, timeout_s: float = 20) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=site.bus_port, framer=FramerType.RTU, timeout=timeout_s, retries=0, reconnect_delay=0
    )
    assert await client.connect()
    try:
        yield client
    finally:
        client.close()


async def until_shown(site: SimulatedSite, place: str, name: str, value: int) -> None:
    await site.until(lambda: bool(seen := changes(site.truth.entries, place, name)) and seen[-1][0] == value)


async def alarms_on(client: AsyncModbusTcpClient | AsyncModbusSerialClient, unit: int) -> set[str]:
    answer = await client.read_discrete_inputs(0, count=24, device_id=unit)
    assert not answer.isError(), answer
    return {alarm.name for alarm in ALARMS[:24] if answer.bits[alarm.number]}


async def levels(client: AsyncModbusTcpClient | AsyncModbusSerialClient) -> list[float]:
    """Of bulk-a, bulk-b and day, in mA."""
    answer = await client.read_input_registers(0, count=3, device_id=LOOP_UNIT)
    assert not answer.isError(), answer
    return [counts / COUNTS_PER_MA for counts in answer.registers]


# --- healthy --------------------------------------------------------------------------------------------------------


async def test_pymodbus_over_the_pseudo_terminal() -> None:
    async with running(bus_pty=True) as site:
        client = AsyncModbusSerialClient(site.bus_pty_path, baudrate=115_200, timeout=20, retries=0, reconnect_delay=0)
        assert await client.connect()
        site.command("bulk-a.high", Action.RAISE)
        await until_shown(site, "bus.5", "bulk-a.high", 1)
        for unit in REPEATERS:
            assert await alarms_on(client, unit) == {"bulk-a.high"}
        assert (await levels(client))[0] == pytest.approx(18.72, abs=0.02)
        site.command("bulk-a.high", Action.CLEAR)
        await until_shown(site, "bus.5", "bulk-a.high", 0)
        assert await alarms_on(client, 5) == set()
        client.close()


async def test_libmodbus_over_the_pseudo_terminal() -> None:
    async with running(bus_pty=True, bus_baud=19_200) as site:
        site.command("day.low-low", Action.RAISE)
        await until_shown(site, "bus.5", "day.low-low", 1)
        await until_shown(site, "bus.loop", "day.low-low", 1)

        def read() -> tuple[list[list[int]], list[int]]:
            with RtuMaster(site.bus_pty_path) as master:
                bits = [master.discrete_inputs(unit, 0, 24) for unit in REPEATERS]
                with pytest.raises(LibmodbusError, match="Illegal data address"):
                    master.discrete_inputs(1, 20, 20)
                return bits, master.input_registers(LOOP_UNIT, 0, 3)

        bits, counts = await asyncio.to_thread(read)
    assert bits == [[int(alarm.name in ("day.low", "day.low-low")) for alarm in ALARMS[:24]]] * 4
    assert counts[2] / COUNTS_PER_MA == pytest.approx(4.48, abs=0.02)


async def test_over_tcp_everything_else_is_refused() -> None:
    async with running() as site, over_tcp(site) as client:
        for answer, code in (
            (await client.write_coil(0, True, device_id=1), 1),
            (await client.write_registers(0, [1], device_id=LOOP_UNIT), 1),
            (await client.read_coils(0, count=1, device_id=1), 2),
            (await client.read_input_registers(0, count=4, device_id=LOOP_UNIT), 2),
            (await client.read_discrete_inputs(16, count=17, device_id=3), 2),
        ):
            assert (answer.isError(), answer.exception_code) == (True, code)


async def test_a_request_is_answered_only_after_its_time_on_the_wire() -> None:
    """Eight characters, the silence, and the eight of the answer: never faster, however fast the socket is."""
    async with running(bus_baud=9600) as site, over_tcp(site) as client:
        character_ns = 11 * 10**9 // 9600
        for _ in range(5):
            asked_ns = time.monotonic_ns()
            await alarms_on(client, 1)
            assert time.monotonic_ns() - asked_ns >= int((8 + 3.5 + 8) * character_ns)


@pytest.mark.parametrize(
    "silent",
    [
        framed(9, bytes.fromhex("02 0000 0018")),
        framed(0, bytes.fromhex("02 0000 0018")),
        read_request(1, Table.DISCRETE_INPUT, 0, 24)[:5],
        b"\0" * 300,
    ],
)
async def test_what_is_nobodys_request_is_not_answered(silent: bytes) -> None:
    """Another unit's, a broadcast, half a frame, too much: the next request is answered, and nothing before it."""
    async with running(log_answers=True) as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
        writer.write(silent)
        await until_frames(site, 1)
        writer.write(read_request(1, Table.DISCRETE_INPUT, 0, 8))
        assert unframed(await reader.readexactly(6)) == (1, b"\2\1\0")
        await until_frames(site, 2)
        writer.close()
    assert [e["place"] for e in site.truth.entries if e["kind"] == "answer"] == [None, "bus.1"]


async def until_frames(site: SimulatedSite, count: int) -> None:
    """Wait until the units have heard so many frames to their end."""
    await site.until(lambda: sum(e["kind"] == "answer" for e in site.truth.entries) >= count)


async def test_the_truth_log_holds_the_instant_at_which_a_unit_took_its_values() -> None:
    async with running(log_answers=True) as site, over_tcp(site) as client:
        asked_ns = time.monotonic_ns()
        await alarms_on(client, 3)
        told_ns = time.monotonic_ns()
        await until_frames(site, 1)
        (entry,) = [e for e in site.truth.entries if e["kind"] == "answer"]
    assert (entry["place"], entry["request"][:5]) == ("bus.3", "03 02")
    assert asked_ns < entry["taken_before_ns"] <= entry["taken_after_ns"] < told_ns
    assert entry["taken_after_ns"] < entry["ends_ns"] < told_ns


async def test_no_sample_contradicts_the_truth_log() -> None:
    """A value read between asked and told was the unit's value at some instant between the two."""
    samples: list[tuple[int, int, bool]] = []
    async with running() as site, over_tcp(site) as client:

        async def change() -> None:
            for number in range(40):
                value = (number + 1) % 2
                site.command("day.high", Action.RAISE if value else Action.CLEAR)
                await site.until(lambda: len(changes(site.truth.entries, "bus.4", "day.high")) > number)  # noqa: B023

        changing = asyncio.create_task(change())
        while not changing.done():
            asked_ns = time.monotonic_ns()
            on = "day.high" in await alarms_on(client, 4)
            samples.append((asked_ns, time.monotonic_ns(), on))
        await changing
        seen = changes(site.truth.entries, "bus.4", "day.high")
    for asked_ns, told_ns, on in samples:
        possible = [value for value, at in seen if asked_ns <= at.after_ns and at.before_ns <= told_ns]
        before = [value for value, at in seen if at.after_ns < asked_ns]
        assert int(on) in (*possible, *(before[-1:] or [0]))
    assert {on for _, _, on in samples} == {True, False}


# --- overheard ------------------------------------------------------------------------------------------------------


async def test_a_tap_hears_both_directions_and_can_send_nothing() -> None:
    async with running() as site, over_tcp(site) as client:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_tap_port)
        writer.write(read_request(3, Table.DISCRETE_INPUT, 0, 24))
        await site.until(lambda: any(e.get("what") == "sent-into-tap" for e in site.truth.entries))
        await alarms_on(client, 1)
        heard = await reader.readexactly(8 + 8)
        writer.close()
    assert heard[:8] == read_request(1, Table.DISCRETE_INPUT, 0, 24)
    assert unframed(heard[8:]) == (1, bytes.fromhex("02 03 00 00 00"))


async def test_the_master_on_the_bus_is_overheard() -> None:
    async with running(bus_master=True, bus_round_ns=20 * NS_PER_MS) as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_tap_port)
        heard = b""
        while heard.count(REQUESTS[0]) < 3 or not heard.endswith(REQUESTS[4]):
            heard += await reader.read(4096)
        writer.close()
    heard = heard[heard.index(REQUESTS[0]) :]
    frames = []
    while len(heard) >= 8 + 8:
        assert heard[:8] in REQUESTS
        answer = heard[8 : 8 + (11 if heard[0] == LOOP_UNIT else 8)]
        if len(answer) < 8:
            break
        frames.append(heard[0])
        assert unframed(answer) is not None
        heard = heard[8 + len(answer) :]
    assert frames[:10] == [1, 2, 3, 4, 5] * 2


async def test_a_master_beside_another_one_spoils_both() -> None:
    """The wire is one: a request in the middle of somebody else's leaves neither whole."""
    async with running(bus_baud=1200) as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_tap_port)
        _, first = await asyncio.open_connection("127.0.0.1", site.bus_port)
        _, second = await asyncio.open_connection("127.0.0.1", site.bus_port)
        first.write(read_request(1, Table.DISCRETE_INPUT, 0, 24))
        heard = await reader.readexactly(1)
        second.write(read_request(3, Table.DISCRETE_INPUT, 0, 24))
        heard += await reader.readexactly(15)
        for each in (writer, first, second):
            each.close()
    assert read_request(1, Table.DISCRETE_INPUT, 0, 24) not in heard
    assert read_request(3, Table.DISCRETE_INPUT, 0, 24) not in heard


async def test_a_tap_on_a_pseudo_terminal() -> None:
    async with running(bus_tap_pty=True) as site, over_tcp(site) as client:
        for _ in range(3):  # nobody listens: it is lost, as on any line
            await alarms_on(client, 1)
        descriptor = os.open(site.bus_tap_pty_path, os.O_RDWR | os.O_NOCTTY)
        try:
            await alarms_on(client, 4)
            heard = b""
            while len(heard) < 16:
                heard += await asyncio.to_thread(os.read, descriptor, 64)
        finally:
            os.close(descriptor)
    assert heard[:8] == read_request(4, Table.DISCRETE_INPUT, 0, 24)
    assert len(heard) == 16


# --- what a pseudo-terminal does ------------------------------------------------------------------------------------


def test_what_was_left_unread_is_gone_for_the_next_one() -> None:
    pty = Pty("test")
    try:
        for _ in range(3):
            assert not pty.is_open()
            pty.write(b"nobody")
            descriptor = os.open(pty.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            assert pty.is_open()
            with pytest.raises(BlockingIOError):
                os.read(descriptor, 10)
            pty.write(b"\r\n\x03\x11")
            select.select([descriptor], [], [], DEADLINE_S)
            assert os.read(descriptor, 10) == b"\r\n\x03\x11", "raw, and no echo"
            os.write(descriptor, b"\n\x04\x13")
            assert pty.read() == b"\n\x04\x13"
            pty.write(b"unread")
            assert not termios.tcgetattr(descriptor)[3] & (termios.ECHO | termios.ICANON | termios.ISIG)
            os.close(descriptor)
        assert pty.bytes_lost == 3 * len(b"nobody")
    finally:
        pty.close()


async def test_the_line_goes_on_while_a_port_is_opened_and_closed() -> None:
    async with running(bus_pty=True) as site:
        for _ in range(5):
            client = AsyncModbusSerialClient(
                site.bus_pty_path, baudrate=115_200, timeout=20, retries=0, reconnect_delay=0
            )
            assert await client.connect()
            assert await alarms_on(client, 1) == set()
            client.close()


async def test_whoever_hangs_up_in_the_middle_leaves_a_working_line() -> None:
    async with running(bus_baud=1200, log_answers=True) as site:
        request = read_request(1, Table.DISCRETE_INPUT, 0, 24)
        for count in range(1, 5):
            reader, tap = await asyncio.open_connection("127.0.0.1", site.bus_tap_port)
            _, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
            writer.write(request)
            assert await reader.readexactly(1) == request[:1]
            writer.transport.abort()
            await until_frames(site, count)
            tap.close()
        async with over_tcp(site) as client:
            assert await alarms_on(client, 1) == set()
    assert [e["place"] for e in site.truth.entries if e["kind"] == "answer"] == [None] * 4 + ["bus.1"]


# --- every defect does what it says ---------------------------------------------------------------------------------


async def refused(client: AsyncModbusTcpClient, unit: int, table: str = "discrete_inputs", count: int = 24) -> int:
    answer = await getattr(client, f"read_{table}")(0, count=count, device_id=unit)
    assert answer.isError()
    return int(answer.exception_code)


async def no_answer(site: SimulatedSite, unit: int) -> None:
    """The request is heard to its end, and nobody answers."""
    _, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
    request = read_request(unit, Table.DISCRETE_INPUT, 0, 8)
    writer.write(request)
    await until_frames(site, 1)
    writer.close()
    (entry,) = [e for e in site.truth.entries if e["kind"] == "answer"]
    assert (entry["request"], entry["place"]) == (request.hex(" "), None)


async def test_dead_unit() -> None:
    async with running("dead-unit@bus.3", log_answers=True) as site:
        await no_answer(site, 3)
        async with over_tcp(site) as client:
            assert await alarms_on(client, 4) == set()


async def test_wrong_unit() -> None:
    async with running("wrong-unit@bus.3=7", log_answers=True) as site:
        await no_answer(site, 3)
        async with over_tcp(site) as client:
            assert await alarms_on(client, 7) == set()


async def test_swapped_units() -> None:
    async with running("swapped-units=4") as site, over_tcp(site) as client:
        assert await alarms_on(client, 2) == set()
        assert len((await client.read_input_registers(0, count=3, device_id=4)).registers) == 3
        assert await refused(client, 4) == 2


async def test_foreign_answers() -> None:
    async with running("foreign-answers@bus.5=8") as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
        writer.write(read_request(5, Table.DISCRETE_INPUT, 0, 24))
        assert unframed(await reader.readexactly(8)) == (8, bytes.fromhex("02 03 00 00 00"))
        writer.close()


async def test_slow_unit() -> None:
    async with running("slow-unit@bus.5=120ms") as site, over_tcp(site) as client:
        asked_ns = time.monotonic_ns()
        await alarms_on(client, 5)
        assert time.monotonic_ns() - asked_ns >= 120 * NS_PER_MS


async def test_noise() -> None:
    async with running("noise@bus.5=100%") as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
        for _ in range(10):
            writer.write(read_request(5, Table.DISCRETE_INPUT, 0, 24))
            assert unframed(await reader.readexactly(8)) is None
        writer.close()
        await site.until(lambda: sum(e.get("what") == "noise" for e in site.truth.entries) == 10)


@pytest.mark.parametrize(
    ("spec", "received"),
    [("dropped-answers@bus.5=100%", b""), ("half-frames@bus.5=100%", framed(5, bytes.fromhex("02 03 00 00 00"))[:4])],
)
async def test_lost_and_half_answers(spec: str, received: bytes) -> None:
    async with running(spec, log_answers=True) as site:
        reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
        for count in (1, 2):
            writer.write(read_request(5, Table.DISCRETE_INPUT, 0, 24))
            assert await reader.readexactly(len(received)) == received
            await until_frames(site, count)
        writer.close()
    assert len([e for e in site.truth.entries if e["kind"] == "fault" and e["place"] == "bus.5"]) == 2


async def test_other_table_and_exceptions() -> None:
    async with running("other-table@bus.3", "exceptions@bus.4=6") as site, over_tcp(site) as client:
        assert await refused(client, 3) == 2
        assert not (await client.read_coils(0, count=24, device_id=3)).isError()
        assert await refused(client, 4) == 6


@pytest.mark.parametrize(
    ("spec", "raised", "on"),
    [
        ("wrong-bit:day.low@bus.3=sump-a.leak", "day.low", {"sump-a.leak"}),
        ("off-by-one@bus.3", "day.high", {"day.low"}),
        ("inverted:bulk-a.water@bus.3", "day.high", {"day.high", "bulk-a.water"}),
        ("never-appears:day.low@bus.3", "day.low", set()),
        ("zeros@bus.3", "day.low", set()),
        ("frozen@bus.3=0s", "day.low", set()),
    ],
)
async def test_a_repeater_shows_something_else(spec: str, raised: str, on: set[str]) -> None:
    async with running(spec) as site, over_tcp(site) as client:
        site.command(raised, Action.RAISE)
        await until_shown(site, "bus.5", raised, 1)
        assert await alarms_on(client, 5) == {raised}
        assert await alarms_on(client, 3) == on


async def test_a_repeater_that_latches() -> None:
    async with running("latches:day.low@bus.3") as site, over_tcp(site) as client:
        site.command("day.low", Action.RAISE)
        await until_shown(site, "bus.5", "day.low", 1)
        site.command("day.low", Action.CLEAR)
        await until_shown(site, "bus.5", "day.low", 0)
        assert await alarms_on(client, 3) == {"day.low"}
        site.command("day.low", Action.ACKNOWLEDGE)
        await until_shown(site, "bus.3", "day.low", 0)
        assert await alarms_on(client, 3) == set()


async def test_late_short_and_momentary_repeaters() -> None:
    specs = ("late:day.low@bus.3=200ms", "too-short:day.low@bus.4=40ms", "momentary:day.low@bus.5=40ms")
    async with running(*specs) as site, over_tcp(site) as client:
        site.command("day.low", Action.RAISE)
        await until_shown(site, "bus.5", "day.low", 1)
        await until_shown(site, "bus.5", "day.low", 0)
        await until_shown(site, "bus.4", "day.low", 0)
        await until_shown(site, "bus.3", "day.low", 1)
        assert [await alarms_on(client, unit) for unit in (1, 3, 4, 5)] == [{"day.low"}, {"day.low"}, set(), set()]
        site.command("day.low", Action.CLEAR)
        await site.until(lambda: len(changes(site.truth.entries, "bus.5", "day.low")) == 4)
    entries = site.truth.entries
    (raised, cleared) = [e["at_ns"] for e in entries if e["kind"] == "alarm"]
    assert changes(entries, "bus.3", "day.low")[0][1].before_ns >= raised + 200 * NS_PER_MS
    assert [value for value, _ in changes(entries, "bus.4", "day.low")] == [1, 0]
    assert changes(entries, "bus.5", "day.low")[2][1].before_ns >= cleared


@pytest.mark.parametrize(
    ("spec", "raised", "ma"),
    [
        ("wrong-scale=75%", "day.high", 14.04),
        ("reversed-loop", "day.high", 5.28),
        ("clipped-loop", "day.probe-fault", 4.0),
        ("never-appears:day.high@bus.loop", "day.high", None),
        ("no-failure-current", "day.probe-fault", None),
        ("zeros@bus.loop", "day.high", 0.0),
    ],
)
async def test_a_loop_that_says_something_else(spec: str, raised: str, ma: float | None) -> None:
    async with running(spec) as site, over_tcp(site) as client:
        site.command(raised, Action.RAISE)
        await until_shown(site, "bus.5", raised, 1)
        read = (await levels(client))[2]
    if ma is None:
        assert 10.4 < read < 13.6
    else:
        assert read == pytest.approx(ma, abs=0.02)


async def test_stuck_counts() -> None:
    async with running("frozen:day.high@bus.loop") as site, over_tcp(site) as client:
        site.command("day.high", Action.RAISE)
        await until_shown(site, "bus.loop", "day.high", 1)
        stuck = await levels(client)
        assert stuck[2] == pytest.approx(18.72, abs=0.02)
        site.command("day.high", Action.CLEAR)
        await until_shown(site, "bus.5", "day.high", 0)
        assert [await levels(client) for _ in range(5)] == [stuck] * 5
