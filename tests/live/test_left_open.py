"""farend is killed while an alarm is raised: the next start finds it in the record, says so, and clears it.

The commands are processes of their own, killed with SIGKILL; what the simulated controller says is the truth.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.record.reader import RecordReader
from harness.results.left_open import look_for_left_open
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT
from harness.results.steps import INTENT_EVENT, STEP_EVENT
from sims import SimulatedSite, SiteOptions, SiteProcess
from tests.peers.command import DEADLINE_S, Done, Running, active, demo_files, farend
from tests.peers.raised_runs import ARMED, raised, wait_for_step
from tests.peers.write_relay import RAISE, Relay

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no such signals to another process")
NEXT = ("test", "site.yaml", *ARMED, "--only", "bulk-a.water", "--link", "bms")
CLEARING = (*NEXT, "--clear-left-open", "--record", "next.farend")


@pytest.fixture
def site() -> Iterator[SiteProcess]:
    with SiteProcess() as one:
        yield one
        assert active(one) == []


@pytest.fixture
def killed(tmp_path: Path, site: SiteProcess) -> Path:
    """A folder with the record of a run that was killed while bulk-a.high-high was raised."""
    with raised(tmp_path, site) as running:
        wait_for_step(tmp_path / "run.farend")
        running.signal(signal.SIGKILL)
        assert running.done().code == -signal.SIGKILL
    return tmp_path


def cleared_in(record: Path) -> list[dict[str, Any]]:
    with RecordReader.open(record) as reader:
        return [dict(event.data) for event in reader.events(CLEARED_LEFT_OPEN_EVENT)]


def test_the_next_start_says_so_and_refuses_then_clears_it_when_it_is_asked_to(killed: Path, site: SiteProcess) -> None:
    before = sorted(killed.glob("*.farend"))
    refused = farend(*NEXT, cwd=killed)
    assert (refused.code, refused.out) == (4, "")
    assert "LEFT RAISED: bulk-a.high-high was raised at 20" in refused.err
    assert "record run.farend; nothing says that it was cleared" in refused.err
    assert "bulk-a.high-high: may still be raised; give --clear-left-open" in refused.err
    assert "CLEARING IS NOT GUARANTEED for bulk-a.water" in refused.err, "it is said before anything is armed"
    assert sorted(killed.glob("*.farend")) == before
    assert active(site) == [0, 1], "nothing was done without an answer"

    done = farend(*CLEARING, "--json", cwd=killed)
    assert done.code == 0, done.err
    assert "bulk-a.high-high: left raised by an earlier run; it is cleared now" in done.err
    assert active(site) == []
    assert json.loads(done.out)["attempts"][0]["as_left"] == []
    (entered,) = cleared_in(killed / "next.farend")
    assert (entered["record"], entered["stimulus"], entered["alarm"]) == ("run.farend", "0001", "bulk-a.high-high")
    assert (entered["proven"], entered["by"]) == (True, "written by farend")

    assert look_for_left_open(killed, "hollowmere", time.time_ns()).left == ()


def test_a_run_that_goes_on_is_no_crash_and_no_second_one_starts(tmp_path: Path, site: SiteProcess) -> None:
    with raised(tmp_path, site) as running:
        second = farend(*NEXT, "--clear-left-open", cwd=tmp_path)
        assert second.code == 4
        assert "run.farend: a run of site=hollowmere writes this record now" in second.err
        assert "LEFT RAISED" not in second.err
        assert active(site) == [0, 1], "the second one cleared nothing of the first"
        running.signal(signal.SIGINT)
        assert running.done().code == 3
    assert active(site) == []


async def test_killed_before_the_answer_to_the_raise(tmp_path: Path) -> None:
    """The controller has raised it; the record has the intent alone. It is found, and cleared."""
    running: list[Running] = []

    def kill_at_once(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        if action == RAISE and not is_over:
            running[0].signal(signal.SIGKILL)
        return frame

    is_over = False
    async with SimulatedSite(SiteOptions()) as sim:
        relay = Relay(sim.panel_port, kill_at_once)
        server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
        relay.port = server.sockets[0].getsockname()[1]
        demo_files(tmp_path, {"panel": relay.port, "bms": sim.bms_port, "printer": sim.printer_port})
        try:
            running.append(Running(*NEXT, "--record", "run.farend", cwd=tmp_path))
            killed = await asyncio.to_thread(running[0].done)
            assert killed.code == -signal.SIGKILL
            async with asyncio.timeout(DEADLINE_S):
                await sim.until(lambda: sim.controller.state("bulk-a.water").active)
            with RecordReader.open(tmp_path / "run.farend") as reader:
                assert [event.data["alarm"] for event in reader.events(INTENT_EVENT)] == ["bulk-a.water"]
                assert reader.events(STEP_EVENT) == ()
            judged = await _farend("judge", "run.farend", cwd=tmp_path)
            assert judged.code == 5, "it may be raised, so nothing is restored"
            is_over = True
            refused = await _farend(*NEXT, cwd=tmp_path)
            assert refused.code == 4
            assert "LEFT RAISED: bulk-a.water may have been raised at 20" in refused.err
            done = await _farend(*CLEARING, cwd=tmp_path)
            assert done.code == 0, done.err
            assert not sim.controller.state("bulk-a.water").active
            assert [it["alarm"] for it in cleared_in(tmp_path / "next.farend")] == ["bulk-a.water"]
        finally:
            server.close()


async def _farend(*arguments: str, cwd: Path) -> Done:
    return await asyncio.to_thread(lambda: farend(*arguments, cwd=cwd))
