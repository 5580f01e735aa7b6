"""The demo's point map on foreign servers, listened to and judged as a test does it: the same verdicts from both.

The servers know nothing of alarms: the test plays the building system, sets its values, and writes the steps of the
stimuli into the record. What comes next waits for what was read, so the verdicts do not hang on how fast this
computer is: limits that must be met are a minute wide, and those that must be broken are waited out.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import ModbusTcpLink
from harness.core.model import Limits, Site, Step
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from harness.results.evidence import evidence_of
from harness.results.steps import STEP_EVENT, StepDone, stimuli_of
from harness.run.listening import listeners
from harness.run.live import LiveSource
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from tests.live.test_modbus_peers import Set, peer
from tests.peers.recorder import DEADLINE_S, listening

BMS = "bms"
NUMBERS = {"bulk-a.high": 1, "bulk-a.water": 4, "bulk-b.high": 7, "bulk-b.water": 10, "day.low": 14,
           "bulk-a.delivery-due": 24, "bulk-b.delivery-due": 25}  # fmt: skip
SHORT_NS, LONG_NS = 300 * NS_PER_MS, 60 * NS_PER_S
KIND = Limits(appears_within_ns=LONG_NS, gone_within_ns=LONG_NS, search_ns=LONG_NS, settle_ns=0, leak_ns=SHORT_NS)
STRICT = replace(KIND, appears_within_ns=SHORT_NS, search_ns=2 * SHORT_NS)
LIMITS = {
    "bulk-a.water": STRICT,
    "bulk-b.high": replace(KIND, gone_within_ns=SHORT_NS),
    "bulk-b.water": replace(KIND, appears_within_ns=SHORT_NS),
    "bulk-a.delivery-due": replace(STRICT, appears_within_ns=None, gone_within_ns=SHORT_NS),
    "bulk-b.delivery-due": replace(STRICT, appears_within_ns=None, gone_within_ns=SHORT_NS),
}
EXPECTED = {
    "bulk-a.high@bms:10002": Verdict.ON_TIME,
    "bulk-a.high@bms:10101": Verdict.ON_TIME,
    "bulk-a.high@bms:00001": Verdict.ON_TIME,
    "bulk-a.high@bms:40101.1": Verdict.ON_TIME,
    "bulk-a.high@bms:30202>0": Verdict.ON_TIME,
    "bulk-a.water@bms:10005": Verdict.CROSSED,
    "bulk-b.high@bms:10008": Verdict.STUCK,
    "bulk-b.water@bms:10011": Verdict.LATE,
    "bulk-a.delivery-due@bms:10025": Verdict.LEAKED,
    "bulk-b.delivery-due@bms:10026": Verdict.QUIET,
}


def site_on(port: int) -> Site:
    """The demo's point map on one link, polled as fast as a test wants it, with limits for what is played."""
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    bms = site.links[BMS]
    assert isinstance(bms, ModbusTcpLink)
    link = replace(bms, port=port, poll_period_ns=20 * NS_PER_MS, timeout_ns=20 * NS_PER_S, requests_per_s_max=None)
    points = {name: point for name, point in site.points.items() if point.link == BMS}
    rows = [row for row in site.expectations if row.key in EXPECTED]
    assert len(rows) == len(EXPECTED)
    return replace(
        site,
        links={BMS: link},
        points=points,
        alarms={name: replace(alarm, reference=None) for name, alarm in site.alarms.items()},
        expectations=tuple(replace(row, limits=LIMITS.get(row.alarm, KIND)) for row in rows),
    )


class Play:
    """Plays the building system, and enters the steps of stimuli as a person or a write would."""

    def __init__(self, site: Site, set_values: Set, journal: RecordWriter, live: LiveSource) -> None:
        self._points = tuple(site.points)
        self._set = set_values
        self._journal = journal
        self._live = live
        self._count = 0

    async def step(self, alarm: str, step: Step) -> int:
        """Enter a step that was done just now; returns the latest instant at which it was."""
        self._count += step is Step.RAISE
        at = time.monotonic_ns()
        entry = StepDone(
            stimulus=f"{self._count:04d}", alarm=alarm, step=step, at=Bounds(at, at), proven=True, how="by the test"
        )
        self._journal.event(STEP_EVENT, at, entry.to_data())
        return at

    async def inputs(self, number: int, value: int) -> None:
        await self._set("discrete-input", number, value)

    async def until(self, point: str, *, on: bool) -> None:
        """Wait until a point was read so."""
        deadline = time.monotonic_ns() + DEADLINE_S * NS_PER_S
        assert await self._live.wait_until(
            lambda: point in self._live.states and self._live.states[point].on is on, deadline
        )

    async def outlast(self, instant: int) -> None:
        """Wait until every point was read after an instant."""
        deadline = time.monotonic_ns() + DEADLINE_S * NS_PER_S
        assert await self._live.wait_for_news(self._points, instant, deadline)

    async def perform(self) -> None:
        await self.outlast(0)
        await self.healthy("bulk-a.high")
        await self.wrong_point("bulk-a.water", "day.low")
        await self.stays_on("bulk-b.high")
        await self.too_late("bulk-b.water")
        await self.warning("bulk-a.delivery-due", leaks=True)
        await self.warning("bulk-b.delivery-due", leaks=False)
        await self.outlast(time.monotonic_ns())

    async def healthy(self, alarm: str) -> None:
        """It shows in every table, and each goes off with what releases it."""
        number = NUMBERS[alarm]
        await self.step(alarm, Step.RAISE)
        await self.inputs(number, 1)
        await self.inputs(100, 1)
        await self._set("coil", 0, 1)
        await self._set("holding-register", 100, 1 << number)
        await self._set("input-register", 200 + number, 1)
        for point in ("bms:10002", "bms:10101", "bms:00001", "bms:40101.1", "bms:30202>0"):
            await self.until(point, on=True)
        await self.step(alarm, Step.ACKNOWLEDGE)
        await self._set("coil", 0, 0)
        await self._set("input-register", 200 + number, 2)
        await self.until("bms:00001", on=False)
        await self.step(alarm, Step.CLEAR)
        await self.inputs(number, 0)
        await self.inputs(100, 0)
        await self._set("holding-register", 100, 0)
        await self._set("input-register", 200 + number, 0)
        for point in ("bms:10002", "bms:10101", "bms:40101.1", "bms:30202>0"):
            await self.until(point, on=False)

    async def wrong_point(self, alarm: str, shown_as: str) -> None:
        raised = await self.step(alarm, Step.RAISE)
        await self.inputs(NUMBERS[shown_as], 1)
        await self.until("bms:10015", on=True)
        await self.outlast(raised + STRICT.search_ns)
        await self.step(alarm, Step.CLEAR)
        await self.inputs(NUMBERS[shown_as], 0)
        await self.until("bms:10015", on=False)

    async def stays_on(self, alarm: str) -> None:
        await self.step(alarm, Step.RAISE)
        await self.inputs(NUMBERS[alarm], 1)
        await self.until("bms:10008", on=True)
        cleared = await self.step(alarm, Step.CLEAR)
        await self.outlast(cleared + SHORT_NS)
        await self.inputs(NUMBERS[alarm], 0)
        await self.until("bms:10008", on=False)

    async def too_late(self, alarm: str) -> None:
        raised = await self.step(alarm, Step.RAISE)
        await self.outlast(raised + SHORT_NS)
        await self.inputs(NUMBERS[alarm], 1)
        await self.until("bms:10011", on=True)
        await self.step(alarm, Step.CLEAR)
        await self.inputs(NUMBERS[alarm], 0)
        await self.until("bms:10011", on=False)

    async def warning(self, alarm: str, *, leaks: bool) -> None:
        raised = await self.step(alarm, Step.RAISE)
        if leaks:
            await self.outlast(raised)  # it was off after the raise, so what comes now is no coincidence
            await self.inputs(NUMBERS[alarm], 1)
            await self.until("bms:10025", on=True)
        cleared = await self.step(alarm, Step.CLEAR)
        await self.inputs(NUMBERS[alarm], 0)
        await self.until("bms:10025", on=False)
        await self.outlast(max(raised + STRICT.search_ns, cleared + SHORT_NS))


@asynccontextmanager
async def recorded(path: Path, port: int, set_values: Set) -> AsyncIterator[tuple[Site, Play]]:
    site, clock = site_on(port), time.monotonic_ns
    journal = RecordWriter.create(path, Header.now(clock, site=site.name), {}, clock)
    live = LiveSource(site, clock)
    journal.subscribe(live)
    try:
        async with AsyncExitStack() as stack:
            for link in listeners(site, journal, clock):
                await stack.enter_async_context(listening(link))
            yield site, Play(site, set_values, journal, live)
    finally:
        await asyncio.to_thread(journal.close)


@pytest.mark.parametrize("name", ["libmodbus", "pymodbus"])
async def test_the_same_verdicts_from_a_server_in_c_and_one_in_python(name: str, tmp_path: Path) -> None:
    path = tmp_path / "run.farend"
    async with peer(name) as (port, set_values), recorded(path, port, set_values) as (site, play):
        await play.perform()
    with RecordReader.open(path) as reader:
        stimuli = stimuli_of(reader.events(), site)
        evidence = evidence_of(reader, site, stimuli, reader.header.anchor.monotonic_ns, reader.last_ns)
        assert len(stimuli) == 6
        for block in reader.blocks():
            assert [it for it in reader.failures(block.id) if "stopped before" not in it.why] == []
        assert reader.dropped(BMS) == ()
    judgement = correlate(site, evidence)
    assert judgement.failures_of_checkers == ()
    told = {result.expectation: result.verdict for result in judgement.results}
    reasons = {result.expectation: result.reason for result in judgement.results}
    assert told == EXPECTED, reasons
    assert [stray.point for stray in judgement.strays] == []
