"""A retest in the same record: its result stands in the exit code, in the report, and for what is tested next."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.verdicts import ExitCode, Verdict
from harness.report.standing import standing_of
from harness.results.earlier import left_by
from harness.results.judging import judge_record
from harness.studies.attempt import report_document
from tests.peers.records import RecordMaker

RETEST = {"alarm": "a.high", "reason": "the cable was put right"}


@pytest.fixture
def maker(tmp_path: Path) -> RecordMaker:
    """a.high did not show."""
    maker = RecordMaker(tmp_path / "run.farend")
    maker.plan("a.high")
    maker.stimulus("0001", "a.high", 5, 15, shows="")
    return maker


def told(path: Path) -> tuple[ExitCode, Verdict | None, str, frozenset[str] | None]:
    """Exit code, what stands of the one planned row, why it was raised again, and what --failed would test."""
    record = judge_record(path)
    try:
        row = next(it for it in standing_of(report_document([record])).rows if it.expectation.key == "a.high@high")
        code = record.exit_code
    finally:
        record.reader.close()
    return code, row.verdict, row.retest, left_by("ashby", failed=path).keys


def test_the_newest_stands(maker: RecordMaker) -> None:
    maker.event("retest", 20, **RETEST)
    maker.stimulus("0002", "a.high", 30, 35)
    assert told(maker.close()) == (ExitCode.ALL_PASS, Verdict.ON_TIME, RETEST["reason"], frozenset())


def test_raised_again_without_a_retest_the_worst_stands(maker: RecordMaker) -> None:
    maker.stimulus("0002", "a.high", 30, 35)
    assert told(maker.close()) == (ExitCode.FAILED, Verdict.MISSED, "", frozenset({"a.high@high"}))


def test_a_retest_that_was_never_raised_leaves_the_fail(maker: RecordMaker) -> None:
    maker.event("retest", 20, **RETEST)
    code, verdict, _, keys = told(maker.close())
    assert (code, verdict, keys) == (ExitCode.FAILED, Verdict.MISSED, frozenset({"a.high@high"}))


def test_a_retest_of_another_alarm_leaves_it(maker: RecordMaker) -> None:
    maker.event("retest", 20, alarm="a.low", reason="x")
    maker.stimulus("0002", "a.high", 30, 35)
    assert told(maker.close())[:2] == (ExitCode.FAILED, Verdict.MISSED)


def test_a_retest_takes_the_place_of_one_raise_and_not_of_all_before_it(maker: RecordMaker) -> None:
    """Of a plan that is repeated, or of an alarm that is tested both ways: one asked for again excuses no other."""
    maker.stimulus("0002", "a.high", 20, 25, shows="")
    maker.event("retest", 30, **RETEST)
    maker.stimulus("0003", "a.high", 40, 45)
    assert told(maker.close())[:2] == (ExitCode.FAILED, Verdict.MISSED)


def test_each_retest_takes_the_place_of_one_more(maker: RecordMaker) -> None:
    maker.event("retest", 18, **RETEST)
    maker.stimulus("0002", "a.high", 20, 25, shows="")
    maker.event("retest", 30, **RETEST)
    maker.stimulus("0003", "a.high", 40, 45)
    assert told(maker.close())[:2] == (ExitCode.ALL_PASS, Verdict.ON_TIME)
