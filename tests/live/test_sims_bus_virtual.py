"""The bus inside the event loop, in virtual time: its timing to the character, without a thread."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import sys
import time

import pytest

from sims import SimulatedSite, SiteOptions
from sims.controller import Action
from sims.points import Table
from sims.rtu import read_request, unframed
from sims.truth import changes
from tests.peers import virtual_time

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has neither epoll nor pseudo-terminals")


@pytest.mark.parametrize("baud", [300, 9600, 19_200, 115_200])
def test_a_cycle_takes_exactly_what_the_wire_needs(baud: int) -> None:
    """Request, 3.5 characters (1.75 ms above 19,200 baud), answer: MODBUS over Serial Line V1.02, 2.5.1."""

    async def cycle() -> int:
        async with SimulatedSite(SiteOptions(bus_in_loop=True, bus_baud=baud)) as site:
            reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
            asked_ns = time.monotonic_ns()
            writer.write(read_request(1, Table.DISCRETE_INPUT, 0, 16))
            assert unframed(await reader.readexactly(7)) == (1, b"\2\2\0\0")
            writer.close()
            return time.monotonic_ns() - asked_ns

    wire_ns = (8 + 7) * 11 * 10**9 / baud + (3.5 * 11 * 10**9 / baud if baud <= 19_200 else 1_750_000)
    took_ns = virtual_time.run(cycle)
    assert wire_ns <= took_ns + 20  # character times are whole nanoseconds
    assert took_ns < wire_ns + 11 * 10**9 / baud


def test_bytes_of_an_answer_come_one_after_the_other() -> None:
    async def read() -> list[int]:
        async with SimulatedSite(SiteOptions(bus_in_loop=True, bus_baud=1200)) as site:
            reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
            writer.write(read_request(1, Table.DISCRETE_INPUT, 0, 24))
            came = []
            for _ in range(8):
                await reader.readexactly(1)
                came.append(time.monotonic_ns())
            writer.close()
            return came

    character_ns = round(11 * 10**9 / 1200)
    apart_ns = [b - a for a, b in itertools.pairwise(virtual_time.run(read))]
    assert all(abs(each_ns - character_ns) < 1000 for each_ns in apart_ns), apart_ns


def test_an_answer_carries_the_values_of_the_end_of_its_request() -> None:
    """At 300 baud a request takes 293 ms and its silence 128 ms: what changes before is in the answer."""

    async def read() -> tuple[bytes, bytes]:
        async with SimulatedSite(SiteOptions(bus_in_loop=True, bus_baud=300, bus_delay_ns=0)) as site:
            reader, writer = await asyncio.open_connection("127.0.0.1", site.bus_port)
            answers = []
            for wait_s, action in ((0.35, Action.RAISE), (0.6, Action.CLEAR)):
                writer.write(read_request(1, Table.DISCRETE_INPUT, 8, 8))
                await asyncio.sleep(wait_s)
                site.command("day.low", action)
                answers.append(await reader.readexactly(6))
                await asyncio.sleep(1)
            writer.close()
            assert len(changes(site.truth.entries, "bus.1", "day.low")) == 2
            return answers[0], answers[1]

    first, second = virtual_time.run(read)
    assert unframed(first) == unframed(second) == (1, b"\2\1\x40")


def test_a_master_beside_a_dead_unit_goes_on() -> None:
    async def overheard() -> int:
        options = SiteOptions(bus_in_loop=True, bus_master=True, log_answers=True, defects=("dead-unit@bus.4",))
        async with SimulatedSite(options) as site:
            await asyncio.sleep(20)
            asked = [e["place"] for e in site.truth.entries if e["kind"] == "answer"]
        assert set(asked) == {"bus.1", "bus.loop", "bus.3", None, "bus.5"}
        return len(asked)

    assert virtual_time.run(overheard) > 5 * 20 / 0.5


def test_a_pseudo_terminal_in_virtual_time() -> None:
    async def read() -> bytes:
        async with SimulatedSite(SiteOptions(bus_in_loop=True, bus_pty=True, bus_port=None)) as site:
            descriptor = os.open(site.bus_pty_path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                os.write(descriptor, read_request(3, Table.DISCRETE_INPUT, 0, 24))
                answer = b""
                while len(answer) < 8:  # the kernel hands bytes of a pseudo-terminal over in a time of its own
                    await asyncio.sleep(0.1)
                    with contextlib.suppress(BlockingIOError):
                        answer += os.read(descriptor, 64)
                return answer
            finally:
                os.close(descriptor)

    assert unframed(virtual_time.run(read)) == (3, bytes.fromhex("02 03 00 00 00"))
