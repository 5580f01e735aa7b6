"""Corrections: appended with a reason, applied when judged, and what was recorded stays and is told."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from harness.core.errors import RecordError, UsageError
from harness.core.verdicts import ExitCode, Verdict
from harness.record.corrections import CorrectionKind, corrections_of
from harness.record.reader import RecordReader
from harness.report.document import AttemptDocument
from harness.report.html import render_html
from harness.report.json_ import render_json
from harness.report.text import render_text
from harness.results.correcting import Wanted, correct_record
from harness.results.judging import JudgedRecord, judge_record
from harness.studies.attempt import attempt_document, report_document
from tests.peers.records import RecordMaker

NOW = {"at_utc_ns": 1_795_650_000_000_000_000, "utc_offset_s": 3600}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """a.high was raised twice; the first time a.low showed, which was planned too."""
    maker = RecordMaker(tmp_path / "run.farend")
    maker.plan("a.high", "a.low", links=("bms", "door"))
    maker.stimulus("0001", "a.high", 5, 10, shows="a.low")
    maker.stimulus("0002", "a.high", 20, 25)
    maker.said(1, "common", 5.5, on=True)
    maker.said(2, "common", 10.5, on=False)
    return maker.close()


def correct(path: Path, kind: CorrectionKind, **rest: Any) -> int:
    told = {"reason": "the wrong key was pressed", "by": "B. Lead", **NOW, **rest}
    return correct_record(path, Wanted(kind=kind, **told)).number


@contextmanager
def judged(path: Path) -> Iterator[JudgedRecord]:
    record = judge_record(path)
    try:
        yield record
    finally:
        record.reader.close()


def verdicts(path: Path) -> dict[tuple[str, str], Verdict]:
    with judged(path) as record:
        return {(it.stimulus, it.point): it.verdict for it in record.judgement.results}


def attempt(path: Path) -> AttemptDocument:
    with judged(path) as record:
        return attempt_document(record)


def rendered(path: Path) -> str:
    with judged(path) as record:
        document = report_document([record])
        return render_json(document) + render_text(document) + render_html(document)


def test_as_recorded(path: Path) -> None:
    assert verdicts(path) == {("0001", "high"): Verdict.CROSSED, ("0002", "high"): Verdict.ON_TIME}
    assert attempt(path).changed == ()


def test_another_alarm_than_said(path: Path) -> None:
    """What was crossed is the other alarm's own pass; it says on what it rests, and what it was."""
    correct(path, CorrectionKind.ALARM, stimulus="0001", text="a.low")
    assert verdicts(path) == {
        ("0001", "low"): Verdict.ON_TIME,
        ("0001", "lamp"): Verdict.ON_TIME,
        ("0002", "high"): Verdict.ON_TIME,
    }
    with judged(path) as record:
        rests = {it.point: it.assumptions[-1:] for it in record.judgement.results if it.stimulus == "0001"}
    told = "rests on correction 1: stimulus 0001 (a.high) was a.low, recorded as a.high"
    assert rests == {"low": (told,), "lamp": (told,)}
    changed = {(it.expectation, it.stimulus): (it.recorded, it.corrected) for it in attempt(path).changed}
    assert changed[("a.high@high", "0001")] == (Verdict.CROSSED, None)
    assert changed[("a.low@low", "0001")] == (None, Verdict.ON_TIME)


def test_an_alarm_that_was_not_planned_is_judged_where_the_run_listened(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend")
    maker.plan("a.high")
    maker.stimulus("0001", "a.high", 5, 10, shows="a.low")
    path = maker.close()
    correct(path, CorrectionKind.ALARM, stimulus="0001", text="a.low")
    assert verdicts(path) == {("0001", "low"): Verdict.ON_TIME}
    with judged(path) as record:
        assert record.exit_code is ExitCode.UNKNOWN  # a.high was planned, and has not been raised any more


def test_a_voided_stimulus_is_not_judged_and_what_only_it_tested_is_unknown(path: Path) -> None:
    correct(path, CorrectionKind.VOID, stimulus="0002")
    assert verdicts(path) == {("0001", "high"): Verdict.CROSSED}
    correct(path, CorrectionKind.VOID, stimulus="0001")
    assert verdicts(path) == {}
    with judged(path) as record:
        assert {it.point for it in record.judgement.strays} == {"low", "lamp"}  # what it showed is not explained away
        assert Verdict.NOT_RUN in set(record.verdicts())
        assert record.exit_code is ExitCode.FAILED


def test_void_leaves_no_pass_behind(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend")
    maker.plan("a.high")
    maker.stimulus("0001", "a.high", 5, 10)
    path = maker.close()
    with judged(path) as record:
        assert record.exit_code is ExitCode.ALL_PASS
    correct(path, CorrectionKind.VOID, stimulus="0001")
    with judged(path) as record:
        assert record.exit_code is ExitCode.UNKNOWN
        assert record.judgement.strays == ()


def test_a_report_that_is_taken_back_is_no_evidence(path: Path) -> None:
    correct(path, CorrectionKind.ALARM, stimulus="0001", text="a.low")
    correct(path, CorrectionKind.TAKE_BACK, link="door", report=1)
    found = verdicts(path)
    assert found[("0001", "lamp")].verdict_class.value == "unknown"
    assert found[("0001", "low")] is Verdict.ON_TIME
    assert "report 1 on link door" in attempt(path).corrections[1].about


def test_a_name_and_notes_change_no_result(path: Path) -> None:
    before = verdicts(path)
    correct(path, CorrectionKind.WHO, text="C. Right")
    correct(path, CorrectionKind.NOTE, stimulus="0001", text="the pump was noisy")
    correct(path, CorrectionKind.NOTE, text="rain")
    told = attempt(path)
    assert verdicts(path) == before
    assert (told.who, told.recorded_who, told.changed) == ("C. Right", "A. Technician", ())
    assert [it.about for it in told.corrections] == ["who tested", "stimulus 0001 (a.high)", "the record"]


def test_a_correction_can_be_withdrawn_and_the_withdrawal_too(path: Path) -> None:
    before = verdicts(path)
    correct(path, CorrectionKind.VOID, stimulus="0001")
    second = correct(path, CorrectionKind.WITHDRAW, withdraws=1)
    assert verdicts(path) == before
    assert [it.is_in_force for it in attempt(path).corrections] == [False, True]
    correct(path, CorrectionKind.WITHDRAW, withdraws=second)
    assert [it.is_in_force for it in attempt(path).corrections] == [True, False, True]
    assert ("0001", "high") not in verdicts(path)


@pytest.mark.parametrize(
    ("kind", "rest", "message"),
    [
        (CorrectionKind.VOID, {"stimulus": "0003"}, "--stimulus 0003: no such stimulus in run.farend; did you mean"),
        (CorrectionKind.ALARM, {"stimulus": "0001", "text": "a.hgh"}, "--alarm a.hgh: no such alarm in the record's"),
        (CorrectionKind.ALARM, {"stimulus": "0001", "text": "a.high"}, "is recorded as that alarm already"),
        (CorrectionKind.WITHDRAW, {"withdraws": 1}, "--withdraw 1: no such correction; in force in this record: none"),
        (CorrectionKind.TAKE_BACK, {"link": "bms", "report": 1}, "link=bms is no person who watches; expected one of"),
        (CorrectionKind.TAKE_BACK, {"link": "door", "report": 9}, "the newest of this link are 1 .common on., 2 .comm"),
    ],
)
def test_what_does_not_fit_is_refused_and_changes_nothing(
    path: Path, kind: CorrectionKind, rest: dict[str, Any], message: str
) -> None:
    before = path.read_bytes()
    with pytest.raises(UsageError, match=message):
        correct(path, kind, **rest)
    assert path.read_bytes() == before
    assert [it.name for it in path.parent.iterdir()] == ["run.farend"]


def test_judged_again_it_gives_the_same_bytes(path: Path, tmp_path: Path) -> None:
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    correct(path, CorrectionKind.ALARM, stimulus="0001", text="a.low")
    correct(path, CorrectionKind.VOID, stimulus="0002")
    told = rendered(path)
    assert told == rendered(path)
    moved = tmp_path / "elsewhere" / "run.farend"
    moved.parent.mkdir()
    moved.write_bytes(path.read_bytes())
    moved.chmod(0o444)
    assert told == rendered(moved)
    assert attempt(path).corrections[0].before_sha256 == digest
    assert "the wrong key was pressed" in told


def test_what_was_recorded_is_still_there_and_the_chain_goes_on(path: Path) -> None:
    with RecordReader.open(path) as reader:
        before, last_ns = reader.events(), reader.last_ns
    correct(path, CorrectionKind.VOID, stimulus="0001")
    with RecordReader.open(path) as reader:
        assert reader.events()[:-1] == before
        assert reader.last_ns == last_ns  # a correction observes nothing
        assert reader.closed_cleanly
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER entry_update")
    connection.execute(
        "UPDATE entry SET data = CAST(replace(data, 'B. Lead', 'D. Other') AS BLOB) WHERE word = 'correction'"
    )
    connection.commit()
    connection.close()
    with pytest.raises(RecordError, match="does not fit to what was written before it"):
        RecordReader.open(path)


def test_a_record_of_the_version_before_is_read_and_corrected(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 2")
    connection.close()
    before = verdicts(path)
    correct(path, CorrectionKind.NOTE, text="an old record")
    assert verdicts(path) == before
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (3,)  # no reader may pass over the correction
    connection.close()


def test_a_running_test_cannot_be_corrected(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend")
    maker.stimulus("0001", "a.high", 5, 10)
    maker.writer.flush()
    with pytest.raises(RecordError, match="is being written by a run, or corrected by somebody else"):
        correct(tmp_path / "run.farend", CorrectionKind.VOID, stimulus="0001")
    path = maker.close()
    with RecordReader.open(path) as reader:
        assert corrections_of(reader.events()) == ()
    correct(path, CorrectionKind.VOID, stimulus="0001")


def test_two_who_correct_at_once_do_not_mix(path: Path) -> None:
    held = sqlite3.connect(path, isolation_level=None)
    held.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="corrected by somebody else"):
        correct(path, CorrectionKind.NOTE, text="x")
    held.execute("ROLLBACK")
    held.close()
    correct(path, CorrectionKind.NOTE, text="x")


def _killed(path: Path) -> None:
    maker = RecordMaker(path)
    maker.plan("a.high")
    maker.stimulus("0001", "a.high", 5, 10)
    maker.polls()
    maker.writer.flush()
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_record_that_was_cut_off_is_corrected_too(tmp_path: Path) -> None:
    path = tmp_path / "run.farend"
    child = multiprocessing.get_context("spawn").Process(target=_killed, args=(path,))
    child.start()
    child.join()
    assert child.exitcode == -signal.SIGKILL
    assert path.with_name("run.farend-wal").stat().st_size > 0
    before = verdicts(path)
    assert before == {("0001", "high"): Verdict.ON_TIME}
    correct(path, CorrectionKind.NOTE, stimulus="0001", text="the computer was switched off")
    assert [it.name for it in tmp_path.iterdir()] == ["run.farend"]
    assert verdicts(path) == before
    told = attempt(path)
    assert told.corrections[0].before_sha256 == ""  # it lay in two files
    assert told.interrupted
    correct(path, CorrectionKind.VOID, stimulus="0001")
    assert verdicts(path) == {}
