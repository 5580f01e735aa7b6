"""Whole tests against the simulated site with given defects, in virtual time, from raising to the judged record.

The person is a script that sees the face of the annunciator and reports each change after a reaction time. MQTT needs a
broker in a process of its own, and so real time: many such tests run beside each other.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Final

from harness.cli.demo import copy_profile
from harness.core.instants import NS_PER_US
from harness.links.person_reports import Ask, Reports
from harness.results.judging import JudgedRecord, judge_record
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from sims.durations import NS_PER_MS
from tests.peers import virtual_time
from tests.peers.broker import broker
from tests.peers.free_ports import free_udp_port
from tests.peers.reviewed import accepted
from tests.peers.views import Keeping

LINKS: Final = ("panel", "bms", "printer", "bus", "building", "gateway", "annunciator")
BROKER: Final = "broker"
LEAKS: Final = "".join(f"\n{alarm},bms,{address},u16,above 0,quiet,,,,," for alarm, address in (
    ("bulk-a.delivery-due", 30225), ("bulk-b.delivery-due", 30226),
    ("printer.paper-low", 30227), ("panel.battery-low", 30228),
))  # fmt: skip
"""Rows that the demo's point map does not have: the state codes of warnings, at which they may leak."""

GATEWAY_POLL_NS: Final = 500 * NS_PER_MS
REACTION_S: Final = (0.2, 0.8)
APART_S: Final = 0.05
"""Between two presses of one person; with it no reaction is longer than the site file has it."""


class Watcher:
    """Looks at the annunciator's face, and reports each change and answers each question after a reaction time."""

    def __init__(self, port: int, seed: int) -> None:
        self._port = port
        self._random = Random(f"watcher {seed}")
        self._face: dict[str, str] = {}
        self._latest: dict[str, float] = {}

    async def attend(self, all_reports: Sequence[Reports]) -> None:
        """Until cancelled."""
        for reports in all_reports:
            reports.attach("a script that looks")
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            async with asyncio.TaskGroup() as group:
                for reports in all_reports:
                    group.create_task(self._answer(reports))
                while line := (await reader.readline()).decode("ascii").rstrip("\r\n"):
                    what, _, value = line.partition(" ")
                    before, self._face = self._face, {**self._face, what: value}
                    if what in before:
                        for reports in all_reports:
                            self._changed(group, reports, before)
        finally:
            writer.close()

    def _changed(self, group: asyncio.TaskGroup, reports: Reports, before: dict[str, str]) -> None:
        for it in reports.pending().signs:
            is_on = _shows(self._face, it.sign.value, it.label)
            if it.is_watched and is_on is not _shows(before, it.sign.value, it.label):
                group.create_task(self._report(reports, it.point, is_on=is_on))

    async def _report(self, reports: Reports, point: str, *, is_on: bool) -> None:
        """What changed first is reported first, also where the second change was noticed faster."""
        at = max(time.monotonic() + self._random.uniform(*REACTION_S), self._latest.get(point, 0.0) + APART_S)
        self._latest[point] = at
        await asyncio.sleep(at - time.monotonic())
        reports.report(point, is_on, time.monotonic_ns())

    async def _answer(self, reports: Reports) -> None:
        news = asyncio.Event()
        reports.subscribe(news.set)
        while True:
            pending = reports.pending()
            asked = [it for it in pending.signs if it.is_asked]
            if pending.ask in (Ask.READY, Ask.STATE) and asked:
                await asyncio.sleep(self._random.uniform(*REACTION_S))
                for it in reports.pending().signs:
                    if it.is_asked:
                        reports.report(it.point, _shows(self._face, it.sign.value, it.label), time.monotonic_ns())
                continue
            news.clear()
            await news.wait()


def _shows(face: dict[str, str], sign: str, label: str) -> bool:
    return face.get("SHOWS") == label if sign == "text" else face.get(sign.upper()) == "ON"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What is run: defects as the simulated site takes them, the alarms that are raised, the links listened to.

    ``bus_unit``: the repeater that the site file has on the bus.
    """

    defects: tuple[str, ...]
    seed: int
    alarms: tuple[str, ...]
    links: tuple[str, ...] = LINKS
    bus_unit: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The judged record, the defects with everything chosen, and why the run ended early ('' where it did not)."""

    judged: JudgedRecord
    defects: tuple[str, ...]
    why: str


def run_trial(folder: Path, trial: Trial) -> Outcome:
    """One whole test in virtual time. The caller closes the record."""
    folder.mkdir(parents=True, exist_ok=True)
    return virtual_time.run(lambda: _run(folder, trial), tick_ns=NS_PER_US)


async def run_with_broker(folder: Path, trial: Trial) -> Outcome:
    """The same in real time, through a broker of its own, in a folder that exists. The caller closes the record."""
    async with broker(folder) as one:
        return await _run(folder, trial, one.port)


async def _run(folder: Path, trial: Trial, broker_port: int | None = None) -> Outcome:
    own = free_udp_port()
    options = SiteOptions(
        defects=trial.defects,
        seed=trial.seed,
        gateway_port=0,
        gateway_poll_ns=GATEWAY_POLL_NS,
        bus_in_loop=True,
        building=BuildingOptions(recipients=(("127.0.0.1", own),), recipients_elsewhere=(), apdu_timeout_s=0.5),
        mqtt_host=None if broker_port is None else "127.0.0.1",
        mqtt_port=broker_port or 0,
        keep_truth=False,
    )
    async with SimulatedSite(options) as sim:
        ready = sim.ready()
        ports = {name: int(ready[f"{name}_port"]) for name in LINKS}  # type: ignore[call-overload]  # all have one
        # Of two devices of one instance, the one that the site file names is the one that shows nothing.
        ports["building"] = int(ready.get("building_duplicate_port", ports["building"]))  # type: ignore[call-overload]
        entry = copy_profile(profiles_folder() / "demo", folder, _places(ports, own, broker_port))
        _adapt(folder, trial, real_time=broker_port is not None)
        documents = gather(entry)
        site, _ = read_site(documents.files, documents.entry)
        record = folder / f"{trial.seed}.farend"
        test = TestOptions(
            record=record,
            selection=Selection(only=trial.alarms, links=trial.links),
            arm=site.name,
            reviews=accepted(site),
            who="test",
            seed=trial.seed,
            standing_anything="a fault of the simulated site",
            command=(),
        )
        watcher = Watcher(ports["annunciator"], trial.seed)
        why = await run_test(site, documents, test, _clock, Keeping(), watcher.attend)
        chosen = tuple(defect.spec for defect in sim.defects)
    return Outcome(judged=judge_record(record), defects=chosen, why=why)


def _places(ports: dict[str, int], own: int, broker_port: int | None) -> dict[str, str]:
    from harness.cli.demo import BROKER as BROKER_ADDRESS
    from harness.cli.demo import LISTENING_PORT, PORTS

    known = {**PORTS, "annunciator": 0}
    places = {f"127.0.0.1:{known[name]}": f"127.0.0.1:{port}" for name, port in ports.items() if known[name]}
    places[f"127.0.0.1/8:{LISTENING_PORT}"] = f"127.0.0.1/8:{own}"
    return places | ({} if broker_port is None else {BROKER_ADDRESS: f"127.0.0.1:{broker_port}"})


def _adapt(folder: Path, trial: Trial, *, real_time: bool) -> None:
    """Listen to the repeater that the trial names, and to more of what may leak than the demo does.

    In real time a busy machine is late by itself: so everything is waited for longer than the demo does.
    """
    rows = folder / "points.csv"
    rows.write_text(rows.read_text(encoding="utf-8").rstrip("\n") + LEAKS + "\n", encoding="utf-8")
    entry = folder / "site.yaml"
    before, bus, after = entry.read_text(encoding="utf-8").partition("\n  bus:")
    assert bus
    after = after.replace("unit: 1\n", f"unit: {trial.bus_unit}\n", 1)
    if real_time:
        before = before.replace("timeout: 500 ms", "timeout: 5 s", 1)
        head, broker_link, tail = after.partition("\n  broker:")
        topics = "pointer: /active, on values: 'true', behaviour: follows"
        assert topics in tail
        tail = tail.replace("longest delay: 300 ms", "longest delay: 1 s", 1)
        tail = tail.replace(topics, f"{topics}, appears within: 3 s, gone within: 3 s, search: 4 s")
        after = head + broker_link + tail
    entry.write_text(before + bus + after, encoding="utf-8")


def _clock() -> int:
    """Not ``time.monotonic_ns`` itself: a timer that knows it for the machine's own waits for it by spinning."""
    return time.monotonic_ns()
