"""The simulated site on real sockets, read by pymodbus, pyserial and bare sockets; and that its truth log is true."""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import sys
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from sims import SimulatedSite, SiteOptions
from sims.alarms import ALARMS, BY_NAME
from sims.controller import Action
from sims.durations import NS_PER_MS
from sims.truth import changes, shown

DEADLINE_S = 60.0  # of a whole test; nothing here takes more than seconds


@dataclass
class Reader:
    """A client of each of the site's three ways out."""

    site: SimulatedSite
    panel: AsyncModbusTcpClient
    bms: AsyncModbusTcpClient
    paper: asyncio.StreamReader
    printed: list[str] = field(default_factory=list)

    async def do(self, name: str, action: Action) -> None:
        """Write to the test block over the wire."""
        answer = await self.panel.write_registers(900, [1 + BY_NAME[name].number, int(action)])
        assert not answer.isError()

    async def bms_on(self) -> set[str]:
        bits = (await self.bms.read_discrete_inputs(0, count=28)).bits
        return {alarm.name for alarm in ALARMS if bits[alarm.number]}

    async def panel_on(self) -> set[str]:
        bits = (await self.panel.read_discrete_inputs(0, count=28)).bits
        return {alarm.name for alarm in ALARMS if bits[alarm.number]}

    async def states(self) -> dict[str, int]:
        codes = (await self.bms.read_input_registers(200, count=28)).registers
        return {alarm.name: code for alarm, code in zip(ALARMS, codes, strict=True) if code}

    async def latched(self) -> set[str]:
        words = (await self.bms.read_holding_registers(100, count=2)).registers
        return {alarm.name for alarm in ALARMS if words[alarm.number // 16] >> alarm.number % 16 & 1}

    async def until_shown(self, place: str, name: str, value: int) -> None:
        """Wait until the site's log says that an output took a value; what a client then reads is the test's matter."""
        await self.site.until(
            lambda: bool(seen := changes(self.site.truth.entries, place, name)) and seen[-1][0] == value
        )

    async def line(self) -> str:
        """The next printed line that is no heartbeat."""
        while True:
            line = (await self.paper.readuntil(b"\r\n")).decode("ascii").removesuffix("\r\n")
            if not line.endswith("LINE OK"):
                return line

    async def event(self) -> str:
        """The next printed line without its number and time."""
        return (await self.line())[20:]


@contextlib.asynccontextmanager
async def reading(*defects: str, **options: Any) -> AsyncIterator[Reader]:
    settings = SiteOptions(defects=defects, **({"output_delay_ns": 30 * NS_PER_MS, "printer_delay_ns": 0} | options))
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(settings) as site:
        panel = AsyncModbusTcpClient("127.0.0.1", port=site.panel_port, timeout=20, retries=0)
        bms = AsyncModbusTcpClient("127.0.0.1", port=site.bms_port, timeout=20, retries=0)
        assert await panel.connect()
        assert await bms.connect()
        paper, pen = await asyncio.open_connection("127.0.0.1", site.printer_port)
        await until_connected(site, 1)
        try:
            yield Reader(site, panel, bms, paper)
        finally:
            panel.close()
            bms.close()
            pen.close()
            with contextlib.suppress(ConnectionError):
                await pen.wait_closed()


async def until_connected(site: SimulatedSite, count: int) -> None:
    """A client has connected before the server knows of it."""
    await site.until(lambda: site.printer_clients >= count)


# --- a healthy site -----------------------------------------------------------------------------------


async def test_an_alarm_reaches_every_output_and_goes_again() -> None:
    async with reading() as reader:
        await reader.do("day.high", Action.RAISE)
        await reader.until_shown("bms", "day.high", 1)
        assert await reader.panel_on() == await reader.bms_on() == await reader.latched() == {"day.high"}
        assert await reader.states() == {"day.high": 1}
        assert (await reader.bms.read_coils(0, count=1)).bits[0]
        assert (await reader.bms.read_discrete_inputs(100, count=2)).bits[:2] == [True, False]
        await reader.do("day.high", Action.ACKNOWLEDGE)
        await reader.until_shown("bms.horn", "horn", 0)
        assert await reader.states() == {"day.high": 2}
        assert not (await reader.bms.read_coils(0, count=1)).bits[0]
        await reader.do("day.high", Action.CLEAR)
        await reader.until_shown("bms", "day.high", 0)
        assert await reader.panel_on() == await reader.bms_on() == await reader.latched() == set()
        assert await reader.states() == {}
        assert not (await reader.bms.read_discrete_inputs(100, count=2)).bits[0]
        assert [await reader.event() for _ in range(3)] == [
            "RAISED   DAY HIGH",
            "ACKED    DAY HIGH",
            "CLEARED  DAY HIGH",
        ]


async def test_several_alarms_at_once() -> None:
    names = {"bulk-a.high", "day.low", "bulk-b.probe-fault", "panel.battery-low"}
    async with reading() as reader:
        for name in sorted(names):
            await reader.do(name, Action.RAISE)
        for name in names - {"panel.battery-low"}:
            await reader.until_shown("bms", name, 1)
        assert await reader.panel_on() == names
        assert await reader.bms_on() == names - {"panel.battery-low"}
        assert (await reader.bms.read_discrete_inputs(100, count=2)).bits[:2] == [True, True]


async def test_a_transient_goes_by_itself() -> None:
    async with reading(lasts_ns={"fill-sump.splash": 40 * NS_PER_MS}) as reader:
        await reader.do("fill-sump.splash", Action.RAISE)
        await reader.until_shown("bms", "fill-sump.splash", 1)
        await reader.until_shown("bms", "fill-sump.splash", 0)
        assert await reader.bms_on() == set()
        assert await reader.states() == {"fill-sump.splash": 3}
        assert await reader.latched() == {"fill-sump.splash"}


async def test_the_test_block_reads_back_what_it_accepted() -> None:
    async with reading() as reader:
        await reader.do("day.low", Action.RAISE)
        refused = await reader.panel.write_registers(900, [29, 1])
        assert (refused.isError(), refused.exception_code) == (True, 3)
        assert (await reader.panel.read_holding_registers(900, count=5)).registers == [15, 1, 15, 1, 1]


@pytest.mark.parametrize(
    "write",
    [
        lambda r: r.panel.write_registers(901, [1, 1]),
        lambda r: r.panel.write_registers(900, [1]),
        lambda r: r.panel.write_registers(902, [0]),
        lambda r: r.panel.write_register(900, 1),
        lambda r: r.bms.write_coil(0, False),
        lambda r: r.bms.write_registers(100, [0, 0]),
    ],
)
async def test_nothing_else_can_be_written(write: Callable[[Reader], Any]) -> None:
    async with reading() as reader:
        answer = await write(reader)
        assert (answer.isError(), answer.exception_code) == (True, 2)
        assert not [entry for entry in reader.site.truth.entries if entry["kind"] == "stimulus"]


@pytest.mark.parametrize(
    ("table", "address", "count", "exists"),
    [
        ("discrete_inputs", 0, 28, True),
        ("discrete_inputs", 100, 2, True),
        ("discrete_inputs", 0, 102, False),
        ("coils", 0, 1, True),
        ("coils", 16, 1, False),
        ("holding_registers", 100, 2, True),
        ("holding_registers", 102, 1, False),
        ("input_registers", 0, 7, True),
        ("input_registers", 0, 17, False),
        ("input_registers", 200, 28, True),
        ("input_registers", 200, 29, False),
    ],
)
async def test_what_exists_at_the_bms(table: str, address: int, count: int, exists: bool) -> None:
    """A gap between two blocks is refused with exception 02 (Application Protocol V1.1b3, 7)."""
    async with reading() as reader:
        answer = await getattr(reader.bms, f"read_{table}")(address, count=count)
        assert answer.isError() != exists
        if not exists:
            assert answer.exception_code == 2


async def test_tank_data() -> None:
    async with reading() as reader:
        for name, address in (("bulk-a", 0), ("bulk-b", 10), ("day", 20)):
            level, temperature, high, low, water, seconds, hours = (
                await reader.bms.read_input_registers(address, count=7)
            ).registers
            tank = reader.site.plant.tanks[name]
            assert level == pytest.approx(tank.level_mm, abs=2)
            assert temperature == pytest.approx(tank.temperature_c * 10, abs=2)
            litres = struct.unpack(">f", struct.pack(">HH", high, low))[0]
            assert litres == pytest.approx(tank.level_mm * tank.litres_per_mm, abs=20)
            assert water == 4
            assert seconds + (hours << 16) < 60


async def test_a_client_may_send_many_requests_before_the_first_answer() -> None:
    async with reading() as reader:
        stream, writer = await asyncio.open_connection("127.0.0.1", reader.site.bms_port)
        writer.write(b"".join(request(number) for number in range(50)))
        for number in range(50):
            assert await stream.readexactly(13) == answer(number, bytes(4))
        writer.close()


@pytest.mark.parametrize(
    "garbage", [b"\0\1\0\1\0\6\1\2\0\0\0\x1c", b"\0\1\0\0\0\1\1", b"\0\1\0\0\1\0\1\2", b"GET / HTTP/1.1\r\n"]
)
async def test_bytes_that_are_no_modbus_end_the_connection_and_nothing_else(garbage: bytes) -> None:
    async with reading() as reader:
        stream, writer = await asyncio.open_connection("127.0.0.1", reader.site.bms_port)
        writer.write(garbage)
        with contextlib.suppress(ConnectionError):
            assert await stream.read() == b""
        writer.close()
        assert await reader.bms_on() == set()


def request(transaction: int, count: int = 28) -> bytes:
    """Read discrete inputs from address 0, unit 1 (Application Protocol V1.1b3, 6.2)."""
    return struct.pack(">HHHBBHH", transaction, 0, 6, 1, 2, 0, count)


def answer(transaction: int, data: bytes) -> bytes:
    return struct.pack(">HHHBBB", transaction, 0, 3 + len(data), 1, 2, len(data)) + data


# --- the truth log is true ----------------------------------------------------------------------------


async def test_no_sample_contradicts_the_truth_log() -> None:
    """A value read between asked and told was the output's value at some instant between the two."""
    names = ("day.low", "sump-a.leak", "bulk-b.water")
    samples: list[tuple[int, int, set[str]]] = []
    async with reading(lasts_ns={"sump-a.leak": 45 * NS_PER_MS}) as reader:
        over = False

        async def poll() -> None:
            while not over:
                asked_ns = time.monotonic_ns()
                on = await reader.bms_on()
                samples.append((asked_ns, time.monotonic_ns(), on))

        polling = asyncio.create_task(poll())
        for _ in range(5):
            for name in names:
                await reader.do(name, Action.RAISE)
            for name in names:
                await reader.until_shown("bms", name, 0 if name == "sump-a.leak" else 1)
            for name in names:
                await reader.do(name, Action.CLEAR)
            for name in names:
                await reader.until_shown("bms", name, 0)
        over = True
        await polling
        entries = reader.site.truth.entries
    seen: dict[tuple[str, bool], int] = {}
    for name in names:
        times = shown(entries, "bms", name)
        assert len(times) == 5
        for asked_ns, told_ns, on in samples:
            surely_on = any(
                t.appeared.after_ns < asked_ns and t.gone is not None and t.gone.before_ns > told_ns for t in times
            )
            perhaps_on = any(
                t.appeared.before_ns <= told_ns and t.gone is not None and t.gone.after_ns >= asked_ns for t in times
            )
            assert surely_on <= (name in on) <= perhaps_on
            seen[name, name in on] = seen.get((name, name in on), 0) + 1
    assert all(seen.get((name, on), 0) > 0 for name in names for on in (True, False)), seen


async def test_outputs_are_never_early() -> None:
    """The panel shows it in the scan; the others not before their delay from then is over."""
    delay_ns = 50 * NS_PER_MS
    async with reading(output_delay_ns=delay_ns, printer_delay_ns=delay_ns) as reader:
        await reader.do("day.low", Action.RAISE)
        line = await reader.line()
        told_ns = time.monotonic_ns()
        await reader.until_shown("bms", "day.low", 1)
        entries = reader.site.truth.entries
    (stimulus,) = [e for e in entries if e["kind"] == "stimulus"]
    (scan,) = [e for e in entries if e["kind"] == "alarm"]
    (printed,) = [e for e in entries if e["kind"] == "line" and e["alarm"]]
    panel = shown(entries, "panel", "day.low")[0].appeared
    bms = shown(entries, "bms", "day.low")[0].appeared
    assert stimulus["at_ns"] <= scan["at_ns"] <= panel.before_ns <= panel.after_ns
    assert bms.before_ns >= scan["at_ns"] + delay_ns
    assert printed["set_before_ns"] >= scan["at_ns"] + delay_ns
    assert told_ns > printed["set_before_ns"]
    assert (printed["text"], printed["clients"]) == (line, 1)


async def test_the_header_names_the_defects_and_their_targets() -> None:
    async with reading("swapped-pair", "late@printer", seed=7) as reader:
        header = reader.site.truth.entries[0]
    assert header["kind"] == "header"
    assert [d["spec"] for d in header["defects"]] == [d.spec for d in reader.site.defects]
    assert header["defects"][0]["alarm"] in BY_NAME
    assert header["defects"][0]["other"] in BY_NAME
    assert header["ports"]["bms_port"] == reader.site.bms_port
    assert reader.site.truth.entries[-1]["kind"] == "end"


# --- every defect does what it says -------------------------------------------------------------------


async def test_wrong_bit() -> None:
    async with reading("wrong-bit:day.low@bms=sump-a.leak") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "sump-a.leak", 1)
        assert await reader.bms_on() == {"sump-a.leak"}
        assert await reader.panel_on() == set(await reader.states()) == await reader.latched() == {"day.low"}


async def test_swapped_pair() -> None:
    async with reading("swapped-pair:day.low@bms=bulk-a.water", "swapped-pair:day.low@printer=bulk-a.water") as reader:
        for name, other in (("day.low", "bulk-a.water"), ("bulk-a.water", "day.low")):
            await reader.do(name, Action.RAISE)
            await reader.until_shown("bms", other, 1)
            assert await reader.bms_on() == {other}
            await reader.do(name, Action.ACKNOWLEDGE)
            await reader.do(name, Action.CLEAR)
            await reader.until_shown("bms", other, 0)
            assert [await reader.event() for _ in range(3)] == [
                f"{word:<8} {BY_NAME[other].text}" for word in ("RAISED", "ACKED", "CLEARED")
            ]


@pytest.mark.parametrize("place", ["bms", "bms.latched", "bms.states", "panel"])
async def test_off_by_one(place: str) -> None:
    async with reading(f"off-by-one@{place}") as reader:
        await reader.do("day.high", Action.RAISE)
        await reader.until_shown("bms.horn", "horn", 1)
        read = {
            "bms": await reader.bms_on(),
            "bms.latched": await reader.latched(),
            "bms.states": set(await reader.states()),
            "panel": await reader.panel_on(),
        }
        assert read.pop(place) == {"day.low"}
        assert all(on == {"day.high"} for on in read.values())


async def test_inverted() -> None:
    async with reading("inverted:day.low@bms", "inverted:day.low@printer") as reader:
        assert await reader.bms_on() == {"day.low"}
        assert shown(reader.site.truth.entries, "bms", "day.low")[0].gone is None
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "day.low", 0)
        assert await reader.bms_on() == set()
        assert await reader.event() == "CLEARED  DAY LOW"
        await reader.do("day.low", Action.CLEAR)
        await reader.until_shown("bms", "day.low", 1)
        assert await reader.event() == "RAISED   DAY LOW"


async def test_never_appears() -> None:
    async with reading("never-appears:day.low@bms", "never-appears:day.low@printer") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.do("day.high", Action.RAISE)
        await reader.until_shown("bms", "day.high", 1)
        assert set(await reader.states()) == {"day.low", "day.high"}
        assert await reader.bms_on() == {"day.high"}
        assert await reader.event() == "RAISED   DAY HIGH"


async def test_leak() -> None:
    async with reading("leak:panel.battery-low@bms", "leak:panel.battery-low@printer") as reader:
        await reader.do("panel.battery-low", Action.RAISE)
        await reader.until_shown("bms", "panel.battery-low", 1)
        assert await reader.bms_on() == {"panel.battery-low"}
        assert await reader.event() == "RAISED   PANEL BATTERY LOW"


async def test_too_short() -> None:
    async with reading("too-short:day.low@bms=40ms", "too-short:day.low@printer=40ms") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "day.low", 1)
        await reader.until_shown("bms", "day.low", 0)
        assert await reader.bms_on() == set()
        assert await reader.panel_on() == {"day.low"}
        assert [await reader.event() for _ in range(2)] == ["RAISED   DAY LOW", "CLEARED  DAY LOW"]
        assert [e["word"] for e in reader.site.truth.entries if e["kind"] == "line" and e["alarm"]] == [
            "RAISED",
            "CLEARED",
        ]


async def test_late() -> None:
    async with reading("late:day.low@bms=300ms", "late:day.low@printer=300ms") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms.states", "day.low", 1)
        assert await reader.event() == "RAISED   DAY LOW"
        await reader.until_shown("bms", "day.low", 1)
        assert await reader.bms_on() == {"day.low"}
        entries = reader.site.truth.entries
    (scan,) = [e for e in entries if e["kind"] == "alarm"]
    (printed,) = [e for e in entries if e["kind"] == "line" and e["alarm"]]
    assert shown(entries, "bms", "day.low")[0].appeared.before_ns >= scan["at_ns"] + 330 * NS_PER_MS
    assert printed["set_before_ns"] >= scan["at_ns"] + 300 * NS_PER_MS


async def test_stuck() -> None:
    async with reading("stuck:day.low@bms", "stuck:day.low@printer") as reader:
        for _ in range(2):
            await reader.do("day.low", Action.RAISE)
            await reader.until_shown("bms.states", "day.low", 1)
            await reader.do("day.low", Action.ACKNOWLEDGE)
            await reader.do("day.low", Action.CLEAR)
            await reader.until_shown("bms.states", "day.low", 0)
            assert await reader.bms_on() == {"day.low"}
            assert await reader.panel_on() == set()
            assert [await reader.event() for _ in range(2)] == ["RAISED   DAY LOW", "ACKED    DAY LOW"]
        assert [value for value, _ in changes(reader.site.truth.entries, "bms", "day.low")] == [1]


async def test_repeated_message() -> None:
    async with reading("repeated-message:day.low@printer=20ms", "repeated-message:day.low@bms=20ms") as reader:
        await reader.do("day.low", Action.RAISE)
        lines = [await reader.line() for _ in range(3)]
        assert [line[20:] for line in lines] == ["RAISED   DAY LOW", "CLEARED  DAY LOW", "RAISED   DAY LOW"]
        assert len({line[:4] for line in lines}) == 3
        await reader.site.until(lambda: len(shown(reader.site.truth.entries, "bms", "day.low")) == 2)
        assert await reader.bms_on() == {"day.low"}
        await reader.do("day.low", Action.CLEAR)
        await reader.until_shown("bms", "day.low", 0)
        assert await reader.event() == "CLEARED  DAY LOW"


async def test_retransmitted_line() -> None:
    async with reading("retransmitted-line:day.low@printer=20ms") as reader:
        await reader.do("day.low", Action.RAISE)
        first, again = await reader.line(), await reader.line()
        assert first == again
        assert first[20:] == "RAISED   DAY LOW"
        words = [e["word"] for e in reader.site.truth.entries if e["kind"] == "line" and e["alarm"]]
        assert words == ["RAISED", "AGAIN"]


async def test_frozen_keeps_answering_old_values() -> None:
    async with reading("frozen:day.low@bms", "frozen@bms.tanks=0s") as reader:
        tanks = (await reader.bms.read_input_registers(0, count=7)).registers
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "day.low", 1)
        await reader.do("day.high", Action.RAISE)
        await reader.do("day.low", Action.CLEAR)
        await reader.until_shown("bms.states", "day.low", 3)
        await reader.until_shown("bms.states", "day.high", 1)
        assert await reader.bms_on() == {"day.low"}
        reader.site.plant.tanks["bulk-a"].level_mm += 100
        await reader.do("bulk-a.water", Action.RAISE)
        await reader.until_shown("bms.states", "bulk-a.water", 1)
        assert (await reader.bms.read_input_registers(0, count=7)).registers == tanks
        assert tanks[0] > 0
        assert shown(reader.site.truth.entries, "bms", "day.high") == []


async def test_zeros() -> None:
    async with reading("zeros@bms", "zeros@bms.tanks") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms.states", "day.low", 1)
        assert await reader.bms_on() == set()
        assert (await reader.bms.read_input_registers(0, count=7)).registers == [0] * 7
        assert shown(reader.site.truth.entries, "bms", "day.low") == []


@pytest.mark.parametrize("code", [2, 4, 6])
async def test_exceptions(code: int) -> None:
    async with reading(f"exceptions@bms={code}") as reader:
        answer = await reader.bms.read_discrete_inputs(0, count=28)
        assert (answer.isError(), answer.exception_code) == (True, code)
        assert await reader.states() == {}


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_dropped_answers(seed: int) -> None:
    """Exactly the answers that the log says never arrive; the others all do, in their order."""
    async with reading("dropped-answers@bms=40%", seed=seed) as reader:
        received = await send_and_read_to_the_end(reader.site.bms_port, 30)
        lost = {int(e["detail"][:5].replace(" ", ""), 16) for e in faults(reader, "dropped-answers")}
    assert received == b"".join(answer(number, bytes(4)) for number in range(30) if number not in lost)
    assert 0 < len(lost) < 30


async def test_the_same_seed_drops_the_same_answers() -> None:
    lost = []
    for seed in (1, 1, 2):
        async with reading("dropped-answers@bms=40%", seed=seed) as reader:
            await send_and_read_to_the_end(reader.site.bms_port, 30)
            lost.append([e["detail"] for e in faults(reader, "dropped-answers")])
    assert lost[0] == lost[1] != lost[2]


async def test_half_frames() -> None:
    async with reading("half-frames@bms=50%", seed=1) as reader:
        received = await send_and_read_to_the_end(reader.site.bms_port, 20)
        halved = {int(e["detail"][:5].replace(" ", ""), 16) for e in faults(reader, "half-frames")}
    whole = [answer(number, bytes(4)) for number in range(20)]
    assert received == b"".join(frame[:6] if number in halved else frame for number, frame in enumerate(whole))
    assert 0 < len(halved) < 20


async def test_resets() -> None:
    async with reading("resets@bms=100%") as reader:
        stream, writer = await asyncio.open_connection("127.0.0.1", reader.site.bms_port)
        writer.write(request(1))
        with pytest.raises(ConnectionResetError):
            await stream.readexactly(13)
        writer.close()
        assert len(faults(reader, "resets")) == 1
        assert await reader.panel_on() == set()


async def test_late_answers_carry_the_value_of_their_own_time() -> None:
    async with reading("late-answers@panel=300ms,100%") as reader:
        stream, writer = await asyncio.open_connection("127.0.0.1", reader.site.panel_port)
        writer.write(request(7))
        await reader.site.until(lambda: bool(faults(reader, "late-answers")))
        reader.site.command("day.low", Action.RAISE)
        received = await stream.readexactly(13)
        told_ns = time.monotonic_ns()
        writer.close()
        (fault,) = faults(reader, "late-answers")
    assert received == answer(7, bytes(4))
    assert told_ns >= fault["at_ns"] + 300 * NS_PER_MS


async def test_half_lines() -> None:
    async with reading("half-frames@printer=100%") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.site.until(lambda: bool(faults(reader, "half-frames")))
        (line,) = [e for e in reader.site.truth.entries if e["kind"] == "line"]
        whole = f"{line['text']}\r\n".encode("ascii")
        assert await reader.paper.readexactly(len(whole) // 2) == whole[: len(whole) // 2]
        assert not line["whole"]


async def test_printer_resets() -> None:
    async with reading("resets@printer=100%") as reader:
        await reader.do("day.low", Action.RAISE)
        with pytest.raises(ConnectionResetError):
            await reader.paper.read()


async def test_a_point_that_latches_and_one_that_does_not() -> None:
    async with reading("latches:day.low@bms", "unlatched:day.high@bms.latched") as reader:
        for name in ("day.low", "day.high"):
            await reader.do(name, Action.RAISE)
            await reader.until_shown("bms.states", name, 1)
            await reader.do(name, Action.CLEAR)
            await reader.until_shown("bms.states", name, 3)
        await reader.until_shown("bms", "day.high", 0)
        assert await reader.bms_on() == {"day.low"}
        assert await reader.latched() == {"day.low"}
        await reader.do("day.low", Action.ACKNOWLEDGE)
        await reader.until_shown("bms", "day.low", 0)
        assert await reader.bms_on() == set()


async def test_momentary() -> None:
    async with reading("momentary:day.low@bms=40ms") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "day.low", 0)
        await reader.do("day.low", Action.CLEAR)
        await reader.site.until(lambda: len(changes(reader.site.truth.entries, "bms", "day.low")) == 4)
        entries = reader.site.truth.entries
    assert [value for value, _ in changes(entries, "bms", "day.low")] == [1, 0, 1, 0]
    came, went = (e["at_ns"] for e in entries if e["kind"] == "alarm")
    first, second = shown(entries, "bms", "day.low")
    assert first.gone is not None
    assert second.gone is not None
    assert first.gone.before_ns >= came + 70 * NS_PER_MS
    assert second.appeared.before_ns >= went + 30 * NS_PER_MS
    assert second.gone.before_ns >= went + 70 * NS_PER_MS


async def test_bytes_the_wrong_way_round() -> None:
    async with reading("byte-order@bms.latched", "byte-order@bms.states", "byte-order@bms.tanks") as reader:
        await reader.do("bulk-a.high", Action.RAISE)
        await reader.until_shown("bms.states", "bulk-a.high", 0x0100)
        assert await reader.states() == {"bulk-a.high": 0x0100}
        assert (await reader.bms.read_holding_registers(100, count=2)).registers == [0x0200, 0]
        level, *_ = (await reader.bms.read_input_registers(0, count=7)).registers
        tank = reader.site.plant.tanks["bulk-a"]
        assert level >> 8 | (level & 0xFF) << 8 == pytest.approx(tank.level_mm, abs=2)
        spare = [e for e in reader.site.truth.entries if e["kind"] == "output" and e["place"] == "bms.latched"]
        assert [(e["address"], e["bit"], e["value"]) for e in spare] == [(100, 9, 1)]


async def test_words_the_wrong_way_round() -> None:
    async with reading("word-order@bms.latched", "word-order@bms.tanks") as reader:
        await reader.do("bulk-a.high", Action.RAISE)
        await reader.until_shown("bms.states", "bulk-a.high", 1)
        assert (await reader.bms.read_holding_registers(100, count=2)).registers == [0, 2]
        _, _, low, high, *_ = (await reader.bms.read_input_registers(0, count=7)).registers
        tank = reader.site.plant.tanks["bulk-a"]
        litres = struct.unpack(">f", struct.pack(">HH", high, low))[0]
        assert litres == pytest.approx(tank.level_mm * tank.litres_per_mm, abs=20)


async def test_blocks_in_another_table() -> None:
    async with reading("other-table@panel", "other-table@bms.latched", "other-table@bms.states") as reader:
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms.states", "day.low", 1)
        assert (await reader.panel.read_discrete_inputs(0, count=28)).exception_code == 2
        assert (await reader.panel.read_coils(0, count=28)).bits[14]
        assert (await reader.bms.read_holding_registers(100, count=2)).exception_code == 2
        assert (await reader.bms.read_input_registers(100, count=2)).registers == [1 << 14, 0]
        assert (await reader.bms.read_input_registers(200, count=28)).exception_code == 2
        assert (await reader.bms.read_holding_registers(200, count=28)).registers[14] == 1
        assert await reader.bms_on() == {"day.low"}
        tables = {e["place"]: e["table"] for e in reader.site.truth.entries if e["kind"] == "output"}
    assert tables["panel"] == "coil"
    assert tables["bms.latched"] == "input-register"
    assert tables["bms.states"] == "holding-register"


def faults(reader: Reader, what: str) -> list[dict[str, Any]]:
    return [e for e in reader.site.truth.entries if e["kind"] == "fault" and e["what"] == what]


async def send_and_read_to_the_end(port: int, count: int) -> bytes:
    """Send requests 0 to count - 1, close our side, and read until the other side closes too."""
    stream, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"".join(request(number) for number in range(count)))
    writer.write_eof()
    received = await stream.read()
    writer.close()
    return received


# --- the printed line ---------------------------------------------------------------------------------


async def test_every_client_gets_the_same_bytes() -> None:
    async with reading() as reader:
        second, pen = await asyncio.open_connection("127.0.0.1", reader.site.printer_port)
        await until_connected(reader.site, 2)
        await reader.do("day.low", Action.RAISE)
        assert await second.readuntil(b"\r\n") == f"{await reader.line()}\r\n".encode("ascii")
        pen.close()


async def test_lines_are_numbered_and_a_heartbeat_comes_in_between() -> None:
    async with reading(heartbeat_ns=20 * NS_PER_MS) as reader:
        lines = [(await reader.paper.readuntil(b"\r\n")).decode("ascii") for _ in range(3)]
        assert [line[20:] for line in lines] == ["LINE OK\r\n"] * 3
        first = int(lines[0][:4])
        assert [int(line[:4]) for line in lines] == [first, first + 1, first + 2]


async def test_a_client_that_does_not_read_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its backlog has a limit, and the others lose nothing by it."""
    async with reading() as reader:
        sock_reader, sock_writer = await asyncio.open_connection("127.0.0.1", reader.site.printer_port, limit=1)
        await until_connected(reader.site, 2)
        monkeypatch.setattr("sims.printer.CLIENT_BACKLOG_MAX", -1)
        await reader.do("day.low", Action.RAISE)
        with contextlib.suppress(ConnectionError):
            assert await sock_reader.read() == b""
        sock_writer.close()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
async def test_a_pseudo_terminal_gets_the_bytes_of_the_socket() -> None:
    import serial

    async with reading(printer_pty=True) as reader:
        assert reader.site.pty_path is not None
        with serial.Serial(reader.site.pty_path, timeout=20) as port:
            await reader.do("day.low", Action.RAISE)
            await reader.do("day.low", Action.CLEAR)
            for _ in range(2):
                line = await reader.line()
                assert await asyncio.to_thread(port.readline) == f"{line}\r\n".encode("ascii")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
async def test_a_pseudo_terminal_is_raw_for_whoever_just_opens_it() -> None:
    async with reading(printer_pty=True) as reader:
        assert reader.site.pty_path is not None
        await reader.do("day.low", Action.RAISE)
        sent = f"{await reader.line()}\r\n".encode("ascii")
        descriptor = os.open(reader.site.pty_path, os.O_RDWR | os.O_NOCTTY)
        try:
            assert await asyncio.to_thread(os.read, descriptor, len(sent)) == sent
        finally:
            os.close(descriptor)


async def test_a_warning_is_never_printed() -> None:
    async with reading() as reader:
        for action in (Action.RAISE, Action.ACKNOWLEDGE, Action.CLEAR):
            await reader.do("printer.paper-low", action)
        await reader.do("day.low", Action.RAISE)
        assert await reader.event() == "RAISED   DAY LOW"


async def test_line_numbers_have_four_digits() -> None:
    async with reading() as reader:
        reader.site._faces._line_number = 9998
        await reader.do("day.low", Action.RAISE)
        await reader.do("day.low", Action.CLEAR)
        assert [(await reader.line())[:5] for _ in range(2)] == ["9999 ", "0001 "]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
async def test_a_pseudo_terminal_that_nobody_reads_stops_nothing() -> None:
    async with reading(printer_pty=True) as reader:
        while not reader.site._faces.printer.pty_bytes_lost:
            reader.site._faces.printer.write(b"x" * 1024)
        await reader.do("day.low", Action.RAISE)
        await reader.until_shown("bms", "day.low", 1)
        assert await reader.bms_on() == {"day.low"}


async def test_a_port_that_is_taken_is_an_error_and_leaves_nothing_behind(tmp_path: Path) -> None:
    async with reading() as reader:
        with pytest.raises(OSError, match=r"address already in use|10048"):
            async with SimulatedSite(SiteOptions(bms_port=reader.site.bms_port, truth=tmp_path / "truth.jsonl")):
                pass
