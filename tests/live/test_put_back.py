"""What was raised is cleared, whatever becomes of the answers and however often the run is cancelled.

Between farend and the panel of a simulated site stands a relay that holds back, swallows or mislabels the answers to
writes; what the controller itself says of its alarms is the truth.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_S
from harness.core.model import Step
from harness.core.verdicts import ExitCode, Verdict
from harness.results.judging import JudgedRecord, judge_record
from harness.results.steps import STEP_EVENT, StepDone
from harness.run.gate import read_reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from tests.peers.command import demo_files
from tests.peers.recorder import DEADLINE_S, eventually
from tests.peers.views import Keeping
from tests.peers.write_relay import CLEAR, RAISE, Handler, Relay

ALARM = "bulk-a.water"


class View(Keeping):
    """Keeps what a person was told; nothing is on and no link is down before anything was raised."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        assert (list(standing), list(down)) == ([], [])


class Bench:
    """A simulated site behind a relay, and a test of one alarm on it."""

    def __init__(self, sim: SimulatedSite, relay: Relay, folder: Path) -> None:
        self.sim = sim
        self.relay = relay
        self.view = View()
        self._record = folder / "run.farend"
        documents = gather(demo_files(folder, {"panel": relay.port, "bms": sim.bms_port, "printer": sim.printer_port}))
        site, _ = read_site(documents.files, documents.entry)
        options = TestOptions(
            record=self._record,
            selection=Selection(only=(ALARM,), links=("bms",)),
            arm=site.name,
            reviews=read_reviews(folder / "reviews.yaml"),
            who="test",
            seed=1,
            command=(),
            clear_for_ns=3 * NS_PER_S,
        )
        self.run = asyncio.create_task(run_test(site, documents, options, time.monotonic_ns, self.view))

    @property
    def is_active(self) -> bool:
        return self.sim.controller.state(ALARM).active

    async def over(self) -> JudgedRecord:
        async with asyncio.timeout(DEADLINE_S):
            await self.run
        return judge_record(self._record)


@asynccontextmanager
async def bench(folder: Path, on_write: Handler) -> AsyncIterator[Bench]:
    async with SimulatedSite(SiteOptions()) as sim:
        relay = Relay(sim.panel_port, on_write)
        server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
        relay.port = server.sockets[0].getsockname()[1]
        made = Bench(sim, relay, folder)
        try:
            yield made
        finally:
            made.run.cancel()
            await asyncio.wait([made.run])
            server.close()


def steps_of(judged: JudgedRecord) -> list[tuple[Step, bool]]:
    steps = (StepDone.from_data(event.data) for event in judged.reader.events(STEP_EVENT))
    return [(step.step, step.proven) for step in steps]


def verdicts_of(judged: JudgedRecord) -> set[Verdict]:
    found = set(judged.verdicts())
    judged.reader.close()
    return found


def pass_on(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
    return frame


async def test_through_the_relay_all_is_well(tmp_path: Path) -> None:
    async with bench(tmp_path, pass_on) as one:
        judged = await one.over()
        assert steps_of(judged) == [(Step.RAISE, True), (Step.ACKNOWLEDGE, True), (Step.CLEAR, True)]
        assert judged.exit_code is ExitCode.ALL_PASS
        assert verdicts_of(judged) == {Verdict.ON_TIME}
        assert one.view.told == []


@pytest.mark.parametrize("cancels", [1, 50])
async def test_cancelled_while_the_raise_has_no_answer_yet(cancels: int, tmp_path: Path) -> None:
    """The controller has raised it; farend does not know, and is stopped. It clears all the same."""
    async with bench(tmp_path, pass_on) as one:
        one.relay.holds_answers = True
        async with asyncio.timeout(DEADLINE_S):
            await one.sim.until(lambda: one.is_active)
        one.relay.holds_answers = False
        for _ in range(cancels):
            one.run.cancel()
            await asyncio.sleep(0)
        await asyncio.wait([one.run], timeout=DEADLINE_S)
        assert not one.is_active
        judged = judge_record(tmp_path / "run.farend")
        assert steps_of(judged)[:2] == [(Step.RAISE, False), (Step.CLEAR, True)]
        assert judged.exit_code is ExitCode.UNKNOWN
        assert verdicts_of(judged) == {Verdict.NOT_RUN}


async def test_a_raise_without_an_answer_is_cleared_and_proves_nothing(tmp_path: Path) -> None:
    async with bench(tmp_path, pass_on) as one:
        one.relay.holds_answers = True
        async with asyncio.timeout(DEADLINE_S):
            await one.sim.until(lambda: one.is_active)
            await eventually(lambda: bool(one.view.told))
        one.relay.holds_answers = False
        judged = await one.over()
        assert not one.is_active
        assert "the raise is not proven: no answer within 500 ms" in one.view.told[0]
        assert verdicts_of(judged) == {Verdict.NOT_RUN}


async def test_what_cannot_be_cleared_is_said_loudly(tmp_path: Path) -> None:
    def lose_clears(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        return None if action == CLEAR else frame

    async with bench(tmp_path, lose_clears) as one:
        judged = await one.over()
        assert one.is_active, "nobody could have cleared it"
        assert judged.exit_code is ExitCode.NOT_RESTORED
        (left,) = judged.reader.events("as-left")
        assert left.data["not_cleared"] == [ALARM]
        assert any("CLEARING IS NOT PROVEN: no answer within 500 ms; trying again" in it for it in one.view.told)
        assert any("COULD NOT BE CLEARED: clear it at the controller" in it for it in one.view.told)
        judged.reader.close()


async def test_a_late_answer_to_the_raise_is_not_taken_for_the_answer_to_the_clear(tmp_path: Path) -> None:
    """A device that answers late, and labels the old answer with the newest transaction identifier.

    The answers to both writes are the same bytes but for the identifier (V1.1b3, 6.12: address and quantity).
    """
    late: list[Callable[[bytes], None]] = []
    mislabelled = []

    def answer_late(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        if action == RAISE and not late:
            late.append(answer)
            return frame
        if late and answer == late[0]:
            mislabelled.append(action)
            answer(frame[:4] + b"\x00\x06" + frame[6:12])
            return None
        return frame

    async with bench(tmp_path, answer_late) as one:
        one.relay.holds_answers = True
        async with asyncio.timeout(DEADLINE_S):
            await one.sim.until(lambda: one.is_active)
            await eventually(lambda: bool(one.view.told))
        one.relay.holds_answers = False
        judged = await one.over()
        assert not one.is_active
        assert mislabelled == [], "the clear must come over a connection of its own"
        assert (Step.CLEAR, True) in steps_of(judged)
        judged.reader.close()


async def test_a_clear_that_is_lost_once_keeps_the_bounds_of_both_tries(tmp_path: Path) -> None:
    """The controller takes the first clear, and its answer is lost; the second one is answered."""
    clears = []

    async with bench(tmp_path, pass_on) as one:

        def hold(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
            if action == CLEAR:
                clears.append(time.monotonic_ns())
            one.relay.holds_answers = action == CLEAR and len(clears) == 1
            return frame

        one.relay.on_write = hold
        judged = await one.over()
        assert not one.is_active
        assert len(clears) == 2
        (stimulus,) = judged.evidence.stimuli
        assert stimulus.cleared is not None
        assert stimulus.cleared.lo <= clears[0]
        assert stimulus.cleared.hi >= clears[1]
        assert Verdict.STUCK not in verdicts_of(judged)
