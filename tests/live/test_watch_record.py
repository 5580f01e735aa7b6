"""A watch that is kept: what the simulated site raised meanwhile is counted, and nothing is judged."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli.common import load
from harness.cli.watch import command
from harness.core.errors import RecordError, UsageError
from harness.core.instants import NS_PER_S
from harness.core.verdicts import ExitCode
from harness.links.base import Link, LinkState, Observer
from harness.measure.alarm_rates import Number
from harness.record.reader import RecordReader
from harness.results.judging import END_EVENT, PLAN_EVENT, judge_record
from harness.results.steps import INTENT_EVENT, STEP_EVENT
from harness.run.listening import listeners
from harness.run.watch_record import Shown, WatchOptions, watch_into_record
from harness.run.watching import Change, FirstRead, Notice
from harness.studies.alarm_rates import RateOptions, alarm_rates
from harness.studies.attempt import report_document
from harness.studies.clocks import ClockOptions, clocks_of
from sims import SimulatedSite, SiteOptions, SiteProcess
from sims.controller import Action
from tests.peers.command import Running, demo_files, farend, panel, ports_of
from tests.peers.virtual_time import run

S = NS_PER_S
ALARM = "day.low"


class Crashing:
    """A listener with a fault of its own."""

    name = "bms"

    async def run(self) -> None:
        raise ZeroDivisionError("made to")


def watched(record: Path, *, crashing: bool = False, reads: bool = True) -> tuple[list[Change], list[str]]:
    """Six seconds of virtual time in which the site raises an alarm for two. What was shown, and what troubled.

    ``reads``: False where nobody reads the screen.
    """
    shown: list[Change] = []
    troubles: list[str] = []

    def show(item: Change | Notice | FirstRead) -> None:
        if not reads:
            raise BrokenPipeError
        if isinstance(item, Change):
            shown.append(item)

    def beat() -> None:
        if not reads:
            raise BrokenPipeError

    async def test() -> None:
        async with SimulatedSite(SiteOptions()) as sim:
            ports = {"panel": sim.panel_port, "bms": sim.bms_port, "printer": sim.printer_port}
            site, documents = load(demo_files(record.parent, ports))

            def listeners_of(observer: Observer) -> Sequence[Link]:
                found = listeners(site, observer, time.monotonic_ns)
                return [Crashing() if crashing and link.name == "bms" else link for link in found]

            options = WatchOptions(record=record, for_ns=6 * S, who="A. Watcher", command=("watch",))
            watcher = Shown(site.points.values(), show, site.links.values())
            async with asyncio.TaskGroup() as group:
                group.create_task(
                    watch_into_record(
                        site, documents, options, time.monotonic_ns, watcher, listeners_of, troubles.append, beat=beat
                    )
                )  # fmt: skip
                await asyncio.sleep(2)
                sim.command(ALARM, Action.RAISE)
                await asyncio.sleep(2)
                sim.command(ALARM, Action.CLEAR)

    run(test)
    return shown, troubles


def test_rates_and_clocks_read_what_was_watched_and_nothing_of_it_is_judged(tmp_path: Path) -> None:
    record = tmp_path / "night.farend"
    shown, troubles = watched(record)
    assert any(it.place == "panel:10015" and it.now == "on" for it in shown)
    assert troubles == []

    document = alarm_rates([record], RateOptions())
    assert [(it.alarm, it.number) for it in document.all.contributors] == [(ALARM, Number(1, 1))]
    (one,) = document.records
    assert (one.raised, one.unobserved) == (0, ())
    assert 5 * S < one.rates.observed_ns <= 6.5 * S
    (printer,) = clocks_of([record], ClockOptions()).clocks
    assert printer.link == "printer"
    assert printer.history is not None
    assert len(printer.history.readings) >= 2

    # An alarm that the site itself raised is no stray, and where nothing was planned nothing passes.
    judged = judge_record(record)
    with judged.reader as reader:
        assert (judged.exit_code, judged.planned, judged.judgement.results) == (ExitCode.UNKNOWN, (), ())
        assert judged.judgement.strays == ()
        assert (reader.header.kind, reader.header.operator) == ("watch", "A. Watcher")
        kinds = {it.kind for it in reader.events()}
        assert kinds.isdisjoint({PLAN_EVENT, STEP_EVENT, INTENT_EVENT})
        assert [it.data for it in reader.events(END_EVENT)] == [{"why": ""}]
        (attempt,) = report_document([judged]).attempts
        assert not attempt.interrupted
        assert "nothing was planned or raised" in attempt.log.remarks[0].text


def test_a_listener_that_crashes_and_a_screen_that_nobody_reads_do_not_end_the_record(tmp_path: Path) -> None:
    record = tmp_path / "night.farend"
    _, troubles = watched(record, crashing=True, reads=False)
    assert len(troubles) == 1
    assert "link bms: the listener crashed: ZeroDivisionError('made to')" in troubles[0]
    document = alarm_rates([record], RateOptions())
    assert [(it.alarm, it.number) for it in document.all.contributors] == [(ALARM, Number(1, 1))]
    assert all(not it.points for it in alarm_rates([record], RateOptions(link="bms")).records)
    with RecordReader.open(record) as reader:
        assert [it.data["link"] for it in reader.events("crash")] == ["bms"]
        assert [it.state for it in reader.link_states("bms")] == [LinkState.DOWN]


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    record = tmp_path / "night.farend"
    record.write_bytes(b"another night")
    result = CliRunner().invoke(command, ["demo", "--record", str(record), "--for", "1 s"], standalone_mode=False)
    assert isinstance(result.exception, RecordError)
    assert "night.farend: exists already; a record is never written over" in str(result.exception)
    assert record.read_bytes() == b"another night"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no such signals to another process")
def test_the_command_is_ended_by_the_person_and_the_record_is_whole(tmp_path: Path) -> None:
    with SiteProcess() as site:
        demo_files(tmp_path, ports_of(site))
        with Running("watch", "site.yaml", "--record", "night.farend", cwd=tmp_path) as running:
            running.until(lambda line: "bms" in line and "at first" in line)
            with panel(site) as client:
                assert not client.write_registers(900, [15, int(Action.RAISE)], device_id=1).isError()
            running.until(lambda line: f"panel:10015 ({ALARM}) off -> on" in line)
            running.signal(signal.SIGINT)
            done = running.done()
    assert done.code == 0
    assert "record: night.farend; see 'farend rates night.farend'" in done.err
    told = farend("rates", "night.farend", "--json", cwd=tmp_path)
    assert told.code == 0
    found = json.loads(told.out)
    assert (found["activations"], found["fleeting"], found["fleeting_unfinished"]) == ([1, 1], [0, 0], 1)
    judged = farend("judge", "night.farend", cwd=tmp_path)
    assert judged.code == ExitCode.UNKNOWN
    assert "only watched: nothing was planned or raised" in " ".join(judged.out.split())


def test_an_address_alone_gives_no_record(tmp_path: Path) -> None:
    record = tmp_path / "night.farend"
    address = ["modbus-tcp://127.0.0.1:1", "--inputs", "10001"]
    result = CliRunner().invoke(command, [*address, "--record", str(record)], standalone_mode=False)
    assert isinstance(result.exception, UsageError)
    assert f"--record {record}: an address alone has no site file" in str(result.exception)
    assert not record.exists()
