"""A record that compares more than once with how things were found: after each test of a program that drives it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.core.model import Step
from harness.core.verdicts import ExitCode
from harness.results.judging import judge_record
from harness.results.steps import AS_LEFT_EVENT, INTENT_EVENT
from harness.studies.attempt import attempt_document
from tests.peers.records import RecordMaker


@pytest.fixture
def maker(tmp_path: Path) -> RecordMaker:
    made = RecordMaker(tmp_path / "run.farend")
    made.plan("a.low")
    return made


def compared(maker: RecordMaker, seconds: float, *differs: str, not_cleared: tuple[str, ...] = ()) -> None:
    maker.event(AS_LEFT_EVENT, seconds, on=[*differs], differs=[*differs], not_cleared=[*not_cleared])


def raised(maker: RecordMaker, stimulus: str, at: float, cleared: float | None) -> None:
    maker.event(INTENT_EVENT, at - 0.1, stimulus=stimulus, alarm="a.low", how="written")
    maker.stimulus(stimulus, "a.low", at, cleared)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    is_changed: bool
    left_raised: tuple[str, ...]
    exit_code: ExitCode
    told: list[str]


def judged(maker: RecordMaker) -> Found:
    record = judge_record(maker.close())
    told = [f"{it.what}: {it.as_found}, {it.as_left}" for it in attempt_document(record).as_left or ()]
    found = Found(is_changed=record.is_changed, left_raised=record.left_raised, exit_code=record.exit_code, told=told)
    record.reader.close()
    return found


def test_all_as_it_was_every_time(maker: RecordMaker) -> None:
    for number, at in enumerate((2, 20, 40)):
        raised(maker, f"{number}", at, at + 5)
        compared(maker, at + 10)
    found = judged(maker)
    assert (found.is_changed, found.left_raised, found.told) == (False, (), [])
    assert found.exit_code is ExitCode.ALL_PASS


def test_what_differed_once_stays_said_though_it_was_put_right_later(maker: RecordMaker) -> None:
    raised(maker, "0", 2, 7)
    compared(maker, 12, "leak")
    raised(maker, "1", 20, 25)
    compared(maker, 30, "leak", "high")
    compared(maker, 40)
    found = judged(maker)
    assert found.told == ["leak: off, on", "high: off, on"], "each once"
    assert (found.is_changed, found.exit_code) == (True, ExitCode.NOT_RESTORED)


@pytest.mark.parametrize("at", [20.0, 45.0])
def test_what_was_raised_after_the_last_comparison_and_never_cleared_is_left_raised(
    maker: RecordMaker, at: float
) -> None:
    """A comparison before it says nothing of it: whoever was killed then could not compare any more."""
    raised(maker, "0", 2, 7)
    compared(maker, 12)
    raised(maker, "1", at, None)
    found = judged(maker)
    assert found.left_raised == ("a.low",)
    assert found.told == ["alarm a.low: not raised, raised; clearing is not proven"]
    assert (found.is_changed, found.exit_code) == (True, ExitCode.NOT_RESTORED)


def test_what_could_not_be_cleared_is_said_by_the_comparison_alone(maker: RecordMaker) -> None:
    raised(maker, "0", 2, None)
    maker.step("0", "a.low", Step.CLEAR, 10, proven=False)
    compared(maker, 12, not_cleared=("a.low",))
    found = judged(maker)
    assert (found.left_raised, found.is_changed) == ((), True)
    assert found.told == ["alarm a.low: not raised, raised; clearing is not proven"]
