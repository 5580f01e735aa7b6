"""Histories as controllers export and print them, against a record: read as they are written, compared, told."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import openpyxl
import pytest

from harness.cli.history import command
from harness.core.errors import UsageError
from harness.core.history_format import HistoryFormat
from harness.core.instants import NS_PER_S
from harness.core.model import Step
from harness.measure.alarm_history import Found, Need
from harness.results.history import HistoryCompared, HistoryOptions, compare_history, simulated_of
from harness.results.judging import JudgedRecord, judge_record
from tests.peers.records import SITE, RecordMaker

LOCAL = datetime(2026, 11, 25, 0, 51, 7)  # noqa: DTZ001 - when the record began, by the site's local time, UTC+01:00
STEPS = (("a.low", 5, 10), ("a.high", 20, 25), ("a.high-high", 30, 35), ("b.leak", 45, 47))
TEXT = {"a.low": "A LOW", "a.high": "A HIGH", "a.high-high": "A HIGH HIGH", "b.leak": "B LEAK"}
FORM = HistoryFormat(
    columns={"alarm": "Point", "time": "Date", "event": "State"},
    time_format="%d/%m/%Y %H:%M:%S",
    raised=("ALM",),
    cleared=("RTN",),
    ignored=("USR",),
)


def stamps(ahead_s: float = 0, form: str = "%d/%m/%Y %H:%M:%S") -> list[tuple[str, str, str]]:
    """(time, text, event) of a healthy history by a clock that is ahead, in the order of its times."""
    found = []
    for alarm, raised, cleared in STEPS:
        for name in (alarm, "a.high") if alarm == "a.high-high" else (alarm,):
            for at, event in ((raised, "ALM"), (cleared, "RTN")):
                moment = LOCAL + timedelta(seconds=at + 0.6 + ahead_s)
                found.append((moment, TEXT[name], event))
    return [(f"{moment:{form}}", text, event) for moment, text, event in sorted(found, key=lambda it: it[0])]


def table(rows: list[tuple[str, str, str]]) -> str:
    return "Date;Point;State\n" + "".join(f"{';'.join(row)}\n" for row in rows)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    maker = RecordMaker(tmp_path / "run.farend", seconds=240)
    for number, (alarm, raised, cleared) in enumerate(STEPS, 1):
        maker.stimulus(f"{number:04d}", alarm, raised, None if alarm == "b.leak" else cleared)
    maker.line(5.3, "25-11 00:51:12 ON  A LOW")
    maker.line(10.3, "25-11 00:51:17 OFF A LOW")
    return maker.close()


@pytest.fixture
def record(path: Path) -> Iterator[JudgedRecord]:
    judged = judge_record(path)
    yield judged
    judged.reader.close()


def compared(record: JudgedRecord, name: str, data: str | bytes, **rest: object) -> HistoryCompared:
    file = record.path.with_name(name)
    file.write_bytes(data if isinstance(data, bytes) else data.encode())
    options = HistoryOptions(file=file, form=FORM)
    return compare_history(record, replace(options, **rest))  # type: ignore[arg-type]


def found(compared: HistoryCompared) -> list[tuple[str, str, Found]]:
    return [
        (one.stimulus, one.alarm, it.found)
        for one, it in zip(compared.simulated, compared.reconciled.simulated, strict=True)
    ]


ALL = [("0001", "a.low"), ("0002", "a.high"), ("0003", "a.high-high"), ("0003", "a.high"), ("0004", "b.leak")]
HEALTHY = [(*it, Found.MATCHED) for it in ALL]


@pytest.mark.parametrize("ahead_s", [0, 178, -178])
def test_an_exported_table(record: JudgedRecord, ahead_s: int) -> None:
    it = compared(record, "h.csv", table(stamps(ahead_s)))
    assert found(it) == HEALTHY
    assert it.is_certain
    assert ahead_s * NS_PER_S in it.reconciled.regimes[0].offset


def test_newest_first_with_other_words_and_other_days(record: JudgedRecord) -> None:
    rows = [("24/11/2026 08:00:00", "A LOW", "ALM"), *stamps(), ("25/11/2026 09:00:00", "login", "usr")]
    it = compared(record, "h.csv", table(rows[::-1]))
    assert it.is_certain
    assert [one.found for one in it.reconciled.entries].count(Found.OUTSIDE) == 1


def test_missing_twice_and_foreign(record: JudgedRecord) -> None:
    rows = stamps(178)
    del rows[0]
    it = compared(record, "h.csv", table([*rows, rows[1], ("25/11/2026 00:54:50", "PUMP TRIP", "ALM")]))
    assert [one for *_, one in found(it)] == [Found.MISSING, Found.TWICE, *[Found.MATCHED] * 3]
    assert Found.FOREIGN in {one.found for one in it.reconciled.entries}
    assert it.reconciled.differs


def test_a_workbook_with_a_row_for_each_alarm(record: JudgedRecord) -> None:
    """Raised and cleared stand in one row, as dates of the spreadsheet; alarms by their names."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Alarm", "In", "Out"])
    for alarm, raised, cleared in [*STEPS, ("a.high", 30, 35)]:
        begin, end = (LOCAL + timedelta(seconds=at, milliseconds=600) for at in (raised, cleared))
        sheet.append([alarm, begin.replace(microsecond=0), end.replace(microsecond=0)])
    data = io.BytesIO()
    book.save(data)
    form = HistoryFormat(columns={"time": "In", "cleared at": "Out"})
    it = compared(record, "h.xlsx", data.getvalue(), form=form)
    assert found(it) == HEALTHY
    assert it.is_certain
    assert it.reconciled.regimes[0].agreeing == 8


def test_date_and_time_in_two_columns(record: JudgedRecord) -> None:
    rows = [(*when.split(" "), text, event) for when, text, event in stamps()]
    data = "Date,Time,Alarm,Event\n" + "".join(f"{','.join(row)}\n" for row in rows)
    assert compared(record, "h.csv", data, form=replace(FORM, columns={})).is_certain


@pytest.mark.parametrize("day", [24, 26])
def test_the_date_of_its_clock_is_wrong(record: JudgedRecord, day: int) -> None:
    data = table(stamps()).replace("25/11/2026", f"{day}/11/2026")
    it = compared(record, "h.csv", data)
    assert {one for *_, one in found(it)} == {Found.UNTOLD}
    assert f"with its clock 23 h 59 min {'59' if day == 24 else '56'} s to 24 h" in it.reconciled.why_untold
    assert ("behind" if day == 24 else "ahead") in it.reconciled.why_untold
    assert not it.reconciled.differs
    wide = compared(record, "h.csv", data, form=replace(FORM, clock_within_ns=25 * 3600 * NS_PER_S))
    assert {one for *_, one in found(wide)} == {Found.UNTOLD}, "it may be the same test of another day"
    day_ns = (day - 25) * 86_400 * NS_PER_S
    assert compared(record, "h.csv", data, clock_off_ns=day_ns).is_certain


@pytest.mark.parametrize("day", ["24/11", "25/10", "25/12"])
def test_a_date_without_a_year_that_is_wrong(record: JudgedRecord, day: str) -> None:
    data = table(stamps()).replace("25/11/2026", day)
    it = compared(record, "h.csv", data, form=replace(FORM, time_format="%d/%m %H:%M:%S"))
    assert {one for *_, one in found(it)} == {Found.UNTOLD}
    assert "5 of 5 simulated alarms would be in the history" in it.reconciled.why_untold


def test_times_without_a_year_over_the_end_of_daylight_saving(tmp_path: Path) -> None:
    """At 03:00 of 2026-10-25 the site's clocks went back to 02:00; the record says its times in one offset."""
    maker = RecordMaker(tmp_path / "run.farend", seconds=120)
    lines = []
    for number in range(8):
        alarm = ("a.low", "a.high", "b.leak")[number % 3]
        maker.stimulus(f"{number:04d}", alarm, 5 + 14 * number, None if alarm == "b.leak" else 10 + 14 * number)
        back = timedelta(hours=1) if number >= 4 else timedelta()
        for at, word in ((5.6, "ALM"), (7.6 if alarm == "b.leak" else 10.6, "RTN")):
            lines.append((f"{LOCAL + timedelta(seconds=at + 14 * number) - back:%d/%m %H:%M:%S}", TEXT[alarm], word))
    record = judge_record(maker.close())
    try:
        it = compared(record, "h.csv", table(lines), form=replace(FORM, time_format="%d/%m %H:%M:%S"))
    finally:
        record.reader.close()
    assert it.is_certain
    assert [it.simulated[one.since].stimulus for one in it.reconciled.regimes] == ["0000", "0004"]
    assert -3600 * NS_PER_S in it.reconciled.regimes[1].offset


def test_a_controller_that_is_set_to_another_zone(record: JudgedRecord) -> None:
    data = table(stamps(-3600))
    assert not compared(record, "h.csv", data).is_certain
    assert compared(record, "h.csv", data, utc_offset_s=0).is_certain


def test_a_clock_that_somebody_read(record: JudgedRecord) -> None:
    data = table(stamps(7200))
    assert compared(record, "h.csv", data, clock_off_ns=7203 * NS_PER_S).is_certain
    mixed_up = compared(record, "h.csv", data, clock_off_ns=-7203 * NS_PER_S)
    assert not mixed_up.reconciled.differs
    assert mixed_up.reconciled.why_untold


def test_printed_lines_in_a_file(record: JudgedRecord) -> None:
    """By the patterns of the site's own link; what they do not read is said, and is no pass."""
    lines = [
        f"{when} {'ON ' if event == 'ALM' else 'OFF'} {text}" for when, text, event in stamps(60, "%d-%m %H:%M:%S")
    ]
    data = "\r\n".join(["ALARM HISTORY", "", *lines, "END\f"])
    it = compared(record, "h.txt", data)
    unread = [line for line in it.read.unread if "A LOW" not in line]
    assert it.read.unread[0] == "h.txt:1: ALARM HISTORY"
    assert len(unread) == len(it.read.unread) == 2 + len(lines) - 2  # only a.low has a row on that link
    assert [one for *_, one in found(it)] == [Found.MATCHED, *[Found.UNTOLD] * 4]
    doubted = it.reconciled.simulated[1]
    assert doubted.reason == "no entry of it: no pattern of link log reads it"
    assert not it.is_certain
    assert not it.reconciled.differs


def test_the_lines_of_the_record_itself(record: JudgedRecord) -> None:
    """What this printer does not print is left out, and said."""
    it = compare_history(record, HistoryOptions(form=HistoryFormat()))
    assert found(it) == [("0001", "a.low", Found.MATCHED)]
    assert it.left_out == ("a.high", "a.high-high", "b.leak")
    assert it.source == "lines of log in the record"
    assert it.is_certain


def test_a_line_that_was_lost_while_the_link_was_down_is_not_missing(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "run.farend", up=("bms",))
    maker.stimulus("0001", "a.low", 5, 10)
    record = judge_record(maker.close())
    try:
        it = compare_history(record, HistoryOptions(form=HistoryFormat()))
    finally:
        record.reader.close()
    assert found(it) == [("0001", "a.low", Found.UNTOLD)]
    assert it.reconciled.simulated[0].reason == "no entry of it: link log was not observed then"


def test_what_should_be_there(tmp_path: Path) -> None:
    """Unproven raises only may; what may have been up already only may; nothing that was surely not raised."""
    maker = RecordMaker(tmp_path / "run.farend")
    maker.step("0001", "a.low", Step.RAISE, 5, proven=False)
    maker.step("0001", "a.low", Step.CLEAR, 8)
    maker.step("0002", "a.high", Step.RAISE, 10)
    maker.step("0003", "a.high-high", Step.RAISE, 15)
    maker.step("0003", "a.high-high", Step.CLEAR, 20)
    maker.step("0002", "a.high", Step.CLEAR, 25)
    maker.event("intent", 40, stimulus="0004", alarm="b.leak", how="written by farend")
    record = judge_record(maker.close())
    try:
        told = {(it.stimulus, it.alarm): (it.need, it.is_timed) for it in simulated_of(record)}
    finally:
        record.reader.close()
    assert told == {
        ("0001", "a.low"): (Need.MAY, True),
        ("0002", "a.high"): (Need.MUST, True),
        ("0003", "a.high-high"): (Need.MUST, True),
        ("0003", "a.high"): (Need.MAY, False),
        ("0004", "b.leak"): (Need.MAY, False),
    }


@pytest.mark.parametrize(
    ("name", "data", "form", "message"),
    [
        ("h.csv", "Date;State\n1;2\n", FORM, "h.csv: alarm=Point: no such column"),
        ("h.csv", "A;B\n1;2\n", HistoryFormat(), "h.csv: no column for alarm; it has A, B; say which with --column"),
        ("h.csv", table([("1", "2", "OOPS")]), FORM, r"h.csv: event=OOPS \(h.csv:2\): not known; say which of them"),
        ("h.csv", table([("24.11.", "A LOW", "ALM")]), FORM, "h.csv:2: .*: no time of any entry can be read; say how"),
        ("h.xlsx", "not a workbook \x00", FORM, "expected an XLSX file"),
    ],
)
def test_what_cannot_be_read_says_what_to_do(
    record: JudgedRecord, name: str, data: str, form: HistoryFormat, message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        compared(record, name, data, form=form)


def test_whose_patterns(record: JudgedRecord, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--link nowhere: no such link; links of printed lines: log"):
        compared(record, "h.txt", "x", link="nowhere")
    with pytest.raises(UsageError, match="--link bms: is no link of printed lines"):
        compared(record, "h.txt", "x", link="bms")
    with pytest.raises(UsageError, match="cannot be read: No such file"):
        compare_history(record, HistoryOptions(file=tmp_path / "none.csv", form=FORM))


# --- the command --------------------------------------------------------------------------------------


def run(*args: object) -> int:
    code = command.main([str(it) for it in args], standalone_mode=False)
    assert isinstance(code, int)
    return code


COLUMNS = ("--column", "time=Date", "--column", "alarm=Point", "--column", "event=State")
WORDS = ("--raised", "ALM", "--cleared", "RTN", "--time-format", "%d/%m/%Y %H:%M:%S")


def test_the_command_tells_and_its_exit_code_says_it(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = path.with_name("h.csv")
    file.write_text(table(stamps(178)))
    assert run(path, file, *COLUMNS, *WORDS) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "its clock: 2 min 5" in told
    assert "5 matched; each simulated alarm is there once, and nothing else" in told
    file.write_text(table(stamps(178)[1:]))
    assert run(path, file, *COLUMNS, *WORDS, "--all") == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "FAIL missing from the history: 0001 a.low (A LOW), raised 2026-11-25 00:51:12.4 to 12.6" in told
    assert "ok matched: 0002 a.high (A HIGH)" in told
    file.write_text(table(stamps(178)).replace("25/11", "26/11"))
    assert run(path, file, *COLUMNS, *WORDS, "--json") == 3
    document = json.loads(capsys.readouterr().out)
    assert document["is_certain"] is document["differs"] is False
    assert {it["found"] for it in document["simulated"]} == {"cannot be told"}


def test_a_history_that_does_not_reach_so_far_says_so(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = path.with_name("h.csv")
    for rows, told in ((stamps()[:6], "the history ends before it"), (stamps()[4:], "the history begins after it")):
        file.write_text(table(rows))
        assert run(path, file, *COLUMNS, *WORDS) == 1
        assert told in " ".join(capsys.readouterr().out.split())


def test_the_site_file_can_say_how_it_is_written(tmp_path: Path) -> None:
    text = SITE.replace(
        "alarms:\n",
        "alarm history: {columns: {time: Date, alarm: Point, event: State}, raised: ALM, cleared: RTN, "
        "time format: '%d/%m/%Y %H:%M:%S', clock within: 5 min}\nalarms:\n",
        1,
    )
    maker = RecordMaker(tmp_path / "run.farend", text=text, seconds=240)
    for number, (alarm, raised, cleared) in enumerate(STEPS, 1):
        maker.stimulus(f"{number:04d}", alarm, raised, None if alarm == "b.leak" else cleared)
    path = maker.close()
    file = tmp_path / "h.csv"
    file.write_text(table(stamps(178)))
    assert run(path, file) == 0
    assert run(path, file, "--clock-within", "1 min") == 3


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--column", "tiem=Date"), "--column tiem=Date: expected FIELD=NAME, such as time='Date and time'; did you"),
        (("--utc-offset", "1"), r"--utc-offset 1: expected hours and minutes, such as \+01:00"),
        (("--clock-off", "later"), "--clock-off later: "),
        (("--other-lines", "("), r"--other-lines \(: expected a regular expression"),
    ],
)
def test_options_that_do_not_fit(path: Path, options: tuple[str, str], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        run(path, *options)
