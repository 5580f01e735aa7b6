"""What an earlier run left raised is cleared before anything is raised; or it is said that it could not be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.core.instants import NS_PER_S
from harness.core.verdicts import ExitCode, Verdict
from harness.results.left_open import LeftOpen
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT
from harness.results.steps import STEP_EVENT
from harness.run.clearing_left import ToClear
from tests.peers.safety_runs import Outcome, Scene, run_scene
from tests.peers.write_relay import CLEAR

ALARM, ALONG, NEXT = "bulk-a.high-high", "bulk-a.high", "bulk-a.water"
STARTED_UTC_NS = 1_795_564_267_482_113_007


def left(alarm: str = ALARM, stimulus: str = "0007") -> LeftOpen:
    return LeftOpen(
        record="earlier.farend",
        started_utc_ns=STARTED_UTC_NS,
        stimulus=stimulus,
        alarm=alarm,
        how="written by farend",
        raised_utc_ns=STARTED_UTC_NS + 60 * NS_PER_S,
        is_certain=True,
    )


def entered(outcome: Outcome) -> list[tuple[object, object, object]]:
    events = outcome.judged.reader.events(CLEARED_LEFT_OPEN_EVENT)
    return [(event.data["stimulus"], event.data["by"], event.data["proven"]) for event in events]


def test_it_is_cleared_with_what_it_brought_along_and_is_none_of_the_baseline(tmp_path: Path) -> None:
    scene = Scene(only=(NEXT,), raised_before=(ALARM,), to_clear=(ToClear(left=left()),))
    outcome = run_scene(tmp_path, scene)
    assert outcome.active == ()
    assert outcome.view.on == [], "its outputs had gone by then"
    assert entered(outcome) == [("0007", "written by farend", True)]
    assert outcome.judged.exit_code is ExitCode.ALL_PASS
    (found,) = outcome.judged.reader.events("as-found")
    assert found.data["on"] == []
    outcome.judged.reader.close()


def test_two_stimuli_of_one_alarm_are_cleared_once_and_both_are_entered(tmp_path: Path) -> None:
    clears = []

    def count(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        clears.extend([action] if action == CLEAR else [])
        return frame

    wanted = (ToClear(left=left()), ToClear(left=left(stimulus="0009")))
    outcome = run_scene(tmp_path, Scene(only=(NEXT,), raised_before=(ALARM,), to_clear=wanted, on_write=count))
    assert [it[0] for it in entered(outcome)] == ["0007", "0009"]
    assert len(clears) == 2, "one for what was left, one for the alarm that was tested"
    outcome.judged.reader.close()


def test_what_cannot_be_cleared_stops_the_run_before_anything_is_raised(tmp_path: Path) -> None:
    def lose_clears(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        return None if action == CLEAR else frame

    scene = Scene(
        only=(NEXT,),
        raised_before=(ALARM,),
        to_clear=(ToClear(left=left()),),
        on_write=lose_clears,
        clear_for_ns=3 * NS_PER_S,
    )
    outcome = run_scene(tmp_path, scene)
    assert outcome.active == (ALARM, ALONG)
    assert outcome.view.raised == []
    assert outcome.judged.reader.events(STEP_EVENT) == ()
    assert entered(outcome) == [("0007", "written by farend", False)]
    assert f"{ALARM}: CLEARING IS NOT PROVEN: no answer within 500 ms; trying again" in outcome.view.urgent_texts[0]
    assert any(text.startswith(f"{ALARM}: COULD NOT BE CLEARED: ") for text in outcome.view.urgent_texts)
    assert outcome.why.endswith("clear it at the controller. Nothing is raised")
    assert outcome.judged.left_open == (ALARM,)
    assert outcome.judged.exit_code is ExitCode.NOT_RESTORED
    assert set(outcome.judged.verdicts()) == {Verdict.NOT_RUN}
    outcome.judged.reader.close()


def test_what_a_person_confirmed_is_entered_by_name_and_not_written(tmp_path: Path) -> None:
    writes = []

    def count(action: int, frame: bytes, answer: Callable[[bytes], None]) -> bytes | None:
        writes.append(action)
        return frame

    wanted = (ToClear(left=left("renamed.meanwhile"), confirmed_by="Kim"),)
    outcome = run_scene(tmp_path, Scene(only=(NEXT,), to_clear=wanted, on_write=count))
    assert entered(outcome) == [("0007", "Kim", True)]
    assert writes == [1, 3, 4], "of the alarm that was tested alone"
    assert outcome.judged.exit_code is ExitCode.ALL_PASS
    outcome.judged.reader.close()
