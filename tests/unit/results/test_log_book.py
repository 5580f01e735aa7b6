"""The log book from a record: every simulated alarm once, with what became of it, whatever happened to the run."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.instants import Bounds
from harness.core.model import Step
from harness.record.corrections import CorrectionKind
from harness.record.header import HostClock
from harness.report.document import AttemptDocument
from harness.report.log_book import Ending, LogEntry, Remark
from harness.results import log_book
from harness.results.correcting import Wanted, correct_record
from harness.results.judging import judge_record
from harness.results.steps import INTENT_EVENT
from harness.studies.attempt import attempt_document
from tests.peers.records import MS, START_NS, RecordMaker, S


@pytest.fixture
def maker(tmp_path: Path) -> RecordMaker:
    return RecordMaker(tmp_path / "run.farend")


def attempt(path: Path) -> AttemptDocument:
    record = judge_record(path)
    try:
        return attempt_document(record)
    finally:
        record.reader.close()


def only(maker: RecordMaker) -> LogEntry:
    (entry,) = attempt(maker.close()).log.entries
    return entry


def at(seconds: float, width_ns: int = 20 * MS) -> Bounds:
    return Bounds(START_NS + int(seconds * S), START_NS + int(seconds * S) + width_ns)


def test_raised_acknowledged_cleared_and_what_comes_along(maker: RecordMaker) -> None:
    maker.step("0001", "a.high-high", Step.RAISE, 5)
    maker.step("0001", "a.high-high", Step.ACKNOWLEDGE, 8)
    maker.step("0001", "a.high-high", Step.CLEAR, 10)
    entry = only(maker)
    assert (entry.stimulus, entry.alarm, entry.along) == ("0001", "a.high-high", ("a.high",))
    assert [(it.step, it.at, it.how) for it in entry.steps] == [
        (Step.RAISE, at(5), "by hand"),
        (Step.ACKNOWLEDGE, at(8), "by hand"),
        (Step.CLEAR, at(10), "by hand"),
    ]
    assert (entry.ending, entry.ended) == (Ending.CLEARED, at(10))


def test_one_that_clears_by_itself(maker: RecordMaker) -> None:
    maker.step("0001", "b.leak", Step.RAISE, 5)
    entry = only(maker)
    assert entry.ending is Ending.BY_ITSELF
    assert entry.ended == Bounds(at(5).lo + 1900 * MS, at(5).hi + 2100 * MS)


def test_one_that_would_clear_only_after_the_record_ended_is_not_proven(maker: RecordMaker) -> None:
    maker.step("0001", "b.leak", Step.RAISE, 59)
    document = attempt(maker.close())
    assert document.log.entries[0].ending is Ending.NOT_PROVEN
    assert document.log.not_cleared == ("b.leak",)


def test_what_was_not_cleared_is_named(maker: RecordMaker) -> None:
    maker.step("0001", "a.high", Step.RAISE, 5)
    maker.step("0002", "a.low", Step.RAISE, 15)
    maker.step("0002", "a.low", Step.CLEAR, 20, proven=False)
    log = attempt(maker.close()).log
    assert [it.ending for it in log.entries] == [Ending.NOT_CLEARED, Ending.NOT_PROVEN]
    assert set(log.not_cleared) == {"a.high", "a.low"}


def test_a_clear_that_took_two_tries(maker: RecordMaker) -> None:
    maker.step("0001", "a.high", Step.RAISE, 5)
    maker.step("0001", "a.high", Step.CLEAR, 8, proven=False)
    maker.step("0001", "a.high", Step.CLEAR, 9)
    entry = only(maker)
    assert (entry.ending, entry.ended, len(entry.done(Step.CLEAR))) == (Ending.CLEARED, at(9), 2)


def test_a_run_that_was_cut_off_while_it_raised(maker: RecordMaker) -> None:
    maker.event(INTENT_EVENT, 5, stimulus="0001", alarm="a.high", how="written by farend")
    log = attempt(maker.close()).log
    assert log.entries[0].ending is Ending.NOT_CLEARED
    assert log.entries[0].remarks == ("the run was cut off while it was raised: it may stand in the history",)
    assert log.not_cleared == ("a.high",)


def test_stopped_skipped_not_possible_notes_retests_and_put_backs(maker: RecordMaker) -> None:
    maker.step("0001", "a.high", Step.RAISE, 5)
    maker.step("0001", "a.high", Step.CLEAR, 6)
    maker.event("stopped", 7, stimulus="0001")
    maker.event("put-back", 8, alarm="a.high", step="acknowledge", proven=False)
    maker.event("skipped", 10, alarm="a.low", reason="being filled", by="A. T.")
    maker.event("not-possible", 11, alarm="b.leak", reason="no access", by="A. T.")
    maker.event("note", 12, alarm="", text="it rains", by="A. T.")
    maker.event("retest", 13, alarm="a.high", reason="cable put right", by="A. T.")
    log = attempt(maker.close()).log
    assert log.entries[0].remarks == ("put back before it had been seen through",)
    assert [(it.kind, it.alarm, it.text, it.by) for it in log.remarks] == [
        (Remark.PUT_BACK, "a.high", "acknowledge, not proven", ""),
        (Remark.SKIPPED, "a.low", "being filled", "A. T."),
        (Remark.NOT_POSSIBLE, "b.leak", "no access", "A. T."),
        (Remark.NOTE, "", "it rains", "A. T."),
        (Remark.RETEST, "a.high", "cable put right", "A. T."),
    ]


def test_a_key_that_came_late_widens_its_step(maker: RecordMaker) -> None:
    maker.step("0001", "a.high", Step.RAISE, 5)
    maker.event("late", 6, stimulus="0001", alarm="a.high", step="raise", lo=at(4).lo, hi=at(5).lo)
    maker.step("0001", "a.high", Step.CLEAR, 10)
    assert only(maker).done(Step.RAISE)[0].at == Bounds(at(4).lo, at(5).hi)


def test_what_was_meant_and_surely_not_done_is_not_in_it(maker: RecordMaker) -> None:
    maker.event(INTENT_EVENT, 5, stimulus="0001", alarm="a.high", how="written by farend")
    maker.event("not-raised", 6, stimulus="0001", alarm="a.high")
    log = attempt(maker.close()).log
    assert (log.entries, log.not_cleared) == ((), ())


def test_what_came_on_by_itself_stopped_the_run_or_was_left_by_another(maker: RecordMaker) -> None:
    """Entries of the history at these times may be real."""
    maker.event("interrupted", 4, stimulus="0001", alarm="a.high", why="skipped", text="being filled")
    maker.event("interrupted", 5, stimulus="0001", alarm="a.high", why="dead-man", text="raised for 300 s")
    maker.event("unexplained", 6, points=["low"], names="low", alarm="a.high", gone=True)
    maker.event("unexplained", 7, points=["low"], names="low", alarm="", gone=False)
    maker.event("gate-stopped", 8, why="the review has expired")
    maker.event("cleared-left-open", 9, record="old.farend", stimulus="0003", alarm="b.leak", by="A.", proven=False)
    log = attempt(maker.close()).log
    assert [(it.kind.value, it.text) for it in log.remarks] == [
        ("interrupted", "raised for 300 s"),
        ("came on unexplained", "low, gone again"),
        ("came on unexplained", "low, STILL ON: taken for real"),
        ("stopped for safety", "the review has expired"),
        ("left raised by an earlier test", "stimulus 0003 of old.farend: NOT PROVEN to be cleared"),
    ]
    assert log.not_cleared == ("b.leak",)


def test_corrections_stand_beside_what_they_correct(maker: RecordMaker) -> None:
    maker.stimulus("0001", "a.high", 5, 10)
    path = maker.close()
    for kind, text in ((CorrectionKind.ALARM, "a.high-high"), (CorrectionKind.NOTE, "noisy")):
        correct_record(
            path,
            Wanted(kind=kind, stimulus="0001", text=text, reason="why", by="B.", at_utc_ns=0, utc_offset_s=0),
        )
    (entry,) = attempt(path).log.entries
    assert (entry.alarm, entry.recorded_alarm, entry.along) == ("a.high-high", "a.high", ("a.high",))
    assert entry.remarks == ("corrected (1): was a.high-high, recorded as a.high; why", "note: noisy (2; why)")


@pytest.mark.parametrize(
    ("host", "told"),
    [
        (HostClock(synchronised=True, error_ns=12 * MS, source="x"), "was synchronised; its own bound on its error"),
        (HostClock(synchronised=False, error_ns=None, source="x"), "was not synchronised: all times may be wrong by"),
        (HostClock(synchronised=None, error_ns=None, source="x"), "synchronised is not known"),
    ],
)
def test_how_far_the_times_can_be_trusted_is_said(host: HostClock, told: str) -> None:
    (line,) = log_book.clock_words(host, ())
    assert told in line
