"""A whole test of the simulated site over every link at once, with limits drawn close to what the site really does."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import Path
from random import Random
from typing import Any, Final
from unittest import mock

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.links import (
    BacnetLink,
    BusWay,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    SerialPort,
    TextLink,
)
from harness.core.model import Behaviour, Expectation, Hold, Limits, Point, Site, Step
from harness.core.places import Arrival, BacnetPlace, ModbusPlace, PersonPlace, Sign
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, load_site
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.peers.free_ports import free_udp_port
from tests.peers.robot_person import RobotPerson
from tests.peers.views import Undisturbed

MS: Final = NS_PER_MS
HOLD: Final = Hold(on_ns=200 * MS, off_ns=350 * MS, on_declared=True, off_declared=True)
"""True of these sites: what is raised is held until a person could have told it apart, and nothing is raised before
everything was off for the settle time."""

PERSISTENCE_NS: Final = 300 * MS
"""Of a loop's failure, in place of the 4 s of NAMUR NE 43, so that a trial need not take so long."""

TIMEOUT_NS: Final = 5000 * MS
"""No busy computer runs into it: a poll that failed would be blind time of the test's own making."""

REACTION_NS: Final = (40 * MS, 320 * MS)
"""As declared. The robot itself takes 50 ms to 200 ms; what is left is for a computer that is busy."""

ALARMS: Final = (
    "bulk-a.high-high", "bulk-a.high", "bulk-a.low", "bulk-a.water", "bulk-b.low", "day.high", "bulk-a.probe-fault",
    "sump-a.leak",
)  # fmt: skip
"""Raised: of every kind of row at least one, with a second alarm brought along, and one that goes by itself."""


class Bus(Enum):
    """How farend takes part in the bus, and how the printed line comes in."""

    TCP = "polled over TCP"
    PTY = "polled on a pseudo-terminal"
    TAP = "overheard"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One finished test: the site as it was tested, its record, and the truth."""

    site: Site
    bus: Bus
    record: Path
    truth: list[dict[str, Any]] = field(repr=False)


def options_of(bus: Bus, random: Random, recipient: int, broker: int | None, *, in_loop: bool) -> SiteOptions:
    """A simulated site with every output. ``in_loop``: for virtual time."""
    return SiteOptions(
        seed=random.randrange(1000),
        output_delay_ns=60 * MS,
        printer_delay_ns=30 * MS,
        bus_delay_ns=60 * MS,
        mqtt_delay_ns=60 * MS,
        annunciator_delay_ns=30 * MS,
        scan_ns=10 * MS,
        heartbeat_ns=300 * MS,
        lasts_ns={"sump-a.leak": 600 * MS},
        printer_pty=bus is Bus.PTY,
        mqtt_host=None if broker is None else "127.0.0.1",
        mqtt_port=broker or 0,
        building=BuildingOptions(
            delay_ns=60 * MS, recipients=(("127.0.0.1", recipient),), confirmed=bus is not Bus.TAP
        ),
        bus_port=0 if bus is Bus.TCP else None,
        bus_pty=bus is not Bus.TCP,
        bus_tap_port=0 if bus is Bus.TAP else None,
        bus_master=bus is Bus.TAP,
        bus_round_ns=random.randrange(70, 120) * MS,
        bus_baud=38_400,
        bus_in_loop=in_loop,
        gateway_port=0,
        gateway_poll_ns=random.randrange(60, 120) * MS,
    )


def all_links(site: Site, sim: SimulatedSite, bus: Bus, random: Random, listen: int, broker: int | None) -> Site:
    """The demo's site on a simulated site's ports, with random poll periods, and random limits around the truth."""
    links = {
        name: _on_ports(link, sim, bus, random, listen, broker)
        for name, link in site.links.items()
        if broker is not None or not isinstance(link, MqttLink)
    }
    points = {name: _point(point) for name, point in site.points.items() if point.link in links}
    rows = [row for row in site.expectations if row.behaviour is not Behaviour.QUIET and row.point in points]
    for row in [row for row in rows if _is_repeated(points[row.point])]:
        points[f"{row.point} again"], again = _repeated(points[row.point], row)
        rows.append(again)
    for row in [row for row in rows if _is_lamp(points[row.point])]:
        rows += _seen_with_it(site, points, row, {it.key for it in rows})
    rows = [_limited(row, links[points[row.point].link], points[row.point], random) for row in rows]
    alarms = {
        name: replace(
            alarm,
            side_effects=(),
            lasts_ns=None if alarm.lasts_ns is None else Bounds(550 * MS, 700 * MS),
        )
        for name, alarm in site.alarms.items()
    }
    return replace(site, links=links, points=points, expectations=tuple(rows), alarms=alarms)


def _on_ports(
    link: LinkSpec, sim: SimulatedSite, bus: Bus, random: Random, listen: int, broker: int | None
) -> LinkSpec:
    period = random.randrange(30, 60) * MS if link.name == "panel" else random.randrange(60, 110) * MS
    match link:
        case ModbusTcpLink():
            port = {"panel": sim.panel_port, "bms": sim.bms_port, "gateway": sim.gateway_port}[link.name]
            return replace(link, port=port, poll_period_ns=period, timeout_ns=TIMEOUT_NS, requests_per_s_max=None)
        case ModbusRtuLink():
            common = replace(link, poll_period_ns=random.randrange(70, 120) * MS)
            if bus is Bus.TCP:
                return replace(common, tcp_port=sim.bus_port)
            if bus is Bus.TAP:
                tap = replace(common, way=BusWay.RECEIVE_ONLY, poll_period_ns=sim.options.bus_round_ns)
                return replace(tap, tcp_port=sim.bus_tap_port)
            serial = SerialPort(port=sim.bus_pty_path, baud=38_400, parity="even")
            return replace(common, host=None, tcp_port=None, serial=serial)
        case TextLink():
            told = replace(link, longest_delay_ns=80 * MS)
            if bus is Bus.PTY:
                return replace(told, host=None, tcp_port=None, serial=SerialPort(port=str(sim.pty_path)))
            return replace(told, tcp_port=sim.printer_port)
        case BacnetLink():
            return replace(
                link,
                port=sim.building_port,
                listen_port=listen,
                poll_period_ns=random.randrange(120, 170) * MS,
                timeout_ns=TIMEOUT_NS,
                longest_delay_ns=250 * MS,
            )
        case MqttLink():
            assert broker is not None
            return replace(link, port=broker, longest_delay_ns=150 * MS)
        case PersonLink():
            return replace(link, reaction_min_ns=REACTION_NS[0], reaction_max_ns=REACTION_NS[1])


def _point(point: Point) -> Point:
    place = point.place
    if isinstance(place, ModbusPlace) and place.loop is not None:
        place = replace(place, loop=replace(place.loop, persistence_ns=PERSISTENCE_NS))
    return replace(point, hold=HOLD, place=place)


def _is_repeated(point: Point) -> bool:
    return point.link == "bus" and isinstance(point.place, ModbusPlace) and point.place.loop is None


def _repeated(point: Point, row: Expectation) -> tuple[Point, Expectation]:
    """The same alarm at another repeater of the bus: unit 3."""
    assert isinstance(point.place, ModbusPlace)
    again = replace(point, name=f"{point.name} again", place=replace(point.place, unit=3))
    return again, replace(row, key=f"{row.key} again", point=again.name)


def _is_lamp(point: Point) -> bool:
    return isinstance(point.place, PersonPlace) and point.place.sign is Sign.LAMP


def _seen_with_it(site: Site, points: dict[str, Point], lamp: Expectation, known: set[str]) -> list[Expectation]:
    """The horn sounds and the display shows every alarm that lights the lamp, also where the demo has no row for it."""
    found = []
    alarm = site.alarms[lamp.alarm]
    # The horn of an alarm that goes by itself goes with it; what silence releases at the coil it releases here too.
    coil = next((row for row in site.expectations if (row.alarm, row.point) == (alarm.name, "bms:00001")), None)
    horn = Behaviour.UNTIL_ACKNOWLEDGED if alarm.lasts_ns is None else Behaviour.FOLLOWS
    released_by = Step.ACKNOWLEDGE if coil is None else coil.released_by
    for sign, label, behaviour, by in (
        (Sign.HORN, "horn", horn if coil is None else coil.behaviour, released_by),
        (Sign.TEXT, alarm.text, Behaviour.FOLLOWS, Step.ACKNOWLEDGE),
    ):
        place = PersonPlace(sign=sign, label=label)
        mine = next((it for it in points.values() if it.place == place), None)
        if mine is None:
            mine = replace(points[lamp.point], name=f"annunciator:{sign.value} {label}", place=place)
            points[mine.name] = mine
        key = f"{lamp.alarm}@{mine.name}"
        if key not in known:
            found.append(replace(lamp, key=key, point=mine.name, behaviour=behaviour, released_by=by))
    return found


def _is_polled_object(point: Point) -> bool:
    return isinstance(point.place, BacnetPlace) and point.place.arrives is Arrival.POLL


def _limited(row: Expectation, link: LinkSpec, point: Point, random: Random) -> Expectation:
    """Limits around what the site does there, so that many lie within the bounds of the truth, or near them."""
    longest, extra = 400, 0  # ms, ns
    if (
        isinstance(link, PersonLink)
        or link.name == "gateway"
        or (isinstance(point.place, BacnetPlace) and point.place.arrives is Arrival.POLL)
    ):
        longest = 600
    elif isinstance(point.place, ModbusPlace) and point.place.loop is not None and point.place.threshold is None:
        extra = PERSISTENCE_NS
    limits = Limits(
        appears_within_ns=random.choice([None, extra + random.randrange(10, longest) * MS]),
        visible_for_ns=random.choice([None, random.randrange(50, 300) * MS]),
        gone_within_ns=random.choice([None, random.randrange(10, longest) * MS]),
        search_ns=1500 * MS,
        settle_ns=400 * MS,
    )
    return replace(row, limits=limits)


async def run_all_links(
    folder: Path, bus: Bus, *, seed: int, repeat: int, broker: int | None = None, in_loop: bool = False
) -> Run:
    """One test of ``ALARMS``, ``repeat`` times each, over every link; the broker's only where its port is given."""
    random = Random(seed)
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    listen = free_udp_port()
    options = options_of(bus, random, listen, broker, in_loop=in_loop)

    def virtual_ns() -> int:
        return time.monotonic_ns()

    # A clock that is not this machine's own tells the links that real threads cannot wait for it.
    clock = virtual_ns if in_loop else time.monotonic_ns
    async with SimulatedSite(options) as sim:
        mine = all_links(site, sim, bus, random, listen, broker)
        robot = RobotPerson(sim.annunciator_port, clock, Random(seed), 50 * MS, 200 * MS)
        test = TestOptions(
            record=folder / "run.farend",
            selection=Selection(only=ALARMS),
            arm=mine.name,
            reviews=None,
            who="test",
            seed=seed,
            repeat=repeat,
            command=(),
        )
        nothing = Documents(files={}, entry="site.yaml", point_map="")
        why = await run_test(mine, nothing, test, clock, Undisturbed(), robot.attend)
        assert why == ""
        assert robot.reports
        await asyncio.sleep(0)
        return Run(site=mine, bus=bus, record=test.record, truth=list(sim.truth.entries))


def run_alone(folder: Path, bus: Bus, seed: int, repeat: int, broker: int | None) -> Run:
    """The same in a process of its own, so that three sites do not wait for one another."""
    # In real time, and every beat is known: it is not waited for those that nobody declared.
    with mock.patch("harness.run.spread.SEEN_MAX_NS", 0):
        return asyncio.run(run_all_links(folder, bus, seed=seed, repeat=repeat, broker=broker))


def kind_of(run: Run, point: str) -> str:
    """The link of a point as the results are counted: by how it is listened to."""
    at = run.site.points[point]
    place = at.place
    if isinstance(place, ModbusPlace) and place.loop is not None:
        return "loops"
    if at.link == "bus":
        return f"bus {run.bus.value}"
    if isinstance(place, BacnetPlace):
        return f"building by {place.arrives.value}"
    return at.link
