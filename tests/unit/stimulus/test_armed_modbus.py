"""Writes over Modbus, each read back: against a device of pymodbus that holds them, or does not. In virtual time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest
from pymodbus.constants import ExcCodes

from harness.core.as_left import differences
from harness.core.errors import SafetyError
from harness.core.instants import NS_PER_MS
from harness.core.model import Site
from harness.core.places import Table
from harness.core.writing import Write
from harness.site.reading import read_site
from harness.stimulus.armed import READ_BACK_EVERY_NS, READ_BACK_WITHIN_NS, ArmedWriter
from harness.stimulus.as_found import read_writable
from tests.peers.virtual_time import run
from tests.peers.writable_modbus import Writable, writable_device

TEXT = """\
site: ashby
controller: {{name: c}}
links:
  panel: {{modbus-tcp: "127.0.0.1:{port}", numbering: from-0, poll every: 20 ms, timeout: 200 ms}}
writable:
  - {{link: panel, coil: coil 8-15}}
  - {{link: panel, holding register: holding register 40-41, tolerance: 2}}
  - {{link: panel, holding register: holding register 50-51, read back: no, because: taken away, as left: may differ}}
  - {{link: panel, holding register: holding register 70, read back: no, because: write only, as left: may differ}}
alarms:
  a: {{text: A, side effects: none}}
points:
  - {{alarm: a, link: panel, table: coil, address: 1, behaviour: follows}}
"""

Test = Callable[[Writable, ArmedWriter, Site], Awaitable[None]]


def on_a_device(test: Test) -> None:
    """Run a test on a fresh device, armed, in virtual time."""

    @asynccontextmanager
    async def bench() -> AsyncIterator[tuple[Writable, ArmedWriter, Site]]:
        async with writable_device() as device:
            site, _ = read_site({"site.yaml": TEXT.format(port=device.port).encode()}, "site.yaml")
            async with ArmedWriter(site, time.monotonic_ns, site.name) as writer:
                yield device, writer, site

    async def main() -> None:
        async with bench() as (device, writer, site):
            await test(device, writer, site)

    run(main)


def coil(address: int, *values: int) -> Write:
    return Write(link="panel", unit=1, table=Table.COIL, address=address, values=values)


def register(address: int, *values: int) -> Write:
    return Write(link="panel", unit=1, table=Table.HOLDING_REGISTER, address=address, values=values)


def test_what_is_held_is_proven() -> None:
    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        done = await writer.perform([coil(9, 1), coil(8, 1, 0, 1), register(40, 7), register(40, 1, 65535)])
        assert (done.proven, done.why, done.proof) == (True, "", "answered and read back")
        assert device.writes == [(5, 9, [1]), (15, 8, [1, 0, 1]), (6, 40, [7]), (16, 40, [1, 65535])]

    on_a_device(test)


def test_what_is_held_late_is_proven_from_then_on() -> None:
    """The true instant lies between the first byte of the write and the reading that found it."""

    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        device.keeps = device.keep_later(0.3)
        began_ns = time.monotonic_ns()
        done = await writer.perform([coil(9, 1, 1)])
        assert done.proven
        assert began_ns <= done.at.lo < began_ns + 100 * NS_PER_MS
        assert 0 <= done.at.hi - (began_ns + 300 * NS_PER_MS) <= 2 * READ_BACK_EVERY_NS

    on_a_device(test)


def test_what_is_not_held_is_not_proven_and_nothing_behind_it_is_sent() -> None:
    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        device.keeps = lambda function, address, values: None
        began_ns = time.monotonic_ns()
        done = await writer.perform([register(40, 0, 7), coil(9, 1)])
        assert (done.proven, done.is_sent) == (False, True)
        assert done.why == (
            "answered, but holding register 41 on the wire reads 0, 7 was written; where the controller takes away "
            "what was written, list it with read back: no"
        )
        assert done.at.hi - began_ns >= READ_BACK_WITHIN_NS
        assert device.writes == [(16, 40, [0, 7])]

    on_a_device(test)


def test_a_command_that_is_taken_away_is_proven_by_its_answer() -> None:
    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        device.keeps = lambda function, address, values: None
        done = await writer.perform([register(50, 7, 1)])
        assert (done.proven, done.proof) == (True, "answered, not read back (taken away)")

    on_a_device(test)


def test_what_the_device_refuses_was_not_done() -> None:
    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        device.refuse = ExcCodes.ILLEGAL_VALUE
        refused = await writer.perform([coil(9, 1)])
        assert (refused.proven, refused.is_sent, refused.why) == (False, False, "exception 03 (illegal data value)")
        device.refuse = ExcCodes.DEVICE_FAILURE
        failed = await writer.perform([coil(9, 1)])
        assert (failed.proven, failed.is_sent) == (False, True)

    on_a_device(test)


@pytest.mark.parametrize(
    "wrong",
    [
        coil(7, 1),
        coil(15, 1, 1),
        coil(8, *[0] * 9),
        register(39, 1),
        register(41, 1, 1),
        Write(link="panel", unit=2, table=Table.COIL, address=8, values=(1,)),
        Write(link="bms", unit=1, table=Table.COIL, address=8, values=(1,)),
    ],
)
def test_what_is_not_listed_is_refused_before_anything_is_sent(wrong: Write) -> None:
    async def test(device: Writable, writer: ArmedWriter, _: Site) -> None:
        with pytest.raises(SafetyError, match="not on the site file's list of writable points"):
            await writer.perform([coil(8, 1), wrong])
        assert device.writes == []

    on_a_device(test)


@pytest.mark.parametrize(("word", "said"), [(None, "site=ashby: not armed"), ("selby", "--arm selby: this site file")])
def test_without_the_word_of_this_site_there_is_no_writer(word: str | None, said: str) -> None:
    site, _ = read_site({"site.yaml": TEXT.format(port=9).encode()}, "site.yaml")
    with pytest.raises(SafetyError, match=said):
        ArmedWriter(site, time.monotonic_ns, word)


def test_as_found_and_as_left() -> None:
    async def test(device: Writable, writer: ArmedWriter, site: Site) -> None:
        device.keep(6, 40, [100])
        found = await read_writable(site, writer.devices)
        assert [it.name for it in found[8:10]] == [
            "panel: unit 1, holding register 40 on the wire",
            "panel: unit 1, holding register 41 on the wire",
        ]
        assert [it.value for it in found[8:12]] == [100, 0, 0, 0]
        assert [it.why for it in found] == [""] * 12 + ["exception 02 (illegal data address)"]
        assert differences(found, found) == ()
        device.keep(6, 40, [102])
        device.keep(16, 50, [7, 1])
        assert differences(found, await read_writable(site, writer.devices)) == ()
        device.keep(6, 40, [97])
        device.keep(5, 15, [1])
        assert [str(it) for it in differences(found, await read_writable(site, writer.devices))] == [
            "panel: unit 1, coil 15 on the wire: found 0, left 1",
            "panel: unit 1, holding register 40 on the wire: found 100, left 97",
        ]
        assert device.writes == []

    on_a_device(test)


def test_what_cannot_be_read_any_more_is_not_the_same() -> None:
    async def main() -> None:
        async with writable_device() as device:
            site, _ = read_site({"site.yaml": TEXT.format(port=device.port).encode()}, "site.yaml")
            async with ArmedWriter(site, time.monotonic_ns, site.name) as writer:
                found = await read_writable(site, writer.devices)
        async with ArmedWriter(site, time.monotonic_ns, site.name) as writer:
            left = await read_writable(site, writer.devices)
        assert all("no connection" in it.why for it in left)
        different = differences(found, left)
        assert len(different) == 10  # what may differ, does
        assert not any(it.is_known for it in different)
        await asyncio.sleep(0)

    run(main)
