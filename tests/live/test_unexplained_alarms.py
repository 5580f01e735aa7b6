"""An alarm that nothing raised explains: the run pauses, what is raised is cleared; it goes on if that went too."""

from __future__ import annotations

import asyncio
from pathlib import Path

from harness.core.instants import NS_PER_S
from harness.core.verdicts import ExitCode, Verdict, VerdictClass
from harness.core.wording import TAKE_FOR_REAL
from harness.report.log_text import render_log_text
from harness.report.log_words import STILL_NOTE
from harness.report.text import render_text
from harness.results.steps import INTENT_EVENT, STEP_EVENT, STILL_SHOWN_EVENT, TOGETHER_EVENT
from harness.run.pausing import PUTS_OFF_MAX
from harness.run.unexplained import HOLD_MAX_NS
from harness.studies.attempt import report_document
from sims.controller import Action
from tests.peers.raised_runs import LONG
from tests.peers.safety_runs import During, Outcome, Scene, run_scene

WATER, TEMPERATURE, LOW = "bulk-a.water", "bulk-a.temperature-high", "bulk-a.low"
REAL = "bulk-b.water"
SWAPPED = f"swapped-pair:{WATER}@bms={TEMPERATURE}"
HELD = "bulk-a.high-high"


def told_of(outcome: Outcome) -> list[tuple[bool, str]]:
    """(gone, the alarm that was tested) of each pause."""
    events = outcome.judged.reader.events("unexplained")
    return [(bool(event.data["gone"]), str(event.data["alarm"])) for event in events]


def verdicts_of(outcome: Outcome, alarm: str) -> set[Verdict]:
    return {result.verdict for result in outcome.judged.judgement.results if result.alarm == alarm}


def test_a_swapped_pair_goes_with_its_alarm_and_the_run_goes_on(tmp_path: Path) -> None:
    outcome = run_scene(tmp_path, Scene(only=(WATER, TEMPERATURE, LOW), defects=(SWAPPED,)))
    assert (outcome.why, outcome.active) == ("", ())
    assert [told for told in told_of(outcome) if told == (True, WATER)], "the first of the two has nothing beside it"
    assert all(gone for gone, _ in told_of(outcome))
    assert Verdict.CROSSED in verdicts_of(outcome, WATER)
    assert Verdict.CROSSED in verdicts_of(outcome, TEMPERATURE)
    assert verdicts_of(outcome, LOW) == {Verdict.ON_TIME}, "the run went on"
    assert any(f"went when {WATER} was cleared: it was ours, in the wrong place" in it for it in outcome.view.troubles)
    assert outcome.judged.exit_code is ExitCode.FAILED
    outcome.judged.reader.close()


def test_a_real_alarm_while_one_is_raised_stops_the_run_with_everything_cleared(tmp_path: Path) -> None:
    """Water comes into tank B while a simulated alarm of tank A is held: the sensor trips, and stays."""
    tripped_after_s = 2.0

    async def leak(during: During) -> None:
        await during.raised(HELD)
        await asyncio.sleep(tripped_after_s)
        during.sim.plant.tanks["bulk-b"].water_mm = 80.0
        await during.raised(REAL)
        began = asyncio.get_running_loop().time()
        await during.sim.until(lambda: not during.is_active(HELD))
        took_s.append(asyncio.get_running_loop().time() - began)

    took_s: list[float] = []
    outcome = run_scene(tmp_path, Scene(only=(HELD, LOW), changes=(LONG,)), leak)
    assert took_s[0] <= HOLD_MAX_NS / NS_PER_S + 1.5, "or it would be held for 50 s"
    assert outcome.active == (REAL,), "what farend raised is cleared, and the real one is untouched"
    assert outcome.view.raised == [HELD], "nothing more is raised"
    first, *_, last = outcome.view.urgent_texts
    assert REAL in first
    assert f"nothing that was raised explains it. {HELD} is cleared soon" in first
    assert last == outcome.why
    assert last.startswith("STOPPED: ")
    assert f"({REAL}), " in last
    assert f"it is still on with {HELD} cleared: TAKE IT FOR REAL. Nothing more is raised" in last
    assert told_of(outcome) == [(False, HELD)]
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED, "a point that was off is on"
    (left,) = outcome.judged.reader.events("as-left")
    assert left.data["not_cleared"] == []
    outcome.judged.reader.close()


def test_a_real_alarm_between_two_alarms_stops_before_the_next_one(tmp_path: Path) -> None:
    async def leak(during: During) -> None:
        await during.raised(LOW)
        await during.sim.until(lambda: not during.is_active(LOW))
        during.sim.plant.tanks["bulk-b"].water_mm = 80.0

    outcome = run_scene(tmp_path, Scene(only=(LOW, WATER, TEMPERATURE)), leak)
    assert outcome.why.startswith("STOPPED: ")
    assert "TAKE IT FOR REAL" in outcome.why
    assert WATER not in {event.data["alarm"] for event in outcome.judged.reader.events(STEP_EVENT)}
    assert outcome.active == (REAL,)
    outcome.judged.reader.close()


def test_a_stray_that_goes_by_itself_pauses_and_the_run_goes_on(tmp_path: Path) -> None:
    """Somebody else tries an alarm at the panel meanwhile, and takes it back."""

    async def stray(during: During) -> None:
        await during.raised(LOW)
        await during.sim.until(lambda: not during.is_active(LOW))
        during.sim.command(REAL, Action.RAISE)
        await during.raised(REAL)
        await asyncio.sleep(3)
        during.sim.command(REAL, Action.CLEAR)
        during.sim.command(REAL, Action.ACKNOWLEDGE)

    outcome = run_scene(tmp_path, Scene(only=(LOW, WATER)), stray)
    assert outcome.why == ""
    assert [gone for gone, _ in told_of(outcome)] == [True]
    assert {LOW, WATER} == set(outcome.view.raised)
    assert Verdict.STRAY in set(outcome.judged.verdicts())
    assert outcome.judged.exit_code is ExitCode.FAILED
    outcome.judged.reader.close()


def test_what_stands_and_is_known_pauses_nothing(tmp_path: Path) -> None:
    known = {REAL: "drained tomorrow, work order open"}
    outcome = run_scene(tmp_path, Scene(only=(LOW,), raised_before=(REAL,), standing=known))
    assert outcome.why == ""
    assert told_of(outcome) == []
    assert outcome.view.urgent_texts == []
    outcome.judged.reader.close()


def test_the_same_alarm_coming_on_for_real_after_the_simulated_one_stops_the_run(tmp_path: Path) -> None:
    """It comes on just after the clear, where a late output would: that it stays tells it from one."""

    async def again(during: During) -> None:
        await during.raised(LOW)
        await during.sim.until(lambda: not during.is_active(LOW))
        await asyncio.sleep(0.6)
        during.sim.command(LOW, Action.RAISE)

    outcome = run_scene(tmp_path, Scene(only=(LOW, WATER)), again)
    assert outcome.active == (LOW,)
    assert outcome.why.startswith("STOPPED: ")
    assert f"({LOW})" in outcome.why
    assert outcome.view.raised == [LOW], "nothing more is raised beside it"
    outcome.judged.reader.close()


HELD_UP = Scene(only=(WATER,), raised_before=(WATER,), standing={WATER: "known"})
"""Its outputs are on already, so that a raise waits for them for 5 s."""


def test_what_comes_on_before_a_raise_puts_it_off_until_that_has_gone(tmp_path: Path) -> None:
    async def stray(during: During) -> None:
        await during.sim.until(lambda: during.view.times("outputs are normal") > 0)
        during.sim.command(REAL, Action.RAISE)
        await during.raised(REAL)
        await asyncio.sleep(3)
        during.sim.command(REAL, Action.CLEAR)
        during.sim.command(REAL, Action.ACKNOWLEDGE)

    outcome = run_scene(tmp_path, HELD_UP, stray)
    events = outcome.judged.reader.events()
    kinds = [event.kind for event in events if event.kind in ("interrupted", "unexplained", INTENT_EVENT)]
    assert kinds == ["interrupted", "unexplained", INTENT_EVENT], "it is raised only after that had gone"
    assert told_of(outcome) == [(True, "")]
    assert outcome.view.raised == [WATER, WATER]
    assert f"{WATER} is not raised before it has gone" in outcome.view.urgent_texts[0]
    outcome.judged.reader.close()


def test_what_comes_and_goes_before_every_raise_leaves_the_alarm_unraised(tmp_path: Path) -> None:
    async def flutter(during: During) -> None:
        for number in range(PUTS_OFF_MAX + 1):
            await during.sim.until(lambda number=number: during.view.times("outputs are normal") > number)  # type: ignore[misc]
            during.sim.command(REAL, Action.RAISE)
            await during.raised(REAL)
            await asyncio.sleep(1)
            during.sim.command(REAL, Action.CLEAR)
            during.sim.command(REAL, Action.ACKNOWLEDGE)

    outcome = run_scene(tmp_path, HELD_UP, flutter)
    assert outcome.judged.reader.events(INTENT_EVENT) == ()
    assert len(told_of(outcome)) == PUTS_OFF_MAX + 1
    assert any("again and again; find out why" in text for text in outcome.view.urgent_texts)
    assert outcome.judged.exit_code is not ExitCode.ALL_PASS
    outcome.judged.reader.close()


def test_the_same_alarm_coming_on_for_real_while_it_is_simulated_stops_the_run(tmp_path: Path) -> None:
    """Nothing tells the two apart before the simulated one is cleared; that it stays on then does."""

    async def leak(during: During) -> None:
        await during.raised(WATER)
        await asyncio.sleep(0.2)
        during.sim.plant.tanks["bulk-a"].water_mm = 80.0

    outcome = run_scene(tmp_path, Scene(only=(WATER, TEMPERATURE), links=("bms", "printer")), leak)
    assert outcome.active == (WATER,)
    assert outcome.view.raised == [WATER], "nothing more is raised beside it"
    told = f"{WATER} was cleared, and the controller still shows it (panel:10005): {TAKE_FOR_REAL}"
    assert outcome.why == f"STOPPED: {told}. Nothing more is raised"
    assert outcome.view.urgent_texts == [outcome.why], "once"
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    open_ones = [it for it in outcome.judged.judgement.results if it.verdict.verdict_class is not VerdictClass.PASS]
    assert {it.verdict for it in open_ones} == {Verdict.UNRESOLVED}, "the outputs are right to show it"
    assert {it.causes[0].code for it in open_ones} == {"still-active"}
    document = report_document([outcome.judged])
    log_book = " ".join(render_log_text(document).split())
    assert f"still shown after its clear: {WATER}: panel:10005: {TAKE_FOR_REAL}" in log_book
    assert STILL_NOTE in log_book
    assert f"{WATER} still shown after its clear: panel:10005: {TAKE_FOR_REAL}" in " ".join(
        render_text(document).split()
    )
    outcome.judged.reader.close()


def test_a_real_alarm_that_goes_before_its_time_is_over_stops_nothing(tmp_path: Path) -> None:
    async def splash(during: During) -> None:
        await during.raised(WATER)
        during.sim.plant.tanks["bulk-a"].water_mm = 80.0
        await asyncio.sleep(3)
        during.sim.plant.tanks["bulk-a"].water_mm = 0.0
        await asyncio.sleep(0.1)
        during.sim.command(WATER, Action.ACKNOWLEDGE)

    outcome = run_scene(tmp_path, Scene(only=(WATER, TEMPERATURE)), splash)
    assert outcome.why == ""
    assert outcome.view.raised == [WATER, TEMPERATURE]
    assert not outcome.judged.reader.events(STILL_SHOWN_EVENT)
    outcome.judged.reader.close()


def test_a_real_alarm_beside_two_that_are_raised_together_is_found_as_well(tmp_path: Path) -> None:
    """Of the two, the second one, which is not the one that the plan names first."""

    async def leak(during: During) -> None:
        await during.sim.until(lambda: during.is_active(LOW) and during.is_active(WATER))
        during.sim.plant.tanks["bulk-a"].water_mm = 80.0

    outcome = run_scene(tmp_path, Scene(only=(LOW, WATER), more={"together": True}), leak)
    assert outcome.active == (WATER,)
    assert f"{WATER} was cleared, and the controller still shows it (panel:10005)" in outcome.why
    (event,) = outcome.judged.reader.events(STILL_SHOWN_EVENT)
    assert event.data == {"alarm": WATER, "points": ["panel:10005"]}
    assert outcome.judged.reader.events(TOGETHER_EVENT), "while both were raised"
    outcome.judged.reader.close()


def test_a_real_alarm_is_told_as_well_where_the_run_is_broken_off(tmp_path: Path) -> None:
    """Ctrl-C while it is simulated: it is cleared, and nobody waits for what follows."""

    async def leak(during: During) -> None:
        await during.raised(WATER)
        during.sim.plant.tanks["bulk-a"].water_mm = 80.0
        await asyncio.sleep(1)
        during.stop()

    outcome = run_scene(tmp_path, Scene(only=(WATER, TEMPERATURE)), leak)
    told = f"{WATER} was cleared, and the controller still shows it (panel:10005): {TAKE_FOR_REAL}"
    assert outcome.view.urgent_texts == [told], "once"
    assert outcome.active == (WATER,)
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    outcome.judged.reader.close()
