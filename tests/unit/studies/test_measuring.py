"""What records tell in the end: every trial counts, whoever would rather have it again, and an output that nobody
searched is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from harness.cli import cli
from harness.core.errors import RecordError, UsageError
from harness.core.model import Step
from harness.core.verdicts import Verdict
from harness.measure.sequential import Decision
from harness.measure.trials import Asked, RowTrials, Shown, miss_share
from harness.record.corrections import CorrectionKind
from harness.report.measured import Measured
from harness.report.text_measured import render_measured
from harness.results.correcting import Wanted, correct_record
from harness.results.judging import judge_record
from harness.results.steps import RETEST_EVENT, STOPPED_EVENT, SWEEP_EVENT
from harness.run.trials import CLAIM_EVENT, SEARCH_EVENT, Claim, Search
from harness.studies.measuring import measured
from harness.studies.row_trials import row_trials
from tests.peers.records import MS, SITE, RecordMaker, S


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    found: Measured
    rows: dict[str, RowTrials]


def told(*paths: Path, only: Sequence[str] = ()) -> Told:
    judged = [judge_record(path) for path in paths]
    try:
        return Told(found=measured(judged, Asked(confidence=0.8), only), rows={it.key: it for it in row_trials(judged)})
    finally:
        for one in judged:
            one.reader.close()


def claimed(path: Path, misses: Sequence[int], again_s: float | None, count: int = 4) -> Path:
    """A claim of half, at 80 %: three in a row prove it."""
    maker = RecordMaker(path, seconds=20 * count + 10, up=("bms",))
    maker.plan("a.low")
    maker.event(CLAIM_EVENT, 0.1, **Claim(share=0.5, trials_max=20, confidence=0.8).to_data())
    for number in range(count):
        shows = "" if number in misses else "own"
        maker.stimulus(f"{number:04d}", "a.low", 5 + 20 * number, 10 + 20 * number, shows=shows)
    if again_s is not None:
        maker.event(RETEST_EVENT, again_s, alarm="a.low", reason="again")
    return maker.close()


def test_a_trial_that_somebody_wants_again_still_counts_against_a_claim(tmp_path: Path) -> None:
    (claim,) = told(claimed(tmp_path / "r.farend", misses=[0], again_s=24)).found.claims
    assert claim.decided.decision is Decision.REFUTED
    assert claim.trials == 4


def test_what_somebody_wanted_again_is_in_doubt_and_what_came_before_it_stays(tmp_path: Path) -> None:
    rows = told(claimed(tmp_path / "shown.farend", misses=(), again_s=44)).rows
    shown = rows["a.low@low"].trials
    assert [it.shown for it in shown] == [Shown.SHOWN] * 4
    assert [it.latency is None for it in shown] == [False, True, False, False]
    row = told(claimed(tmp_path / "r.farend", misses=[1], again_s=44)).rows["a.low@low"]
    assert [it.shown for it in row.trials] == [Shown.SHOWN, Shown.UNSEEN, Shown.SHOWN, Shown.SHOWN]
    share = miss_share(row)
    assert share is not None
    assert (share.missed, share.unseen, share.trials) == (0, 1, 4)


def void(path: Path, *stimuli: str) -> Path:
    for one in stimuli:
        wanted = Wanted(kind=CorrectionKind.VOID, stimulus=one, reason="?", by="B. Lead", at_utc_ns=1, utc_offset_s=0)
        correct_record(path, wanted)
    return path


def test_to_void_a_trial_neither_proves_nor_refutes_a_claim(tmp_path: Path) -> None:
    """Three in a row prove it: without the one that was missed the others would."""
    path = claimed(tmp_path / "r.farend", misses=[0], again_s=None)
    assert told(path).found.claims[0].decided.decision is Decision.REFUTED
    (claim,) = told(void(path, "0000")).found.claims
    assert (claim.decided.decision, claim.trials) == (Decision.UNDECIDED, 4)


def test_to_say_that_a_trial_was_of_another_alarm_proves_nothing_of_this_one(tmp_path: Path) -> None:
    path = claimed(tmp_path / "r.farend", misses=[0], again_s=None)
    other = Wanted(
        kind=CorrectionKind.ALARM, stimulus="0000", text="a.high", reason="?", by="B", at_utc_ns=1, utc_offset_s=0
    )
    correct_record(path, other)
    tells = told(path)
    assert [it.shown for it in tells.rows["a.low@low"].trials] == [Shown.UNSEEN, *[Shown.SHOWN] * 3]
    assert [it.stimulus for it in tells.rows["a.high@high"].trials] == ["0000"]
    of = {it.point: it.decided.decision for it in tells.found.claims}
    assert of["low"] is Decision.UNDECIDED


def test_a_miss_that_was_voided_is_in_doubt_and_told(tmp_path: Path) -> None:
    """Whoever voids it has seen what came of it: to leave it out would tell of three trials that all showed."""
    path = void(claimed(tmp_path / "r.farend", misses=[1], again_s=None), "0001", "0002")
    tells = told(path)
    row = tells.rows["a.low@low"]
    assert [it.stimulus for it in row.trials] == ["0000", "0001", "0002", "0003"]
    assert [it.shown for it in row.trials] == [Shown.SHOWN, Shown.UNSEEN, Shown.LEFT_OUT, Shown.SHOWN]
    assert [it.is_set_aside for it in row.trials] == [False, True, True, False]
    assert [it.latency is None for it in row.trials] == [False, True, True, False]
    share = miss_share(row)
    assert share is not None
    assert (share.missed, share.unseen, share.trials, share.low) == (0, 1, 3, 0.0)
    assert share.high == pytest.approx(binomtest(1, 3).proportion_ci(0.9, "exact").high)
    text = " ".join(render_measured(tells.found).split())
    assert "4 trials: 2 shown, 1 missed or met by no reading, and set aside, 1 left out" in text
    assert "2 raised again or voided, so that no time is taken of them" in text


def test_a_raise_that_was_voided_takes_the_place_of_none(tmp_path: Path) -> None:
    """Wanted again, and the one that was raised for it was voided: then the miss stands, as in a report."""
    path = void(claimed(tmp_path / "r.farend", misses=[2], again_s=62), "0003")
    assert told(path).rows["a.low@low"].trials[2].shown is Shown.MISSED


def test_a_trial_that_was_stopped_before_it_showed_may_have_been_a_miss(tmp_path: Path) -> None:
    """The dead-man limit stops just those that do not show: to leave them out would leave the misses out."""
    maker = RecordMaker(tmp_path / "r.farend", seconds=90, up=("bms",))
    maker.plan("a.low")
    maker.stimulus("0001", "a.low", 5, 10)
    maker.step("0002", "a.low", Step.RAISE, 30)
    maker.event(STOPPED_EVENT, 30.5, stimulus="0002")
    maker.step("0002", "a.low", Step.CLEAR, 30.6)
    maker.stimulus("0003", "a.low", 60, 65)
    row = told(maker.close()).rows["a.low@low"]
    assert [it.verdict for it in row.trials] == [Verdict.ON_TIME, Verdict.UNRESOLVED, Verdict.ON_TIME]
    assert [it.shown for it in row.trials] == [Shown.SHOWN, Shown.UNSEEN, Shown.SHOWN]
    assert row.trials[1].visible is None


def test_an_output_that_was_not_searched_before_the_end_is_told_as_not_proven(tmp_path: Path) -> None:
    """Stopped after the first of two outputs: the other one must not be left out of what is told."""
    text = SITE.replace("point: high}", "point: high}\n  - {alarm: a.low, link: bms, table: discrete-input, address: 4,"
                        " behaviour: follows, point: low-2}")  # fmt: skip
    maker = RecordMaker(tmp_path / "r.farend", seconds=200, up=("bms",), text=text)
    search = Search(share=0.5, longest_ns=S, shortest_ns=S, tries_max=40, confidence=0.6)
    maker.event("plan", 0, rows=[], links={"a.low": ["bms"]})
    maker.event(SEARCH_EVENT, 0.1, **search.to_data())
    for number in range(9):
        at = 5 + 20 * number
        maker.event(SWEEP_EVENT, at - 1, stimulus=f"{number:04d}", held_ns=S, asking="low-2")
        maker.step(f"{number:04d}", "a.low", Step.RAISE, at)
        maker.step(f"{number:04d}", "a.low", Step.CLEAR, at + 1)
        maker.shows("a.low", at + 0.2, at + 1.2)
    found = told(maker.close()).found.searches
    assert {it.point: it.finding.tries for it in found} == {"low": 0, "low-2": 9}
    assert all(it.alarm == "a.low" for it in found)
    (low,) = (it for it in found if it.point == "low")
    assert low.finding.reliable is None


def test_a_record_that_is_named_twice_is_no_second_run(tmp_path: Path) -> None:
    path = claimed(tmp_path / "r.farend", misses=(), again_s=None, count=2)
    copy = tmp_path / "copy.farend"
    copy.write_bytes(path.read_bytes())
    with pytest.raises(UsageError, match="the same record"):
        told(path, copy)


def test_records_that_differ_are_measured_as_one_and_told(tmp_path: Path) -> None:
    def found(name: str, *changes: tuple[str, str]) -> Path:
        text = "# a comment that moves every row\n" * len(changes) + SITE
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        maker = RecordMaker(tmp_path / name, seconds=60, up=("bms",), text=text)
        maker.plan("a.low")
        maker.stimulus("0001", "a.low", 5, 10)
        return maker.close()

    plain, same = found("plain.farend"), found("same.farend", ("title: Ashby", "title: The Ashby"))
    assert told(plain, same).found.notes == ()
    later = found("later.farend", ("{appears within: 1 s", "{appears within: 3 s"))
    (note,) = told(plain, later).found.notes
    assert note.startswith("the records differ in their point maps")
    moved = found(
        "moved.farend",
        ("address: 3,", "address: 4,"),
        ("controller: {name: c}", "controller: {name: c, firmware: '2'}"),
    )
    notes = told(plain, moved).found.notes
    assert notes[1] == "the records are of 2 firmwares (not stated, 2), and are measured as one"
    assert f"note: {notes[1]}" in " ".join(render_measured(told(plain, moved).found).split())


def test_a_copy_from_before_a_correction_is_no_second_run(tmp_path: Path) -> None:
    """Its bytes are others, and its trials the same; so too where both were corrected since."""
    path = claimed(tmp_path / "r.farend", misses=(), again_s=None, count=2)
    copy = tmp_path / "copy.farend"
    copy.write_bytes(path.read_bytes())
    note = Wanted(kind=CorrectionKind.NOTE, text="dry", reason="?", by="B. Lead", at_utc_ns=1, utc_offset_s=0)
    correct_record(path, note)
    for paths in ((path, copy), (copy, path)):
        with pytest.raises(UsageError, match="the same record"):
            told(*paths)
    correct_record(copy, replace(note, text="wet"))
    with pytest.raises(UsageError, match="the same record"):
        told(path, copy)


def test_a_poll_every_0_s_is_asked_about_by_mistake(tmp_path: Path) -> None:
    """By ``trials`` too, which would otherwise find that out behind all its raises."""
    path = claimed(tmp_path / "r.farend", misses=(), again_s=None, count=2)
    for command in (("measure", path), ("trials", tmp_path / "site.yaml", "--alarm", "a.low")):
        arguments = [str(it) for it in (*command, "--slower", "1 s", "--slower", "0 s")]
        result = CliRunner().invoke(cli, arguments, standalone_mode=False)
        assert isinstance(result.exception, UsageError)
        assert str(result.exception) == "--slower 0 s: expected more than 0 s"


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (CLAIM_EVENT, {"share": "most", "trials_max": 4}),
        (CLAIM_EVENT, {"share": 0.5}),
        (CLAIM_EVENT, {"share": 1.5, "trials_max": 4}),
        (CLAIM_EVENT, {"share": 0.5, "trials_max": 4, "good": 0.9, "confidence": 0.2}),
        (CLAIM_EVENT, {"share": 0.5, "trials_max": 4, "more": 1}),
        (SEARCH_EVENT, {"share": 0.5}),
        (SEARCH_EVENT, {"share": 0.5, "longest_ns": 1, "shortest_ns": 2, "tries_max": 5}),
    ],
)
def test_a_record_whose_claim_cannot_be_read_says_so(kind: str, data: dict[str, object], tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=40, up=("bms",))
    maker.plan("a.low")
    maker.event(kind, 0.1, **data)  # type: ignore[arg-type]
    maker.stimulus("0001", "a.low", 5, 10)
    maker.stimulus("0002", "a.low", 25, 30)
    with pytest.raises(RecordError, match=kind):
        told(maker.close())


def test_an_alarm_that_clears_by_itself_in_one_record_alone_has_no_visible_time_of_its_own(tmp_path: Path) -> None:
    one = RecordMaker(tmp_path / "1.farend", seconds=40, up=("bms",))
    one.plan("b.leak")
    one.step("0001", "b.leak", Step.RAISE, 5)
    one.shows("b.leak", 5.2, 7.2)
    text = SITE.replace("side effects: none, lasts: 2 s +/- 100 ms", "side effects: none")
    other = RecordMaker(tmp_path / "2.farend", seconds=40, up=("bms",), text=text)
    other.plan("b.leak")
    other.stimulus("0001", "b.leak", 5, 25)
    assert not told(one.close(), other.close()).rows["b.leak@leak"].ends_by_itself


def test_a_declared_delay_that_one_trial_denies_is_believed_of_no_other(tmp_path: Path) -> None:
    """What nobody saw may then have come on at any time, and not only where the delay would have it."""
    text = SITE.replace("poll every: 100 ms,", "poll every: 100 ms, output delay: 10 ms to 20 ms,").replace(
        "shortest on: 300 ms", "shortest on: 5 ms"
    )
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms",), text=text)
    maker.plan("b.leak")
    maker.step("0001", "b.leak", Step.RAISE, 5)
    maker.shows("b.leak", 5.5, 7.5)
    maker.step("0002", "b.leak", Step.RAISE, 30)
    unseen = told(maker.close()).rows["b.leak@leak"].trials[1]
    assert unseen.visible is not None
    assert unseen.visible.onset.hi - unseen.raised.hi >= 500 * MS
