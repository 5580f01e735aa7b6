"""A capture while whole commands run that do not raise: nothing goes out at all, or only what was declared.

The site has something to write on every link that can be written to, so that a write would have somewhere to go.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import NamedTuple

import pytest

from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.live.test_capture import may_capture
from tests.peers.capture import TSHARK
from tests.peers.capture_all import capture_ports
from tests.peers.command import Done, farend
from tests.peers.free_ports import free_udp_port

__all__ = ["may_capture"]

pytestmark = pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)")

SITE = """\
site: wharf
controller: {{name: plant controller (simulated)}}
links:
  panel: {{modbus-tcp: "127.0.0.1:{panel}", numbering: reference, poll every: 50 ms}}
  bus: {{modbus-rtu+tcp: "127.0.0.1:{bus}", way: poll, numbering: reference, poll every: 100 ms}}
  building: {{bacnet: "127.0.0.1:{building}", device: 260001, listen on: "127.0.0.1/8:{own}", own device: 260099,
              poll every: 100 ms, longest delay: 400 ms, promises every change: yes}}
  printer: {{text+tcp: "127.0.0.1:{printer}", raised: '.*RAISED   {{text}}', cleared: '.*CLEARED  {{text}}',
             longest delay: 300 ms, promises every change: yes}}
writable:
  - {{link: panel, holding register: 40901-40902, as left: may differ}}
  - {{link: bus, coil: 00001}}
  - {{link: building, object: binary-value 205, property: present-value, priority: 8}}
  - {{link: building, acknowledge: yes}}
alarms:
  bulk-a.water:
    text: BULK A WATER
    code: 5
    side effects: none
    raise:
      - {{link: building, object: binary-value 205, property: present-value, value: active, priority: 8}}
      - {{link: panel, holding register: 40901, values: [code, 1]}}
      - {{link: bus, coil: 00001, values: 1}}
    acknowledge: {{link: building, object: binary-input 5}}
    clear:
      - {{link: building, object: binary-value 205, property: present-value, value: relinquish, priority: 8}}
      - {{link: panel, holding register: 40901, values: [code, 4]}}
      - {{link: bus, coil: 00001, values: 0}}
points:
  - {{alarm: bulk-a.water, link: panel, address: "10005", behaviour: follows, appears within: 2 s}}
  - {{alarm: bulk-a.water, link: bus, address: "10005", behaviour: follows, appears within: 2 s}}
  - {{alarm: bulk-a.water, link: building, object: binary-input 5, behaviour: follows, appears within: 2 s}}
  - {{alarm: bulk-a.water, link: building, object: binary-input 6, arrives by: cov, behaviour: quiet}}
  - {{alarm: bulk-a.water, link: printer, behaviour: follows, appears within: 2 s}}
"""


CONFIRMED, UNCONFIRMED, SIMPLE_ACK = "0", "1", "2"
"""BACnet PDU types (ASHRAE 135, 20.1.2)."""
READ_PROPERTY_MULTIPLE = "14"
DECLARED = {
    *((CONFIRMED, service) for service in ("5", "12", READ_PROPERTY_MULTIPLE)),  # SubscribeCOV, ReadProperty
    *((SIMPLE_ACK, service) for service in ("1", "2")),  # of COV and event notifications
    *((UNCONFIRMED, service) for service in ("0", "8")),  # I-Am, Who-Is
}
"""Service choices (clause 21): WriteProperty (15) and AcknowledgeAlarm (0, confirmed) are not among them."""


SILENT = (("check", "site.yaml"), ("plan", "site.yaml"), ("test", "site.yaml", "--record", "one.farend"))
"""Commands that open no connection at all, as nobody armed the test."""


class Sent(NamedTuple):
    """One packet with something in it, to a device: when (UTC), to which port, and what tshark makes of it."""

    at_s: float
    port: int
    function: str
    kind: str
    confirmed: str
    unconfirmed: str


async def sent_to(names: dict[int, str], path: Path) -> list[Sent]:
    """All that went to these ports, each with the protocol that is spoken there; in one pass."""
    assert TSHARK is not None
    spoken = [f"{'udp' if it == 'bvlc' else 'tcp'}.port=={port},{it}" for port, it in names.items() if it != "data"]
    fields = ("frame.time_epoch", "tcp.dstport", "udp.dstport", "modbus.func_code", "bacapp.type",
              "bacapp.confirmed_service", "bacapp.unconfirmed_service")  # fmt: skip
    options = [word for it in spoken for word in ("-d", it)] + [word for it in fields for word in ("-e", it)]
    process = await asyncio.create_subprocess_exec(
        TSHARK, "-r", str(path), "-n", "-Y", "tcp.len > 0 or udp", "-T", "fields", "-E", "separator=,", "-E",
        "occurrence=f", *options, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    found = []
    for line in out.decode().splitlines():
        at_s, tcp, udp, *rest = line.split(",")
        if int(tcp or udp) in names:
            found.append(Sent(float(at_s), int(tcp or udp), *rest))
    return found


async def run(folder: Path, *words: str) -> Done:
    """A command in a process of its own; the simulated site goes on meanwhile."""
    return await asyncio.to_thread(farend, *words, cwd=folder)


@pytest.mark.usefixtures("may_capture")
async def test_commands_that_do_not_raise_send_nothing_that_was_not_declared(tmp_path: Path) -> None:
    own = free_udp_port()
    options = SiteOptions(building=BuildingOptions(test_objects=True), bus_port=0, heartbeat_ns=300_000_000)
    path = tmp_path / "wire.pcapng"
    async with SimulatedSite(options) as sim:
        text = SITE.format(
            panel=sim.panel_port, bus=sim.bus_port, building=sim.building_port, printer=sim.printer_port, own=own
        )
        (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
        ports = [sim.panel_port, sim.bus_port, sim.building_port, sim.printer_port, own]
        async with capture_ports(ports, path) as wire:
            await wire.caught_up(sim.printer_port)
            ran = [await run(tmp_path, *words) for words in SILENT]
            await wire.caught_up(sim.printer_port)
            watched_s = time.time()
            watched = await run(tmp_path, "watch", "site.yaml", "--for", "1500 ms")
            await wire.caught_up(sim.printer_port)
        assert [it.code for it in ran] == [0, 0, 4], ran
        assert "not armed, so nothing is raised" in ran[-1].err
        assert watched.code == 0, watched
        assert not [entry for entry in sim.truth.entries if entry["kind"] in ("stimulus", "command")]
        panel, bus, printer, building = sim.panel_port, sim.bus_port, sim.printer_port, sim.building_port
    names = {panel: "mbtcp", bus: "mbrtu", building: "bvlc", printer: "data"}
    sent = await sent_to(names, path)
    assert not [it for it in sent if it.at_s < watched_s], "check, plan and a test that nobody armed"
    assert {it.port for it in sent} == {panel, bus, building}, "not a byte to the printer"
    for port in (panel, bus):
        mine = [it.function for it in sent if it.port == port]
        assert len(mine) >= 5
        assert set(mine) <= {"1", "2", "3", "4"}
    asked = {(it.kind, it.confirmed or it.unconfirmed) for it in sent if it.port == building}
    assert (CONFIRMED, READ_PROPERTY_MULTIPLE) in asked
    assert asked <= DECLARED, asked
