"""Sessions that a program drives, on the simulated site, in virtual time.

What the controller itself says of its alarms is the truth; what a session says is held against its record, judged anew.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import pytest

from harness.core.errors import SafetyError, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S, NS_PER_US
from harness.core.model import Decision, Site, Step
from harness.core.verdicts import ExitCode, Verdict
from harness.results.interrupting import InterruptedTestError, StoppedRunError
from harness.results.judging import JudgedRecord, judge_record
from harness.run.gate import Reviews
from harness.run.order import READY_MAX_NS, Selection
from harness.run.session import SiteSession
from harness.run.session_told import Told
from harness.run.stepwise import LeftOutError, NotRaisedError
from harness.run.testing import TestOptions
from harness.run.unexplained import HOLD_MAX_NS
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.alarms import ALARMS
from sims.controller import Action
from tests.peers import virtual_time
from tests.peers.command import demo_files
from tests.peers.reviewed import accepted
from tests.peers.write_relay import Relay

HIGH, WATER, LOW, LEAK = "bulk-a.high", "bulk-a.water", "bulk-a.low", "bulk-a.interstitial-leak"
HORN = "bms:00001"


@dataclass(frozen=True, slots=True, kw_only=True)
class During:
    """What a program has in its hands."""

    sim: SimulatedSite
    relay: Relay
    session: SiteSession

    def active(self) -> list[str]:
        return [alarm.name for alarm in ALARMS if self.sim.controller.state(alarm.name).active]


Program = Callable[[During], Awaitable[None]]


def run_session(
    folder: Path, program: Program, *, defects: tuple[str, ...] = (), links: tuple[str, ...] = ("bms",),
    change: Callable[[Site], Site] = lambda site: site, arm: str | None = None, reviews: Reviews | None = None,
) -> JudgedRecord:  # fmt: skip
    """One session from its opening to its end, and its record, judged; nothing may be active after it."""

    async def main() -> None:
        async with SimulatedSite(SiteOptions(defects=defects)) as sim:
            relay = Relay(sim.panel_port, lambda _action, frame, _answer: frame)
            server = await asyncio.start_server(relay.serve, "127.0.0.1", 0)
            relay.port = server.sockets[0].getsockname()[1]
            ports = {"panel": relay.port, "bms": sim.bms_port, "printer": sim.printer_port}
            documents = gather(demo_files(folder, ports))
            site = change(read_site(documents.files, documents.entry)[0])
            options = TestOptions(
                record=folder / "run.farend", selection=Selection(links=links), arm=site.name if arm is None else arm,
                reviews=reviews or accepted(site), who="test", seed=1, clear_for_ns=5 * NS_PER_S, command=(),
            )  # fmt: skip
            session = SiteSession(site, documents, options, _clock)
            try:
                await session.open()
                during = During(sim=sim, relay=relay, session=session)
                await program(during)
            finally:
                await session.close()
                server.close()
            assert during.active() == []

    virtual_time.run(main, tick_ns=NS_PER_US)
    return judge_record(folder / "run.farend")


def _clock() -> int:
    """Not ``time.monotonic_ns`` itself: a timer that knows it for the machine's own waits for it by spinning."""
    return time.monotonic_ns()


def agree(judged: JudgedRecord, *told: Told) -> None:
    """The record says of every row what the session said of it, and of none that it did not speak of."""
    by_record = {(it.stimulus, it.expectation): it.verdict for it in judged.judgement.results}
    by_session = {(it.stimulus, it.expectation): it.verdict for one in told for it in one.results}
    assert by_session == by_record
    judged.reader.close()


def only(told: Told) -> dict[str, Verdict]:
    """By row, its one verdict."""
    return {key.partition("@")[2]: verdict for key, (verdict,) in told.verdicts().items()}


def test_an_alarm_step_by_step(tmp_path: Path) -> None:
    """As somebody writes it who knows the device: each step, and what it must do."""
    told: list[Told] = []

    async def program(it: During) -> None:
        session = it.session
        session.begin("high level")
        raised = await session.raise_alarm(HIGH)
        assert raised.proven
        await it.sim.until(lambda: it.active() == [HIGH])
        shown = await session.expect("bms:10002", 1 * NS_PER_S)
        assert shown.verdict is Verdict.ON_TIME
        assert shown.latency is not None
        assert 0 <= shown.latency.hi <= NS_PER_S
        assert {one.verdict for one in await session.expect_all(HIGH)} == {Verdict.ON_TIME}
        await session.step(HIGH, Step.ACKNOWLEDGE)
        assert (await session.expect_gone(HORN)).verdict is Verdict.ON_TIME
        await session.step(HIGH, Step.CLEAR)
        assert it.active() == []
        assert {one.verdict for one in await session.expect_all(HIGH)} == {Verdict.ON_TIME}
        told.append(await session.end(is_stopped=False))

    judged = run_session(tmp_path, program)
    assert set(only(told[0]).values()) == {Verdict.ON_TIME}
    assert (told[0].differs, told[0].strays, told[0].stopped, told[0].expected) == ((), (), "", ())
    assert judged.exit_code is ExitCode.ALL_PASS
    assert [event.data["name"] for event in judged.reader.events("case")] == ["high level"]
    agree(judged, *told)


def test_what_is_left_to_do_is_done_at_the_end(tmp_path: Path) -> None:
    """A test that only raises is judged by every row all the same: acknowledged, cleared, until all is normal."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(LEAK)
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program)
    assert set(only(told[0]).values()) == {Verdict.ON_TIME}
    (stimulus,) = judged.evidence.stimuli
    assert None not in (stimulus.acknowledged, stimulus.cleared)
    assert not stimulus.stopped
    agree(judged, *told)


def test_one_record_for_many_tests(tmp_path: Path) -> None:
    """Each is judged by itself and compared by itself; the record says of all of them what was said."""
    told: list[Told] = []

    async def program(it: During) -> None:
        for name in (WATER, LOW, WATER):
            it.session.begin(name)
            checked = await it.session.check(name)
            told.append(await it.session.end(is_stopped=False))
            assert checked.verdicts() == told[-1].verdicts()

    judged = run_session(tmp_path, program)
    assert [set(only(one).values()) for one in told] == [{Verdict.ON_TIME}] * 3
    assert len(judged.reader.events("as-left")) == 3
    assert judged.exit_code is ExitCode.ALL_PASS
    agree(judged, *told)


@pytest.mark.parametrize(
    ("defect", "alarm", "point", "expected", "at_last"),
    [
        ("late:bulk-a.water@bms=1100ms", WATER, "bms:10005", Verdict.MISSED, Verdict.LATE),
        ("swapped-pair:bulk-a.water@bms=day.low", WATER, "bms:10005", Verdict.CROSSED, Verdict.CROSSED),
    ],
)
def test_a_defect_is_a_fail_when_it_is_expected_and_at_the_end(
    tmp_path: Path, defect: str, alarm: str, point: str, expected: Verdict, at_last: Verdict
) -> None:
    """What comes later than the search limit is late at the end, and has not come when it was expected."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(alarm)
        assert (await it.session.expect(point)).verdict is expected
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, defects=(defect,))
    assert only(told[0])[point] is at_last
    assert judged.exit_code is ExitCode.FAILED
    agree(judged, *told)


def test_a_tighter_limit_of_the_caller_fails_what_the_point_map_passes(tmp_path: Path) -> None:
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(WATER)
        assert (await it.session.expect("bms:10005", 300 * NS_PER_MS)).verdict in (Verdict.LATE, Verdict.MISSED)
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, defects=("late:bulk-a.water@bms=500ms",))
    assert only(told[0])["bms:10005"] is Verdict.ON_TIME
    (asked,) = judged.reader.events("expected")
    assert asked.data["appears_within_ns"] == 300 * NS_PER_MS
    agree(judged, *told)


def test_what_had_failed_when_it_was_expected_is_late_once_it_has_come(tmp_path: Path) -> None:
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(WATER)
        assert (await it.session.expect("bms:10005", 1 * NS_PER_S)).verdict is Verdict.MISSED
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, defects=("late:bulk-a.water@bms=1200ms",))
    (failed,) = told[0].failed
    assert (failed.point, failed.verdict) == ("bms:10005", Verdict.LATE)
    agree(judged, *told)


def test_a_second_alarm_is_not_kept_waiting_by_what_the_first_holds_on(tmp_path: Path) -> None:
    """Horn and common alarm stay on for as long as the first is raised; they are masked, and it is said why."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        await it.session.expect_all(HIGH)
        began = time.monotonic()
        await it.session.raise_alarm(WATER)
        assert time.monotonic() - began < READY_MAX_NS / NS_PER_S / 2
        (line,) = it.session.said()
        assert line.startswith(f"{WATER}: raised while {HIGH} is still raised and holds ")
        assert HORN in line
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program)
    masked = {it.point for it in told[0].results if it.stimulus == "0002" and it.verdict is Verdict.MASKED}
    assert HORN in masked
    assert {it.verdict for it in told[0].results if it.point in ("bms:10002", "bms:10005")} == {Verdict.ON_TIME}
    agree(judged, *told)


def test_what_is_about_to_go_off_is_waited_for_all_the_same(tmp_path: Path) -> None:
    """Acknowledged, the horn of the first goes silent by itself, and the second can be told there."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        await it.session.expect_all(HIGH)
        await it.session.step(HIGH, Step.ACKNOWLEDGE, at_once=True)
        await it.session.raise_alarm(WATER, ["bms:10005", HORN])
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program)
    assert {it.verdict for it in told[0].results if it.stimulus == "0002"} == {Verdict.ON_TIME}
    agree(judged, *told)


def test_an_alarm_that_is_left_out_says_by_what(tmp_path: Path) -> None:
    """The site file, or the reviews: what is to be done about it is not the same."""
    effect = "closes-fill-valve-a"

    def without_writes(site: Site) -> Site:
        return replace(site, alarms={**site.alarms, WATER: replace(site.alarms[WATER], writes={})})

    async def program(it: During) -> None:
        it.session.begin("")
        for alarm, why in (("bulk-a.high-high", f"the reviews exclude it: side effect {effect}"),
                           (WATER, "it has no 'raise' and 'clear' writes in the site file")):  # fmt: skip
            assert it.session.is_all_left_out
            with pytest.raises(LeftOutError, match=f"{alarm}: not raised: {why}$"):
                await it.session.raise_alarm(alarm)
        told = await it.session.check(WATER)
        assert [one.is_left_out for one in told.raises] == [True]
        assert it.session.is_all_left_out
        await it.session.raise_alarm(HIGH)
        assert not it.session.is_all_left_out
        await it.session.end(is_stopped=True)

    documents = gather(demo_files(tmp_path / "reviewed", {}))
    site = without_writes(read_site(documents.files, documents.entry)[0])
    reviews = accepted(site)
    excluded = replace(reviews, decisions={**reviews.decisions, effect: Decision.EXCLUDED})
    run_session(tmp_path, program, change=without_writes, reviews=excluded).reader.close()


def test_what_is_not_known_yet_is_decided_at_the_end(tmp_path: Path) -> None:
    """A printed line is certain only once the line of its end was printed."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(WATER, ["printer:*"])
        assert (await it.session.expect(f"printer:{WATER}")).verdict is Verdict.UNRESOLVED
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, links=("bms", "printer"))
    assert [one.verdict for one in told[0].expected] == [Verdict.ON_TIME]
    assert only(told[0]) == {f"printer:{WATER}": Verdict.ON_TIME}, "the only row that was asked for"
    agree(judged, *told)


def test_what_a_program_leaves_raised_is_put_back_at_once_when_it_fails(tmp_path: Path) -> None:
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        began = time.monotonic()
        told.append(await it.session.end(is_stopped=True))
        assert it.active() == []
        assert time.monotonic() - began < 2, "nothing is waited for that was still to come"

    judged = run_session(tmp_path, program)
    assert judged.evidence.stimuli[0].stopped
    assert (told[0].differs, judged.is_changed) == ((), False)
    agree(judged, *told)


def test_a_raise_that_is_cancelled_in_the_middle_is_put_back(tmp_path: Path) -> None:
    """Whenever it comes: while outputs are waited for, while the write is on its way, or after it."""

    async def program(it: During) -> None:
        for delay_ms in range(0, 480, 30):
            it.session.begin("")
            asked = asyncio.create_task(it.session.raise_alarm(HIGH))
            await asyncio.sleep(delay_ms / 1000)
            asked.cancel()
            await asyncio.wait([asked])
            told = await it.session.end(is_stopped=True)
            assert it.active() == []
            assert told.differs == ()

    judged = run_session(tmp_path, program)
    assert not judged.is_changed
    kinds = [event.kind for event in judged.reader.events() if event.kind in ("intent", "as-left")]
    compared_after = [after for kind, after in pairwise([*kinds, ""]) if kind == "intent"]
    assert set(compared_after) == {"as-left"}, "each that may have been raised"
    assert 0 < len(compared_after) < len(judged.reader.events("case")), "some were cancelled before their raise"
    judged.reader.close()


def test_the_dead_man_limit_clears_whatever_the_program_does(tmp_path: Path) -> None:
    limit_s = 6

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        began = time.monotonic()
        await it.sim.until(lambda: it.active() == [HIGH])
        await it.sim.until(lambda: it.active() == [])
        assert limit_s - 1 < time.monotonic() - began < limit_s + 1
        for asked in (it.session.expect("bms:10002"), it.session.step(HIGH, Step.CLEAR)):
            with pytest.raises(InterruptedTestError, match="the longest that it may be"):
                await asked
        told = await it.session.end(is_stopped=False)
        assert "the longest that it may be" in told.stopped
        it.session.begin("the next one")
        assert set(only(await it.session.check(WATER)).values()) == {Verdict.ON_TIME}
        await it.session.end(is_stopped=False)

    judged = run_session(tmp_path, program, change=lambda site: replace(site, raised_at_most_ns=limit_s * NS_PER_S))
    assert [event.data["why"] for event in judged.reader.events("interrupted")] == ["dead-man"]
    judged.reader.close()


def test_a_real_alarm_stops_the_session_for_good(tmp_path: Path) -> None:
    """A sensor trips while a simulated alarm is held: that one is cleared, and nothing more is raised."""

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        it.sim.plant.tanks["bulk-b"].water_mm = 80.0
        await it.sim.until(lambda: it.active() == ["bulk-b.water"])
        told = await it.session.end(is_stopped=False)
        assert "TAKE IT FOR REAL" in told.stopped
        assert any("bms:10011" in text for text in told.differs), "and it is said that it was not so before"
        assert not it.session.is_open
        assert "TAKE IT FOR REAL" in it.session.why_over
        with pytest.raises(StoppedRunError, match="TAKE IT FOR REAL"):
            await it.session.check(WATER)
        it.sim.plant.tanks["bulk-b"].water_mm = 0.0
        await it.sim.until(lambda: it.active() == [])

    judged = run_session(tmp_path, program)
    assert judged.exit_code is ExitCode.NOT_RESTORED
    assert "TAKE IT FOR REAL" in judged.gate_stopped
    judged.reader.close()


def test_what_came_on_with_one_alarm_does_not_interrupt_the_next(tmp_path: Path) -> None:
    """A swapped pair is unexplained for as long as its alarm is raised, and what is raised after it is not touched."""
    told: list[Told] = []

    async def program(it: During) -> None:
        for alarm in (WATER, HIGH):
            it.session.begin(alarm)
            await it.session.raise_alarm(alarm)
            await it.session.expect_all(alarm)
            if alarm == HIGH:
                await asyncio.sleep(2 * HOLD_MAX_NS / NS_PER_S)
            told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, defects=("swapped-pair:bulk-a.water@bms=day.low",))
    assert len(judged.reader.events("unexplained")) == 1
    assert judged.reader.events("interrupted") == ()
    assert set(only(told[1]).values()) == {Verdict.ON_TIME}
    agree(judged, *told)


def test_a_clear_that_cannot_be_proven_ends_the_session_and_is_told(tmp_path: Path) -> None:
    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm(HIGH)
        it.relay.cut()
        told = await it.session.end(is_stopped=True)
        assert it.active() == [HIGH]
        assert f"alarm {HIGH}: raised, and clearing is not proven" in told.differs
        assert "may still be raised" in told.stopped
        it.sim.command(HIGH, Action.CLEAR)
        await it.sim.until(lambda: it.active() == [])

    judged = run_session(tmp_path, program)
    assert judged.is_changed
    assert judged.exit_code is ExitCode.NOT_RESTORED
    judged.reader.close()


def test_two_alarms_at_once_mask_each_other_where_they_share_an_output(tmp_path: Path) -> None:
    """Alone, each would have been seen to be on time there: then nobody could say whose the output was."""
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await asyncio.gather(it.session.raise_alarm(HIGH), it.session.raise_alarm(WATER))
        with pytest.raises(NotRaisedError, match="it is raised already"):
            await it.session.raise_alarm(WATER)
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program)
    by_row = {(it.alarm, it.point): it.verdict for it in told[0].results}
    assert {by_row[alarm, HORN] for alarm in (HIGH, WATER)} == {Verdict.MASKED}
    assert (by_row[HIGH, "bms:10002"], by_row[WATER, "bms:10005"]) == (Verdict.ON_TIME, Verdict.ON_TIME)
    judged.reader.close()


def test_what_must_stay_quiet_is_waited_for(tmp_path: Path) -> None:
    told: list[Told] = []

    async def program(it: During) -> None:
        it.session.begin("")
        await it.session.raise_alarm("printer.paper-low")
        with pytest.raises(UsageError, match="must stay quiet"):
            await it.session.expect("bms:10027")
        told.append(await it.session.end(is_stopped=False))

    judged = run_session(tmp_path, program, defects=("leak:printer.paper-low@bms",))
    assert only(told[0])["bms:10027"] is Verdict.LEAKED
    agree(judged, *told)


def test_what_the_reviews_exclude_is_not_run_and_said_so(tmp_path: Path) -> None:
    excluded = "bulk-a.high-high"

    async def program(it: During) -> None:
        it.session.begin("")
        told = await it.session.check(excluded)
        assert {one for each in told.verdicts().values() for one in each} == {Verdict.NOT_RUN}
        assert all("the reviews exclude it" in why for why in told.not_run.values())
        await it.session.end(is_stopped=False)

    others = ("closes-fill-valve-b", "stops-transfer-pump-a", "stops-transfer-pump-b", "closes-day-inlet")
    decisions = dict.fromkeys((*others, "starts-standby-pump"), Decision.ACCEPTED)
    decisions["closes-fill-valve-a"] = Decision.EXCLUDED
    judged = run_session(tmp_path, program, reviews=Reviews(by="test", decisions=decisions))
    assert judged.exit_code is ExitCode.UNKNOWN, "the record knows that it was set out to be tested"
    judged.reader.close()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"arm": "hollow"}, "the word to arm it is its own name"),
        ({"reviews": Reviews(by="test", decisions={})}, "not reviewed"),
    ],
)
def test_the_gate_refuses_before_anything_is_opened(tmp_path: Path, change: dict[str, object], message: str) -> None:
    async def program(it: During) -> None:
        raise AssertionError(it)

    with pytest.raises(SafetyError, match=message):
        run_session(tmp_path, program, **change)  # type: ignore[arg-type]
    assert not (tmp_path / "run.farend").exists()


def test_what_is_on_before_is_not_raised_over(tmp_path: Path) -> None:
    """A second session finds what the first program left on behind our back: that refuses, and names it."""

    async def program(it: During) -> None:
        it.sim.command(WATER, Action.RAISE)
        await it.sim.until(lambda: it.active() == [WATER])
        await asyncio.sleep(1)
        options = replace(it.session._options, record=tmp_path / "second.farend")
        second = SiteSession(it.session.site, it.session._documents, options, _clock)
        with pytest.raises(SafetyError, match="point=bms:10005: it is on, and nothing was raised"):
            await second.open()
        it.sim.command(WATER, Action.CLEAR)
        await it.sim.until(lambda: it.active() == [])

    run_session(tmp_path, program).reader.close()


def test_what_cannot_be_asked_for_is_said_by_name(tmp_path: Path) -> None:
    async def program(it: During) -> None:
        session = it.session
        session.begin("")
        for asked, message in (
            (session.raise_alarm("bulk-a.hihg"), "alarm=bulk-a.hihg: the site has no such alarm; did you mean"),
            (session.raise_alarm(HIGH, ["bms:1999*"]), "points=bms:1999.: no row of bulk-a.high is there"),
            (session.raise_alarm(HIGH, []), "points=nothing, so that nothing would be judged"),
            (session.step(HIGH, Step.CLEAR), "alarm=bulk-a.high: it was not raised in this test"),
            (session.expect("bms:10002"), "nothing is raised, and no row of the point map says"),
            (session.expect("bms:19999"), "point=bms:19999: the site has no such point; did you mean"),
        ):
            with pytest.raises(UsageError, match=message):
                await asked
        await session.end(is_stopped=True)

    judged = run_session(tmp_path, program)
    assert judged.evidence.stimuli == ()
    judged.reader.close()
