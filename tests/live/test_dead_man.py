"""The dead-man limit: an alarm is cleared when it has been raised for as long as it may be, and whatever comes then."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

from harness.core.instants import NS_PER_S
from harness.core.model import Step
from harness.core.verdicts import ExitCode, Verdict
from harness.results.steps import STEP_EVENT, StepDone
from tests.peers.raised_runs import LONG
from tests.peers.safety_runs import During, Outcome, Scene, run_scene

ALARM = "bulk-a.high-high"
NEXT = "bulk-a.water"
LIMIT_S = 4
HELD = Scene(only=(ALARM, NEXT), changes=(LONG,), raised_at_most_s=LIMIT_S)
"""bulk-a.high-high would be held for 50 s."""


def raised_for_s(outcome: Outcome) -> float:
    """By the record: from the raise until the first proven clear."""
    steps = [StepDone.from_data(event.data) for event in outcome.judged.reader.events(STEP_EVENT)]
    raised = next(it.at.hi for it in steps if it.step is Step.RAISE)
    cleared = next(it.at.hi for it in steps if it.step is Step.CLEAR and it.proven)
    return (cleared - raised) / NS_PER_S


def verdicts_of(outcome: Outcome, alarm: str) -> set[Verdict]:
    return {result.verdict for result in outcome.judged.judgement.results if result.alarm == alarm}


def test_at_the_limit_it_is_cleared_and_the_run_goes_on(tmp_path: Path) -> None:
    outcome = run_scene(tmp_path, HELD)
    assert outcome.active == ()
    assert LIMIT_S - 1 <= raised_for_s(outcome) <= LIMIT_S + 1
    assert outcome.view.urgent_texts == [f"{ALARM}: raised for {LIMIT_S} s, the longest that it may be: it is cleared"]
    (event,) = outcome.judged.reader.events("interrupted")
    assert (event.data["why"], event.data["alarm"]) == ("dead-man", ALARM)
    assert Verdict.UNRESOLVED in verdicts_of(outcome, ALARM), "what had to be visible for 50 s was not held so long"
    assert verdicts_of(outcome, NEXT) == {Verdict.ON_TIME}
    assert (outcome.why, outcome.judged.exit_code) == ("", ExitCode.UNKNOWN)
    outcome.judged.reader.close()


def test_a_link_that_is_lost_over_the_limit_and_comes_back(tmp_path: Path) -> None:
    lost_s = LIMIT_S + 6

    async def lose(during: During) -> None:
        await during.raised(ALARM)
        await asyncio.sleep(1)
        during.relay.cut()
        await asyncio.sleep(lost_s - 1)
        assert during.is_active(ALARM), "nobody could reach the controller"
        during.relay.mend()

    outcome = run_scene(tmp_path, HELD, lose)
    assert outcome.active == ()
    assert lost_s <= raised_for_s(outcome) <= lost_s + 3
    told = outcome.view.urgent_texts
    assert any(f"{ALARM}: CLEARING IS NOT PROVEN: " in text and "trying again until it is" in text for text in told)
    assert f"{ALARM}: cleared now" in told
    assert outcome.view.raised == [ALARM, NEXT]
    assert verdicts_of(outcome, NEXT) == {Verdict.ON_TIME}
    assert outcome.judged.exit_code is ExitCode.UNKNOWN
    outcome.judged.reader.close()


def test_a_link_that_never_comes_back_is_said_and_nothing_more_is_raised(tmp_path: Path) -> None:
    async def lose(during: During) -> None:
        await during.raised(ALARM)
        await asyncio.sleep(1)
        during.relay.cut()

    outcome = run_scene(tmp_path, replace(HELD, clear_for_ns=10 * NS_PER_S), lose)
    assert ALARM in outcome.active
    assert outcome.view.raised == [ALARM], "nothing more is raised"
    assert f"{ALARM}: COULD NOT BE CLEARED: clear it at the controller" in outcome.view.urgent_texts
    assert f"{ALARM}: may still be raised and cannot be cleared, so nothing more is raised" in outcome.why
    (left,) = outcome.judged.reader.events("as-left")
    assert left.data["not_cleared"] == [ALARM]
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    outcome.judged.reader.close()


def test_arming_holds_off_before_the_first_raise_and_before_an_alarm_with_a_time_of_its_own(tmp_path: Path) -> None:
    own = ("    text: BULK A WATER\n", "    text: BULK A WATER\n    hold off: 7 s\n")
    held_off = ("  hold off: 0 s", "  hold off: 3 s")
    outcome = run_scene(tmp_path, Scene(only=("bulk-a.low", "bulk-a.low-low", NEXT), changes=(own, held_off)))
    view = outcome.view
    assert view.troubles == [
        "armed: bulk-a.low is raised in 3 s; Ctrl-C stops",
        "bulk-a.water is raised in 7 s; Ctrl-C stops",
    ]
    counted = [text for _, text in view.phases if "armed: bulk-a.low is raised in" in text]
    assert counted == [f"armed: bulk-a.low is raised in {left} s; Ctrl-C stops" for left in (3, 2, 1)]
    raised = [at for at, text in view.phases if text == "raised; waiting for its outputs"]
    assert raised[0] - view.when("armed: bulk-a.low is raised in 3 s") >= 3
    assert raised[2] - view.when("bulk-a.water is raised in 7 s") >= 7
    assert outcome.judged.exit_code is ExitCode.ALL_PASS
    outcome.judged.reader.close()
