"""What a record says of notices and inhibits, and what a ledger of later adds to it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.core.errors import RecordError
from harness.core.ledger import Act, Entry
from harness.core.verdicts import ExitCode
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from harness.results.judging import ENTRY_KEY, MAP_KEY, judge_record
from harness.results.ledger import AT_END, AT_START, LEDGER_EVENT, append, read_ledger
from harness.results.ledger_told import ledger_told
from harness.run.ledger_gate import KeptLedger
from tests.peers.sites import documents, site_of

NOW = time.time_ns() // 10**9 * 10**9
STATION = Entry(
    act=Act.NOTICE, name="station", by="Kim", at_utc_ns=NOW, entered_utc_ns=NOW, until_utc_ns=NOW + 3600 * 10**9
)
OVER = Entry(act=Act.RELEASE, name="station", by="Jo", at_utc_ns=NOW + 10**9, entered_utc_ns=NOW + 10**9)


def record(folder: Path, whens: Sequence[str], *entries: Entry) -> Path:
    """A record of a run with a ledger, in which nothing was raised."""
    path, ledger = folder / "run.farend", folder / "ashby.ledger"
    clock = time.monotonic_ns
    extra = {ENTRY_KEY: "site.yaml", MAP_KEY: ""}
    journal = RecordWriter.create(path, Header.now(clock, site="ashby", extra=extra), documents().files, clock)
    if whens:
        append(ledger, *entries)
        kept = KeptLedger.begin(read_ledger(ledger), site_of(), path, "Kim", (), time.time_ns)
        for when in whens:
            journal.event(LEDGER_EVENT, clock(), kept.told(when))
    journal.close()
    return path


def test_a_run_without_a_ledger_says_nothing(tmp_path: Path) -> None:
    path = record(tmp_path, ())
    with RecordReader.open(path) as reader:
        assert ledger_told(reader) is None
        assert ledger_told(reader, tmp_path / "none.ledger") is None


def test_the_last_word_of_the_record_counts(tmp_path: Path) -> None:
    path = record(tmp_path, (AT_START, AT_END), STATION)
    with RecordReader.open(path) as reader:
        told = ledger_told(reader)
    assert told is not None
    assert (told.file, told.problems, told.later, told.is_settled) == ("ashby.ledger", (), "", False)
    assert [it.name for it in told.state.open_notices] == ["station"]


def test_a_run_that_was_cut_off_does_not_know_what_became_of_it(tmp_path: Path) -> None:
    path = record(tmp_path, (AT_START,))
    with RecordReader.open(path) as reader:
        told = ledger_told(reader)
    assert told is not None
    assert told.problems == ("the run was cut off: what became of notices and inhibits is not recorded",)
    assert not told.is_settled
    with RecordReader.open(path) as reader:
        later = ledger_told(reader, tmp_path / "ashby.ledger")
    assert later is not None
    assert later.is_settled, "the ledger itself knows"


def test_a_ledger_of_later_says_what_was_closed_since(tmp_path: Path) -> None:
    path = record(tmp_path, (AT_START, AT_END), STATION)
    append(tmp_path / "ashby.ledger", OVER)
    judged = judge_record(path, ledger_file=tmp_path / "ashby.ledger")
    judged.reader.close()
    assert judged.ledger is not None
    assert judged.ledger.is_settled
    assert judged.is_settled
    assert judged.ledger.later.startswith("ashby.ledger (SHA-256 ")
    again = judge_record(path)
    again.reader.close()
    assert not again.is_settled, "the record itself is as it was"


def test_a_broken_ledger_of_later_settles_nothing(tmp_path: Path) -> None:
    path = record(tmp_path, (AT_START, AT_END), STATION)
    append(tmp_path / "ashby.ledger", OVER)
    with (tmp_path / "ashby.ledger").open("ab") as file:
        file.write(b"{")
    with RecordReader.open(path) as reader:
        told = ledger_told(reader, tmp_path / "ashby.ledger")
    assert told is not None
    assert not told.is_settled


def test_a_ledger_that_does_not_know_the_run_is_refused(tmp_path: Path) -> None:
    path = record(tmp_path, (AT_START, AT_END), STATION)
    append(tmp_path / "other.ledger", OVER)
    with (
        RecordReader.open(path) as reader,
        pytest.raises(RecordError, match=r"other\.ledger: has no entry of station, .* that was used, ashby\.ledger"),
    ):
        ledger_told(reader, tmp_path / "other.ledger")


def test_what_is_open_turns_no_fail_and_no_unknown_into_anything_else(tmp_path: Path) -> None:
    """Nothing was raised, so nothing is proven; that a notice is open besides does not hide it."""
    judged = judge_record(record(tmp_path, (AT_START, AT_END), STATION))
    assert judged.exit_code is ExitCode.UNKNOWN
    judged.reader.close()
