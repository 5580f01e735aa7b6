"""Transients at random phases on the simulated site with its second-hop gateway, and how many of them farend's own
listeners see there: what the law of polls of polls is held against. In virtual time, on real sockets.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from random import Random
from typing import Final

from harness.core.declared_times import DeclaredTimes
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import ModbusTcpLink
from harness.core.model import Site
from harness.core.places import ModbusPlace, Table
from harness.run.listening import listener
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from sims import SimulatedSite, SiteOptions
from sims.controller import Action
from tests.peers.recorder import Recorder, listening
from tests.peers.virtual_time import run

SCAN_NS: Final = 250 * NS_PER_MS
"""Raised and cleared by the controller's scan, so lengths are whole scans. Periods that share no factor with it meet
every phase."""
ALARMS: Final = (
    *("fill-sump.splash", "sump-a.leak", "sump-b.leak", "bulk-a.water", "bulk-b.water", "bulk-a.temperature-high"),
    *("bulk-b.temperature-high", "bulk-a.interstitial-leak"),
)
"""Those that bring no others along, and have a point of their own on both links."""
APART_S: Final = 6.0
"""The longest pause between two transients, drawn at random: some periods of every poll."""
LINKS: Final = ("bms", "gateway")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Poll periods: farend's of bms and of the gateway, and the gateway's own of bms. Lengths of transients; all ns."""

    bms_poll_ns: int
    gateway_poll_ns: int
    device_poll_ns: int
    lengths_ns: tuple[int, ...]

    @property
    def lasts_ns(self) -> Mapping[str, int]:
        """Each length by the alarm that has it."""
        return dict(zip(ALARMS, self.lengths_ns, strict=False))


def declared(setting: Setting) -> Site:
    """The demo's site file as it describes such a site: what the budget is made from."""
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    links = dict(site.links)
    for name, period_ns in (("bms", setting.bms_poll_ns), ("gateway", setting.gateway_poll_ns)):
        spec = links[name]
        assert isinstance(spec, ModbusTcpLink)
        links[name] = replace(
            spec, poll_period_ns=period_ns, requests_per_s_max=None, probe_around=0, timeout_ns=10 * NS_PER_S
        )
    at_once = Bounds.exactly(0)
    times = {
        "bms": DeclaredTimes(output_delay=at_once, round_trip=at_once),
        "gateway": DeclaredTimes(output_delay=at_once, round_trip=at_once, device_poll_ns=setting.device_poll_ns),
    }
    return replace(site, links=links, times=times)


def seen_trials(setting: Setting, trials: int, seed: int) -> dict[tuple[str, str], int]:
    """(link, alarm) -> how many of so many transients of that alarm a poll of farend's listener met."""
    return run(lambda: _seen(setting, trials, seed))


async def _seen(setting: Setting, trials: int, seed: int) -> dict[tuple[str, str], int]:
    options = SiteOptions(
        scan_ns=SCAN_NS,
        heartbeat_ns=3600 * NS_PER_S,
        output_delay_ns=0,
        gateway_port=0,
        gateway_poll_ns=setting.device_poll_ns,
        lasts_ns=setting.lasts_ns,
        bus_port=None,
        bus_tap_port=None,
        annunciator_port=None,
        keep_truth=False,
    )
    site = declared(setting)
    async with SimulatedSite(options) as sim:
        ports = {"bms": sim.bms_port, "gateway": sim.gateway_port}
        told = {name: Recorder() for name in LINKS}
        settled_ns = 2 * SCAN_NS + setting.device_poll_ns + max(setting.bms_poll_ns, setting.gateway_poll_ns)
        async with asyncio.TaskGroup() as group, _Listening(site, ports, told):
            await asyncio.sleep(2 * settled_ns / NS_PER_S)
            raising = {
                name: group.create_task(_raise(sim, name, length_ns + settled_ns, trials, Random(f"{seed}/{name}")))
                for name, length_ns in setting.lasts_ns.items()
            }
            await asyncio.wait(raising.values())
        assert not any(recorder.failures or recorder.overruns for recorder in told.values())
        return {
            (link, name): _count(site, link, name, told[link], task.result(), setting.lasts_ns[name] + settled_ns)
            for link in LINKS
            for name, task in raising.items()
        }


class _Listening:
    """farend's own listeners of both links, each told to a recorder of its own."""

    def __init__(self, site: Site, ports: Mapping[str, int], told: Mapping[str, Recorder]) -> None:
        self._contexts = []
        for name in LINKS:
            spec = site.links[name]
            assert isinstance(spec, ModbusTcpLink)
            points = [it for it in site.points.values() if it.link == name and _is_input(it.place)]
            recorder = told[name]
            link = listener(replace(spec, port=ports[name]), points, recorder, time.monotonic_ns, recorder.next_id)
            self._contexts.append(listening(link))

    async def __aenter__(self) -> None:
        for it in self._contexts:
            await it.__aenter__()

    async def __aexit__(self, *exc: object) -> None:
        for it in self._contexts:
            await it.__aexit__(None, None, None)


async def _raise(sim: SimulatedSite, name: str, pause_ns: int, trials: int, random: Random) -> list[int]:
    """Raise an alarm again and again, each when the one before is gone everywhere; returns when each was raised."""
    begun = []
    for _ in range(trials):
        await asyncio.sleep(random.uniform(0.0, APART_S))
        begun.append(time.monotonic_ns())
        sim.command(name, Action.RAISE)
        await asyncio.sleep(pause_ns / NS_PER_S)
    return begun


def _count(site: Site, link: str, name: str, told: Recorder, begun: list[int], within_ns: int) -> int:
    """In how many of the windows behind the raises the alarm's own bit was read as set."""
    code = next(row for row in site.expectations if row.alarm == name and _own_input(site, row.point, link))
    place = site.points[code.point].place
    assert isinstance(place, ModbusPlace)
    set_at = []
    for block_id, _, told_ns, payload in told.polls:
        block = told.blocks[block_id]
        if block.table is place.table and block.address <= place.address < block.address + block.count:
            bit = place.address - block.address
            if payload[bit // 8] >> bit % 8 & 1:
                set_at.append(told_ns)
    seen = 0
    for at_ns in begun:
        seen += any(at_ns <= it <= at_ns + within_ns for it in set_at)
    return seen


def _own_input(site: Site, point: str, link: str) -> bool:
    place = site.points[point].place
    return (
        site.points[point].link == link and _is_input(place) and isinstance(place, ModbusPlace) and place.address < 64
    )


def _is_input(place: object) -> bool:
    return isinstance(place, ModbusPlace) and place.table is Table.DISCRETE_INPUT
