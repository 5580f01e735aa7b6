"""What earlier records say of alarms that may still be raised; in records that were closed, cut off, damaged."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from harness.core.errors import SafetyError
from harness.core.instants import Bounds
from harness.core.model import Step
from harness.record.corrections import CORRECTION_EVENT, Correction, CorrectionKind
from harness.record.found import Event
from harness.record.header import WATCH, Header
from harness.record.writer import RecordWriter
from harness.results.left_open import ENDS_LATER_NS, RECORDS_MAX, LeftOpen, look_for_left_open
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT, open_stimuli
from harness.results.steps import AS_LEFT_EVENT, INTENT_EVENT, STEP_EVENT, StepDone
from tests.peers.records import START_NS, STARTED_UTC_NS, RecordMaker, S

NOW_UTC_NS = STARTED_UTC_NS + 100 * S
LATER_UTC_NS = STARTED_UTC_NS + 1_000 * S


def intent(stimulus: str, alarm: str, at_ns: int = 10) -> Event:
    return Event(kind=INTENT_EVENT, at_ns=at_ns, data={"stimulus": stimulus, "alarm": alarm, "how": "written"})


def step(stimulus: str, alarm: str, which: Step, at_ns: int, *, proven: bool = True, is_sent: bool = True) -> Event:
    done = StepDone(
        stimulus=stimulus, alarm=alarm, step=which, at=Bounds(at_ns, at_ns + 1), proven=proven, how="written",
        is_sent=is_sent,
    )  # fmt: skip
    return Event(kind=STEP_EVENT, at_ns=at_ns + 1, data=done.to_data())


def compared(at_ns: int, *not_cleared: str) -> Event:
    return Event(kind=AS_LEFT_EVENT, at_ns=at_ns, data={"on": [], "differs": [], "not_cleared": list(not_cleared)})


OPEN: dict[str, tuple[list[Event], list[tuple[str, bool]]]] = {
    "only intended": ([intent("1", "a")], [("1", False)]),
    "raised": ([intent("1", "a"), step("1", "a", Step.RAISE, 20)], [("1", True)]),
    "raised without an answer": ([intent("1", "a"), step("1", "a", Step.RAISE, 20, proven=False)], [("1", False)]),
    "surely not raised": (
        [intent("1", "a"), step("1", "a", Step.RAISE, 20, proven=False, is_sent=False)], []
    ),
    "cleared": ([step("1", "a", Step.RAISE, 20), step("1", "a", Step.CLEAR, 30)], []),
    "a clear without an answer": (
        [step("1", "a", Step.RAISE, 20), step("1", "a", Step.CLEAR, 30, proven=False)], [("1", True)]
    ),
    "cleared at the second try": (
        [step("1", "a", Step.RAISE, 20), step("1", "a", Step.CLEAR, 30, proven=False), step("1", "a", Step.CLEAR, 40)],
        [],
    ),
    "acknowledged only": ([step("1", "a", Step.RAISE, 20), step("1", "a", Step.ACKNOWLEDGE, 30)], [("1", True)]),
    "raised again after its clear": (
        [step("1", "a", Step.RAISE, 20), step("1", "a", Step.CLEAR, 30), step("2", "a", Step.RAISE, 40)], [("2", True)]
    ),
    "the clear of another alarm": (
        [step("1", "a", Step.RAISE, 20), step("2", "b", Step.RAISE, 30), step("2", "b", Step.CLEAR, 40)], [("1", True)]
    ),
    "the clear of the same alarm, of another stimulus": (
        [step("1", "a", Step.RAISE, 20, proven=False), step("2", "a", Step.RAISE, 30), step("2", "a", Step.CLEAR, 40)],
        [],
    ),
    "ended by itself, and compared after that": ([step("1", "a", Step.RAISE, 20), compared(40)], []),
    "compared, and named": (
        [step("1", "a", Step.RAISE, 20), step("2", "b", Step.RAISE, 30), compared(40, "b")], [("2", True)]
    ),
    "raised once more after a comparison": (
        [step("1", "a", Step.RAISE, 20), compared(40), intent("2", "a", 50)], [("2", False)]
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", OPEN)
def test_which_stimuli_are_open(name: str) -> None:
    events, expected = OPEN[name]
    assert [(it.stimulus, it.is_certain) for it in open_stimuli(events)] == expected


# --- in records -------------------------------------------------------------------------------------


def made(folder: Path, name: str = "first.farend", started_utc_ns: int = STARTED_UTC_NS, **fields: Any) -> RecordMaker:
    return RecordMaker(folder / name, started_utc_ns=started_utc_ns, **fields)


def cut_off(maker: RecordMaker) -> None:
    """As ``kill -9`` leaves it: the log lies beside the file, and nobody holds it any more."""
    maker.writer.flush()
    kept = {file: file.read_bytes() for file in maker.path.parent.glob(f"{maker.path.name}*")}
    maker.close()
    for file, data in kept.items():
        file.write_bytes(data)
    assert maker.path.with_name(f"{maker.path.name}-wal").stat().st_size > 0


def looked(folder: Path, now_utc_ns: int = NOW_UTC_NS) -> tuple[LeftOpen, ...]:
    return look_for_left_open(folder, "ashby", now_utc_ns).left


def test_a_run_that_was_cut_off_while_an_alarm_was_raised(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.low", 3, 6)
    one.stimulus("0002", "a.high", 10, None)
    cut_off(one)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    (left,) = looked(tmp_path)
    assert (left.record, left.stimulus, left.alarm, left.is_certain) == ("first.farend", "0002", "a.high", True)
    assert left.raised_utc_ns == STARTED_UTC_NS + 10 * S + 20_000_000
    assert left.ends_utc_ns is None
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before, "evidence is not touched"


def test_a_run_that_ended_and_could_not_clear(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.step("0001", "a.low", Step.RAISE, 3)
    one.step("0001", "a.low", Step.CLEAR, 6, proven=False)
    one.close()
    assert [it.alarm for it in looked(tmp_path)] == ["a.low"]


def test_a_run_that_cleared_everything(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.low", 3, 6)
    one.close()
    assert looked(tmp_path) == ()


@pytest.mark.parametrize(("after_s", "expected"), [(4, ["b.leak"]), (12, ["b.leak"]), (14, [])])
def test_an_alarm_that_ends_by_itself_is_open_until_then(after_s: int, expected: list[str], tmp_path: Path) -> None:
    """Raised at 1 s for 2 s, and some more since two clocks are compared."""
    one = made(tmp_path)
    one.step("0001", "b.leak", Step.RAISE, 1)
    cut_off(one)
    found = looked(tmp_path, STARTED_UTC_NS + after_s * S)
    assert [it.alarm for it in found] == expected
    ends = [STARTED_UTC_NS + 1 * S + 20_000_000 + 2_100_000_000 + ENDS_LATER_NS]
    assert [it.ends_utc_ns for it in found] == (ends if expected else [])


def dealt_with(left: LeftOpen, *, proven: bool) -> dict[str, Any]:
    return {**left.to_data(), "by": "Kim", "proven": proven}


@pytest.mark.parametrize(("proven", "expected"), [(True, []), (False, ["a.high"])])
def test_what_a_later_record_says_of_it(proven: bool, expected: list[str], tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    cut_off(one)
    (left,) = looked(tmp_path)
    two = made(tmp_path, "second.farend", LATER_UTC_NS)
    two.event(CLEARED_LEFT_OPEN_EVENT, 1, **dealt_with(left, proven=proven))
    two.close()
    assert [it.alarm for it in looked(tmp_path, LATER_UTC_NS + 100 * S)] == expected


def test_a_record_that_was_given_another_name_is_the_same_record(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.close()
    (left,) = looked(tmp_path)
    two = made(tmp_path, "second.farend", LATER_UTC_NS)
    two.event(CLEARED_LEFT_OPEN_EVENT, 1, **dealt_with(left, proven=True))
    two.close()
    one.path.rename(tmp_path / "renamed.farend")
    assert looked(tmp_path) == ()


def test_a_later_test_that_cleared_the_alarm(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.stimulus("0002", "a.low", 10, None)
    one.close()
    two = made(tmp_path, "second.farend", LATER_UTC_NS)
    two.stimulus("0001", "a.high", 3, 6)
    two.close()
    assert [it.alarm for it in looked(tmp_path)] == ["a.low"]


def test_an_earlier_test_that_cleared_the_alarm_says_nothing(tmp_path: Path) -> None:
    """By the start in the record, not by the file's own time, which a copy changes."""
    two = made(tmp_path, "second.farend", LATER_UTC_NS)
    two.stimulus("0001", "a.high", 3, None)
    two.close()
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, 6)
    one.close()
    assert [it.record for it in looked(tmp_path)] == ["second.farend"]


def test_a_correction_of_which_alarm_it_was(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    said = Correction(
        number=1, kind=CorrectionKind.ALARM, stimulus="0001", alarm="a.high", text="a.low", reason="wrong key",
        by="Kim", at_utc_ns=NOW_UTC_NS,
    )  # fmt: skip
    one.writer.event(CORRECTION_EVENT, START_NS + 5 * S, said.to_data())
    one.close()
    assert [it.alarm for it in looked(tmp_path)] == ["a.low"]


def test_another_site_is_none_of_our_business(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.close()
    assert look_for_left_open(tmp_path, "elsewhere", NOW_UTC_NS).left == ()


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "empty.farend").touch()
    (tmp_path / "other.farend").write_bytes(b"no record at all")
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.close()
    found = look_for_left_open(tmp_path, "ashby", NOW_UTC_NS)
    assert [it.alarm for it in found.left] == ["a.high"]
    (unread,) = found.unread
    assert "other.farend: is not a record" in unread


def test_a_folder_that_is_not_there_has_no_records(tmp_path: Path) -> None:
    assert looked(tmp_path / "none") == ()


def test_only_so_many_records_are_looked_at(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.close()
    for number in range(RECORDS_MAX):
        path = tmp_path / f"other-{number}.farend"
        shutil.copyfile(one.path, path)
    one.path.unlink()
    assert len(looked(tmp_path)) == RECORDS_MAX


def test_a_record_that_is_being_written_is_a_run_that_goes_on(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.writer.flush()
    try:
        with pytest.raises(SafetyError, match=r"first\.farend: a run of site=ashby writes this record now"):
            looked(tmp_path)
    finally:
        one.close()


def test_a_watch_that_goes_on_raises_nothing_and_holds_nobody_up(tmp_path: Path) -> None:
    one = made(tmp_path)
    one.stimulus("0001", "a.high", 3, None)
    one.close()
    header = Header.now(lambda: 0, site="ashby", kind=WATCH)
    watch = RecordWriter.create(tmp_path / "night.farend", header, {}, lambda: 0)
    watch.flush()
    try:
        found = look_for_left_open(tmp_path, "ashby", NOW_UTC_NS)
        assert [it.alarm for it in found.left] == ["a.high"]
        assert found.watched == (str(tmp_path / "night.farend"),)
        assert look_for_left_open(tmp_path, "elsewhere", NOW_UTC_NS).watched == ()
    finally:
        watch.close()
