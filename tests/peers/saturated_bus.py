"""A simulated serial bus that farend reads as fast as it can, and the cycle that its budget predicts. In real time."""

from __future__ import annotations

import time
from dataclasses import dataclass
from itertools import pairwise

from harness.core.instants import NS_PER_S
from harness.core.links import ModbusRtuLink
from harness.run.listening import listener
from harness.run.poll_cycle import Cycle, bus_cycle
from harness.site.reading import read_site
from sims import SimulatedSite, SiteOptions
from tests.peers.recorder import Recorder, listening

UNITS = (1, 3, 4, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Saturated:
    """``gaps_s``: from one request for the first unit to the next. ``unanswered``: requests without an answer."""

    cycle: Cycle
    gaps_s: tuple[float, ...]
    unanswered: int


async def saturated(baud: int, cycles: int, defects: tuple[str, ...] = ()) -> Saturated:
    """Four repeaters, sixteen inputs each, polled every millisecond: the line sets the pace."""
    async with SimulatedSite(SiteOptions(bus_baud=baud, defects=defects)) as sim:
        rows = "".join(
            f"  - {{alarm: {alarm}, link: bus, unit: {unit}, address: {address}, behaviour: follows}}\n"
            for unit in UNITS
            for alarm, address in (("a", "10001"), ("b", "10016"))
        )
        text = (
            f"site: bus\ncontroller: {{name: c}}\nlinks:\n  bus:\n    modbus-rtu+tcp: 127.0.0.1:{sim.bus_port}\n"
            f"    numbering: reference\n    poll every: 1 ms\n    timeout: 200 ms\n    line: {baud} 8E1\n"
            f"alarms:\n  a: {{side effects: none}}\n  b: {{side effects: none}}\npoints:\n{rows}"
        )
        site, _ = read_site({"site.yaml": text.encode()}, "site.yaml")
        spec, told = site.links["bus"], Recorder()
        assert isinstance(spec, ModbusRtuLink)
        async with listening(listener(spec, site.points.values(), told, time.monotonic_ns, told.next_id)):
            await told.until(lambda: sum(block == 1 for block, *_ in told.polls) > cycles)
    asked = [asked_ns for block, asked_ns, _, _ in told.polls if block == 1]
    return Saturated(
        cycle=bus_cycle(site, spec, UNITS[0]),
        gaps_s=tuple((later - sooner) / NS_PER_S for sooner, later in pairwise(asked)),
        unanswered=len(told.failures),
    )
