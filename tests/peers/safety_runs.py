"""Whole armed tests of the simulated site in virtual time, in which something goes wrong while an alarm is raised.

Between farend and the panel stands a relay; what the controller itself says of its alarms is the truth.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from harness.core.instants import NS_PER_S, NS_PER_US
from harness.results.judging import JudgedRecord, judge_record
from harness.run.clearing_left import ToClear
from harness.run.order import Item, Selection
from harness.run.testing import TestOptions, run_test
from harness.run.tools import Progress
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.alarms import ALARMS
from sims.controller import Action
from tests.peers import virtual_time
from tests.peers.command import demo_files
from tests.peers.reviewed import accepted
from tests.peers.views import Ignoring
from tests.peers.write_relay import Handler, Relay


class Seen(Ignoring):
    """A view that keeps what a person was told, with the seconds since it began."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self.urgent_texts: list[str] = []
        self.troubles: list[str] = []
        self.raised: list[str] = []
        self.phases: list[tuple[float, str]] = []
        self.on: list[str] = []

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        self.on = list(standing)

    def raising(self, item: Item, progress: Progress) -> None:
        self.raised.append(item.alarm.name)

    def phase(self, text: str) -> None:
        self.phases.append((time.monotonic() - self._began, text))

    def trouble(self, text: str) -> None:
        self.troubles.append(text)

    def urgent(self, text: str) -> None:
        self.urgent_texts.append(text)

    def when(self, text: str) -> float:
        """The seconds at which a phase began."""
        return next(at for at, phase in self.phases if text in phase)

    def times(self, text: str) -> int:
        """How many such phases there were."""
        return sum(text in phase for _, phase in self.phases)


@dataclass(frozen=True, slots=True, kw_only=True)
class During:
    """What a disturbance has in its hands while the test runs."""

    sim: SimulatedSite
    relay: Relay
    reading: Relay
    """Between farend and the link bms, which it only reads."""
    view: Seen
    stop: Callable[[], object]
    """Ends the test, as Ctrl-C does."""

    def is_active(self, alarm: str) -> bool:
        return self.sim.controller.state(alarm).active

    async def raised(self, alarm: str) -> None:
        """Until the controller has it."""
        await self.sim.until(lambda: self.is_active(alarm))

    def numbers(self) -> list[str]:
        """The names of the alarms that are active now."""
        return [alarm.name for alarm in ALARMS if self.is_active(alarm.name)]


Disturbance = Callable[[During], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What is run. ``changes``: texts of the demo's files that are replaced; ``on_write``: what the relay does.

    ``raised_at_most_s``: shorter than its rows need, which a site file may not be.
    """

    only: tuple[str, ...]
    links: tuple[str, ...] = ("bms",)
    changes: tuple[tuple[str, str], ...] = ()
    defects: tuple[str, ...] = ()
    raised_at_most_s: int | None = None
    on_write: Handler = lambda action, frame, answer: frame
    clear_for_ns: int = 60 * NS_PER_S
    to_clear: tuple[ToClear, ...] = ()
    standing: Mapping[str, str] = field(default_factory=dict)
    raised_before: tuple[str, ...] = ()
    """Alarms that the controller has before farend begins."""
    more: Mapping[str, Any] = field(default_factory=dict)
    """Further options of the test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """``active``: what the controller still has at the end. The caller closes the record."""

    judged: JudgedRecord
    view: Seen
    why: str
    active: tuple[str, ...]


def run_scene(folder: Path, scene: Scene, disturb: Disturbance | None = None) -> Outcome:
    """One whole test in virtual time, with ``disturb`` beside it."""
    return virtual_time.run(lambda: _run(folder, scene, disturb), tick_ns=NS_PER_US)


async def _run(folder: Path, scene: Scene, disturb: Disturbance | None) -> Outcome:
    async with SimulatedSite(SiteOptions(defects=scene.defects)) as sim:
        for name in scene.raised_before:
            sim.command(name, Action.RAISE)
            await sim.until(lambda name=name: sim.controller.state(name).active)  # type: ignore[misc]
        if scene.raised_before:
            await asyncio.sleep(1)  # until its outputs show it
        relay = Relay(sim.panel_port, scene.on_write)
        server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
        relay.port = server.sockets[0].getsockname()[1]
        reading = Relay(sim.bms_port, lambda action, frame, answer: frame)
        reading_server = await asyncio.start_server(reading.serve, "127.0.0.1", 0)
        ports = {
            "panel": relay.port,
            "bms": reading_server.sockets[0].getsockname()[1],
            "printer": sim.printer_port,
        }
        documents = gather(demo_files(folder, ports, *scene.changes))
        site, _ = read_site(documents.files, documents.entry)
        if scene.raised_at_most_s is not None:
            site = replace(site, raised_at_most_ns=scene.raised_at_most_s * NS_PER_S)
        record = folder / "run.farend"
        options = TestOptions(
            record=record,
            selection=Selection(only=scene.only, links=scene.links),
            arm=site.name,
            reviews=accepted(site),
            who="test",
            seed=1,
            standing=dict(scene.standing),
            clear_for_ns=scene.clear_for_ns,
            to_clear=scene.to_clear,
            command=(),
            **scene.more,
        )
        view = Seen()
        test = asyncio.ensure_future(run_test(site, documents, options, _clock, view))
        during = During(sim=sim, relay=relay, reading=reading, view=view, stop=test.cancel)
        beside = asyncio.ensure_future(_nothing() if disturb is None else disturb(during))
        try:
            why = await test
            await beside
        finally:
            beside.cancel()
            server.close()
            reading_server.close()
        active = tuple(during.numbers())
    return Outcome(judged=judge_record(record), view=view, why=why, active=active)


async def _nothing() -> None:
    """No disturbance."""


def _clock() -> int:
    """Not ``time.monotonic_ns`` itself: a timer that knows it for the machine's own waits for it by spinning."""
    return time.monotonic_ns()
