"""What earlier records leave to be tested: what failed, what is unknown, what was not reached; and why again."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.errors import UsageError
from harness.core.model import Step
from harness.results.earlier import Left, left_by
from harness.results.interrupting import Why
from harness.results.steps import INTENT_EVENT, STOPPED_EVENT, UNSENT_EVENT
from tests.peers.records import RecordMaker

ALARMS = ("a.high-high", "a.high", "a.low", "b.leak")
KEYS = {"a.high-high": "a.high-high@hh", "a.high": "a.high@high", "a.low": "a.low@low", "b.leak": "b.leak@leak"}


def keys(*alarms: str) -> frozenset[str]:
    return frozenset(KEYS[name] for name in alarms)


def day(folder: Path, name: str = "day1", *alarms: str) -> RecordMaker:
    made = RecordMaker(folder / f"{name}.farend")
    made.plan(*(alarms or ALARMS))
    return made


def test_without_earlier_records_everything_is_tested_and_needs_no_reason() -> None:
    assert left_by("ashby") == Left()


def test_only_what_failed_or_is_unknown_is_tested_again_and_says_why(tmp_path: Path) -> None:
    made = day(tmp_path)
    made.stimulus("0001", "a.high", 5, 10)
    made.stimulus("0002", "a.low", 20, 25, shows="")
    made.stimulus("0003", "a.high-high", 40, None)  # nobody cleared it
    path = made.close()
    assert left_by("ashby", failed=path) == Left(keys=keys("a.low"), retests={"a.low": "failed in day1.farend"})
    unknown = left_by("ashby", unknown=path)
    assert unknown.keys is not None
    assert KEYS["b.leak"] in unknown.keys, "it was planned and never raised"
    assert KEYS["a.high"] not in unknown.keys
    assert "b.leak" not in unknown.retests, "it is raised for the first time"
    both = left_by("ashby", failed=path, unknown=path, reason="a wire was put right")
    assert both.keys == keys("a.low") | unknown.keys
    assert set(both.retests.values()) == {"a wire was put right"}


def test_what_was_seen_through_is_done_and_the_rest_is_left(tmp_path: Path) -> None:
    made = day(tmp_path)
    made.stimulus("0001", "a.high", 5, 10)
    made.stimulus("0002", "a.low", 20, 25, shows="")
    left = left_by("ashby", resumed=[made.close()])
    assert left == Left(keys=keys("a.high-high", "b.leak"), retests={}, resumes=("day1.farend",))


def test_what_was_interrupted_is_offered_again_with_its_reason(tmp_path: Path) -> None:
    """Put back halfway, killed while it was raised, or cleared without proof: none of it was seen through."""
    made = day(tmp_path)
    made.stimulus("0001", "a.high", 5, 5.5, shows="")
    made.event(STOPPED_EVENT, 5.5, stimulus="0001")
    made.stimulus("0002", "a.low", 20, None)
    made.step("0002", "a.low", Step.CLEAR, 25, proven=False)
    made.stimulus("0003", "a.high-high", 40, None)
    path = made.close(why="killed")
    left = left_by("ashby", resumed=[path])
    assert left.keys == keys(*ALARMS)
    assert left.retests == dict.fromkeys(("a.high", "a.low", "a.high-high"), "interrupted in day1.farend")
    assert left_by("ashby", resumed=[path], reason="it rained").retests["a.low"] == "it rained"


def test_what_was_interrupted_and_has_its_result_is_done(tmp_path: Path) -> None:
    """It passed, or failed, which is tested again with --failed."""
    made = day(tmp_path)
    made.stimulus("0001", "a.high", 5, 10)
    made.event(STOPPED_EVENT, 10, stimulus="0001")
    made.stimulus("0002", "a.low", 20, 28, shows="")
    made.event(STOPPED_EVENT, 28, stimulus="0002")
    path = made.close()
    assert left_by("ashby", resumed=[path]).keys == keys("a.high-high", "b.leak")
    assert left_by("ashby", failed=path).keys == keys("a.low")


def test_an_alarm_that_clears_by_itself_was_seen_through(tmp_path: Path) -> None:
    made = day(tmp_path, "day1", "b.leak", "a.low")
    made.stimulus("0001", "b.leak", 5, 7)
    left = left_by("ashby", resumed=[made.close()])
    assert left.keys == keys("a.low")


def test_what_was_given_up_before_it_was_raised_is_raised_for_the_first_time(tmp_path: Path) -> None:
    made = day(tmp_path)
    made.event(INTENT_EVENT, 5, stimulus="0001", alarm="a.low", how="by hand")
    made.event(UNSENT_EVENT, 6, stimulus="0001", alarm="a.low")
    made.event(Why.SKIPPED.value, 6, alarm="a.low", reason="no access", by="by hand")
    left = left_by("ashby", resumed=[made.close()])
    assert left.keys == keys(*ALARMS)
    assert left.retests == {}


def test_what_cannot_be_raised_is_not_offered_again(tmp_path: Path) -> None:
    made = day(tmp_path)
    made.event(Why.NOT_POSSIBLE.value, 6, alarm="a.low", reason="nothing here can raise it", by="by hand")
    assert left_by("ashby", resumed=[made.close()]).keys == keys("a.high-high", "a.high", "b.leak")


def test_several_days_are_taken_together(tmp_path: Path) -> None:
    first = day(tmp_path)
    first.stimulus("0001", "a.high", 5, 10)
    first.stimulus("0002", "a.low", 20, 20.5, shows="")
    first.event(STOPPED_EVENT, 20.5, stimulus="0002")
    second = day(tmp_path, "day2", "a.low", "b.leak")
    second.stimulus("0001", "a.low", 5, 10)
    days = [first.close(), second.close()]
    left = left_by("ashby", resumed=days)
    assert left.keys == keys("a.high-high", "b.leak")
    assert left.retests == {}
    assert left.resumes == ("day1.farend", "day2.farend")


def test_where_nothing_is_left_it_is_said(tmp_path: Path) -> None:
    made = day(tmp_path, "day1", "a.low")
    made.stimulus("0001", "a.low", 5, 10)
    with pytest.raises(UsageError, match=r"--resume: every row of day1\.farend was tested; nothing is left"):
        left_by("ashby", resumed=[made.close()])


def test_a_record_of_another_site_is_refused(tmp_path: Path) -> None:
    path = day(tmp_path).close()
    for one in ({"failed": path}, {"unknown": path}, {"resumed": [path]}):
        with pytest.raises(UsageError, match="site=ashby: the record of another site; this site file is site=lodge"):
            left_by("lodge", **one)
