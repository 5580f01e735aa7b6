"""Writes, read back, against libmodbus: over TCP, and over a serial line between farend's own polls."""

from __future__ import annotations

import sys
import time

import pytest

from harness.core.as_left import differences
from harness.core.links import LinkSpec
from harness.core.model import Site
from harness.core.places import Table
from harness.core.writing import WritableRange, Write
from harness.links.modbus_rtu import ModbusRtuListener
from harness.stimulus.armed import ArmedWriter
from harness.stimulus.as_found import read_writable
from tests.live.test_modbus_rtu_peers import bus, check, points
from tests.peers.libmodbus_rtu import libmodbus_unit
from tests.peers.libmodbus_server import LIBRARY, libmodbus_server
from tests.peers.recorder import ORIGIN, Recorder, listening, modbus_link
from tests.peers.wire import wire

pytestmark = pytest.mark.skipif(LIBRARY is None, reason="libmodbus is not installed (Debian: libmodbus5)")

COIL, HOLDING = Table.COIL, Table.HOLDING_REGISTER
UNIT = 17


def site_with(link: LinkSpec, unit: int) -> Site:
    listed = [
        WritableRange(link=link.name, unit=unit, table=table, address=2, count=20, origin=ORIGIN)
        for table in (COIL, HOLDING)
    ]
    return Site(
        name="weir", title="", controller="", firmware="", links={link.name: link}, points={}, alarms={},
        side_effects={}, writable=tuple(listed), expectations=(),
    )  # fmt: skip


async def written_and_put_back(site: Site, writer: ArmedWriter, link: str, unit: int) -> None:
    """All four functions, found again by reading, and back to where it was."""

    def write(table: Table, address: int, *values: int) -> Write:
        return Write(link=link, unit=unit, table=table, address=address, values=values)

    found = await read_writable(site, writer.devices)
    assert len(found) == 40
    assert not any(it.why for it in found)
    done = await writer.perform(
        [
            write(COIL, 3, 1),
            write(COIL, 4, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0),
            write(HOLDING, 2, 40_000),
            write(HOLDING, 20, 1, 65_535),
        ]
    )
    assert done.proven, done.why
    held = {it.name: it.value for it in await read_writable(site, writer.devices)}
    assert [held[f"{link}: unit {unit}, coil {at} on the wire"] for at in range(3, 14)] == [
        *(1, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0),
    ]
    assert [held[f"{link}: unit {unit}, holding register {at} on the wire"] for at in (2, 20, 21)] == [
        40_000,
        1,
        65_535,
    ]
    back = await writer.perform([write(COIL, 3, *[0] * 11), write(HOLDING, 2, *[0] * 20)])
    assert back.proven, back.why
    assert differences(found, await read_writable(site, writer.devices)) == ()


async def test_over_tcp() -> None:
    async with libmodbus_server() as server:
        spec = modbus_link(server.port, name="panel")
        site = site_with(spec, spec.unit)
        async with ArmedWriter(site, time.monotonic_ns, site.name) as writer:
            await written_and_put_back(site, writer, "panel", spec.unit)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
async def test_over_a_serial_line_that_is_polled() -> None:
    recorder = Recorder()
    with wire(2) as (ours, theirs):
        spec = bus(ours)
        site = site_with(spec, UNIT)
        link = ModbusRtuListener(spec, points(UNIT), recorder, time.monotonic_ns, recorder.next_id, carries=True)
        async with (
            libmodbus_unit(theirs, UNIT) as unit,
            listening(link),
            ArmedWriter(site, time.monotonic_ns, site.name) as writer,
        ):
            writer.over([link])
            await recorder.until(lambda: len(recorder.polls) >= 10)
            await written_and_put_back(site, writer, "bus", UNIT)
            polls = len(recorder.polls)
            await recorder.until(lambda: len(recorder.polls) >= polls + 10)
    assert recorder.failures == []
    assert recorder.drops == []
    check(recorder, unit)
