"""Records made by hand, compared: what vanished, was renamed, is stray, comes in another order, is no pair at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode
from harness.measure.compare_order import OrderChange
from harness.measure.run_comparison import Asked, Kind, Outcome
from harness.record.corrections import CorrectionKind
from harness.report.comparison import ComparisonDocument, LinkAnswers
from harness.results.correcting import Wanted as Correcting
from harness.results.correcting import correct_record
from harness.results.steps import RETEST_EVENT
from harness.site.renames import Renames
from harness.studies.compare_answers import Answers, compare_answers
from harness.studies.compare_sides import Run
from harness.studies.comparing_records import Wanted, compare_records
from harness.studies.named_runs import run_of
from tests.peers.records import MS, SITE, START_NS, STARTED_UTC_NS, RecordMaker, S

ALARMS = ("a.high", "a.low", "b.leak")
LOW_ROW = "  - {alarm: a.low, link: bms, table: discrete-input, address: 2, behaviour: follows, point: low}\n"


class Made:
    """Makes records in one folder, and judges them."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        self.stack = stack
        self.count = 0

    def path(
        self,
        *changes: tuple[str, str],
        alarms: tuple[str, ...] = ALARMS,
        shows: dict[str, str] | None = None,
        edit: Callable[[RecordMaker], None] | None = None,
        resumes: tuple[str, ...] = (),
    ) -> Path:
        """A record of each alarm raised once, as the site file with these changes has it."""
        self.count += 1
        text = SITE
        for old, new in changes:
            assert text.count(old) > 0, old
            text = text.replace(old, new)
        path = self.folder / f"{self.count}.farend"
        started = STARTED_UTC_NS + self.count * 10**12
        maker = RecordMaker(path, seconds=120, text=text, started_utc_ns=started, resumes=resumes)
        maker.plan(*alarms)
        for number, alarm in enumerate(alarms, 1):
            cleared = None if alarm == "b.leak" else 20.0 * number + 5
            shown = (shows or {}).get(alarm, "own")
            maker.stimulus(f"{number:04d}", alarm, 20.0 * number, cleared, shows="" if alarm == "b.leak" else shown)
            if alarm == "b.leak" and shown:
                maker._shown.append((3, maker.at(20.0 * number + 0.2), maker.at(20.0 * number + 2.2)))
        if edit is not None:
            edit(maker)
        return maker.close()

    def run(self, *paths: Path) -> Run:
        return run_of(paths, self.folder, "BEFORE", self.stack)


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Made]:
    with ExitStack() as stack:
        yield Made(tmp_path, stack)


def outcomes(document: ComparisonDocument) -> dict[str, Outcome]:
    return {row.pair.key: row.outcome for row in document.compared.rows}


def test_alike_runs(made: Made) -> None:
    document = compare_records(made.run(made.path()), made.run(made.path()), Wanted())
    assert outcomes(document) == dict.fromkeys(("a.high@high", "a.low@low", "b.leak@leak"), Outcome.NOT_COMPARED)
    assert not document.is_failing
    assert document.exit_code is ExitCode.UNKNOWN, "once against once shows nothing"
    assert (document.map_differences, document.strays, document.suggested) == ((), (), ())
    assert document.notes == ("both runs state the same firmware: none",)
    kinds = {row.pair.key: {it.kind for it in row.compared} for row in document.compared.rows}
    assert kinds["b.leak@leak"] == {Kind.FAILS, Kind.MISSES, Kind.LATENCY, Kind.VISIBLE}
    assert kinds["a.low@low"] == {Kind.FAILS, Kind.MISSES, Kind.LATENCY, Kind.GONE}


def test_runs_that_may_be_swapped_are_refused(made: Made) -> None:
    """Each regression would be one for the better, and the exit code 0."""
    older, newer = made.path(), made.path(shows={"a.low": ""})
    with pytest.raises(UsageError, match=r"BEFORE \(2\.farend, .*AFTER \(1\.farend, .*: farend compare 1\.farend 2\."):
        compare_records(made.run(newer), made.run(older), Wanted())
    document = compare_records(made.run(newer), made.run(older), Wanted(backwards=True))
    assert not document.is_failing
    assert any(it.startswith("BEFORE was recorded after AFTER (--backwards): ") for it in document.notes)
    for backwards in (False, True):
        document = compare_records(made.run(older), made.run(newer), Wanted(backwards=backwards))
        assert document.is_failing
        assert not any("backwards" in it for it in document.notes)


def test_records_of_one_side_are_pooled(made: Made) -> None:
    before, after = made.run(made.path(), made.path()), made.run(made.path(), made.path(), made.path())
    document = compare_records(before, after, Wanted())
    assert [(it.before, it.after) for row in document.compared.rows for it in row.compared] == [(2, 3)] * 12
    assert (document.before.raised, document.after.raised) == (6, 9)


def test_a_miss_regresses_and_a_row_that_is_gone_vanishes(made: Made) -> None:
    before, after = made.path(), made.path((LOW_ROW, ""), shows={"a.high": ""})
    document = compare_records(made.run(before), made.run(after), Wanted())
    assert outcomes(document) == {
        "a.high@high": Outcome.REGRESSED,
        "b.leak@leak": Outcome.NOT_COMPARED,
        "a.low@low": Outcome.VANISHED,
    }
    assert document.is_failing
    allowed = compare_records(
        made.run(made.path()), made.run(made.path((LOW_ROW, ""))), Wanted(vanishing_allowed=("a.low@*",))
    )
    assert not allowed.is_failing


def test_what_was_not_tested_again_is_unknown(made: Made) -> None:
    before = made.run(made.path())
    after = made.run(made.path(alarms=("a.high",)))
    document = compare_records(before, after, Wanted())
    assert outcomes(document)["a.low@low"] is Outcome.UNKNOWN
    assert document.is_failing
    only = compare_records(before, after, Wanted(only=("a.high",)))
    assert not only.is_failing
    assert only.only == ("a.high",)
    allowed = compare_records(before, after, Wanted(unknown_allowed=("*@low", "b.leak@leak")))
    assert not allowed.is_failing


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        (Wanted(unknown_allowed=("*", "a.hig@high")), r"--allow-unknown a\.hig@high: .*did you mean a\.high@high\?"),
        (Wanted(some_unknown_allowed=("a.high",)), "--allow-some-unknown a.high: no expectation of BEFORE or AFTER"),
        (Wanted(vanishing_allowed=("x@y",)), "--allow-vanished x@y: no expectation"),
        (Wanted(only=("a.high", "z")), "--only z: no expectation"),
    ],
)
def test_a_pattern_that_fits_nothing_is_an_error(made: Made, wanted: Wanted, told: str) -> None:
    before, after = made.run(made.path()), made.run(made.path())
    with pytest.raises(UsageError, match=told):
        compare_records(before, after, wanted)


def test_what_could_not_be_compared_is_unknown_unless_it_is_allowed_or_not_asked(made: Made) -> None:
    before, after = made.run(made.path()), made.run(made.path())
    partly = compare_records(before, after, Wanted(unknown_allowed=("*@low",)))
    assert Counter(outcomes(partly).values()) == {Outcome.NOT_COMPARED: 2, Outcome.ALLOWED: 1}
    assert partly.exit_code is ExitCode.UNKNOWN
    allowed = compare_records(before, after, Wanted(unknown_allowed=("*",)))
    assert set(outcomes(allowed).values()) == {Outcome.ALLOWED}
    assert allowed.exit_code is ExitCode.ALL_PASS
    some = compare_records(before, after, Wanted(some_unknown_allowed=("*",)))
    assert some.exit_code is ExitCode.UNKNOWN, "that some trials may be unknown allows no times to be"
    verdicts = compare_records(before, after, Wanted(asked=Asked(verdicts_only=True)))
    assert set(outcomes(verdicts).values()) == {Outcome.SAME}
    assert {it.kind for row in verdicts.compared.rows for it in row.compared} == {Kind.FAILS}
    assert verdicts.compared.links == ()
    assert verdicts.exit_code is ExitCode.ALL_PASS


def test_pairs_enough_for_a_link_as_a_whole_are_enough_for_its_rows(made: Made) -> None:
    """Three alarms, each raised three times: nine pairs on the one link."""
    before, after = (made.run(*(made.path() for _ in range(3))) for _ in range(2))
    document = compare_records(before, after, Wanted())
    assert set(outcomes(document).values()) == {Outcome.SAME}
    assert all(row.by_link for row in document.compared.rows)
    assert document.exit_code is ExitCode.ALL_PASS


def test_renames_join_what_belongs_together(made: Made) -> None:
    before, renamed = made.path(), made.path(("point: low}", "point: tank-low}"))
    without = compare_records(made.run(before), made.run(renamed), Wanted())
    assert outcomes(without)["a.low@low"] is Outcome.VANISHED
    assert without.suggested == ("points:", "  low: tank-low  # the same address")
    wanted = Wanted(renames=Renames(points={"low": "tank-low"}))
    document = compare_records(made.run(before), made.run(renamed), wanted)
    assert outcomes(document)["a.low@tank-low"] is Outcome.NOT_COMPARED
    assert "a.low@low" not in outcomes(document)
    assert document.renamed == ("point low -> tank-low",)
    assert document.suggested == ()
    row = next(row for row in document.compared.rows if row.pair.key == "a.low@tank-low")
    assert row.pair.was == "a.low@low"
    assert not document.is_failing


def test_other_sites_are_not_compared(made: Made) -> None:
    before, other = made.run(made.path()), made.run(made.path(("site: ashby", "site: elsewhere")))
    with pytest.raises(UsageError, match=r"site=ashby, and .*site=elsewhere: two sites are not compared; .*--renames"):
        compare_records(before, other, Wanted())
    wanted = Wanted(renames=Renames(site={"ashby": "elsewhere"}))
    assert not compare_records(before, other, wanted).is_failing
    mixed = made.run(made.path(("site: ashby", "site: elsewhere")), made.path())
    with pytest.raises(UsageError, match="BEFORE has records of site=ashby too; a run is of one site"):
        compare_records(mixed, other, Wanted())


def test_a_record_is_on_one_side(made: Made) -> None:
    path = made.path()
    copy = path.with_name("copy.farend")
    copy.write_bytes(path.read_bytes())
    with pytest.raises(UsageError, match=r"copy\.farend: it is the same record as .*1\.farend; name each record once"):
        compare_records(made.run(path), made.run(copy), Wanted())
    correct_record(
        copy, Correcting(kind=CorrectionKind.NOTE, text="dry", reason="?", by="B", at_utc_ns=1, utc_offset_s=0)
    )
    with pytest.raises(UsageError, match=r"copy\.farend: it is the same record as .*1\.farend; name each record once"):
        compare_records(made.run(path), made.run(copy), Wanted())


def test_nothing_in_common(made: Made) -> None:
    before, after = made.run(made.path(alarms=("a.high",))), made.run(made.path(alarms=("a.low",)))
    with pytest.raises(UsageError, match="no expectation was tested in both BEFORE and AFTER"):
        compare_records(before, after, Wanted())


def test_new_strays_fail_and_gone_ones_are_told(made: Made) -> None:
    def stray(maker: RecordMaker) -> None:
        maker._shown.append((2, maker.at(100.0), maker.at(103.0)))

    plain, strange = made.path(), made.path(edit=stray)
    document = compare_records(made.run(plain), made.run(strange), Wanted())
    assert [(it.point, it.before, it.after, it.is_new) for it in document.strays] == [("low", 0, 1, True)]
    assert document.strays[0].seen_utc_ns is not None
    assert abs(document.strays[0].seen_utc_ns - (STARTED_UTC_NS + 2 * 10**12 + 100 * 10**9)) < 10**9
    assert document.is_failing
    back = compare_records(made.run(strange), made.run(plain), Wanted(backwards=True))
    assert [(it.point, it.before, it.after, it.is_new) for it in back.strays] == [("low", 1, 0, False)]
    assert not back.is_failing


def test_what_was_voided_or_raised_again_is_told(made: Made) -> None:
    """A fail that is not compared any more may be one of the update: who reads of no regression has to know."""
    before, after = made.path(), made.path(shows={"a.low": ""})
    for stimulus in ("0001", "0002"):
        wanted = Correcting(
            kind=CorrectionKind.VOID, stimulus=stimulus, reason="?", by="B", at_utc_ns=1, utc_offset_s=0
        )
        correct_record(after, wanted)
    document = compare_records(made.run(before), made.run(after), Wanted())
    assert any(it.startswith("of AFTER 2 raises were voided by corrections, or said") for it in document.notes)
    again = made.path(
        alarms=("a.low", "a.low"), edit=lambda it: it.event(RETEST_EVENT, 30.0, alarm="a.low", reason="again")
    )
    document = compare_records(made.run(before), made.run(again), Wanted())
    (told,) = (it for it in document.notes if "superseded" in it)
    assert told.startswith("of AFTER 1 result was superseded, since the alarm was raised again")


def test_what_comes_along_in_another_order(made: Made) -> None:
    """High-high brings high along: once half a second after itself, once half a second before."""

    def onsets(own: float, along: float) -> Path:
        def edit(maker: RecordMaker) -> None:
            maker._shown.extend((bit, maker.at(20.0 + at), maker.at(26.0)) for bit, at in ((0, own), (1, along)))

        return made.path(alarms=("a.high-high",), shows={"a.high-high": ""}, edit=edit)

    first, second = onsets(0.2, 0.7), onsets(0.7, 0.2)
    document = compare_records(made.run(first), made.run(second), Wanted())
    change = OrderChange(alarm="a.high-high, on bms", first="hh", second="high", before=(1, 1), after=(1, 1))
    assert document.orders.changes == (change,)
    assert not document.is_failing


def test_two_rates_need_two_rates(made: Made) -> None:
    with pytest.raises(UsageError, match="--two-rates: every polled link was polled at the same rate in both"):
        compare_records(made.run(made.path()), made.run(made.path()), Wanted(two_rates=True))


def test_looser_limits_are_told_first(made: Made) -> None:
    changed = (("appears within: 1 s", "appears within: 7 s"), ("text: B LEAK", "text: B LEAKS"))
    before, after = made.path(), made.path(*changed)
    document = compare_records(made.run(before), made.run(after), Wanted())
    assert document.map_differences[0].change.value == "looser"
    assert not document.is_failing


def test_names_of_a_side(made: Made) -> None:
    path = made.path()
    with ExitStack() as stack:
        assert len(run_of([path.parent], path.parent, "AFTER", stack).records) == 1
        empty = path.parent / "empty"
        empty.mkdir()
        with pytest.raises(UsageError, match="no record lies in this folder"):
            run_of([empty], path.parent, "AFTER", stack)
        with pytest.raises(UsageError, match=r"AFTER 1\.0: no such record, and no baseline in .*baselines"):
            run_of([Path("1.0")], path.parent, "AFTER", stack)


@dataclass
class Paced(RecordMaker):
    """Polled at another rate, by a device that takes another time to answer."""

    period_ms: int = 100
    answer_ms: int = 9

    def polls(self) -> None:
        for asked in range(START_NS, START_NS + self.seconds * S, self.period_ms * MS):
            value = 0
            for bit, lo, hi in self._shown:
                value |= (lo <= asked < hi) << bit
            self.writer.poll(1, asked, asked + self.answer_ms * MS, bytes([value]))
        self._now[0] = START_NS + self.seconds * S


def test_a_device_that_answers_slower_when_it_is_polled_faster(made: Made) -> None:
    def paced(name: str, period_ms: int, answer_ms: int) -> Run:
        text = SITE.replace("poll every: 100 ms", f"poll every: {period_ms} ms")
        maker = Paced(made.folder / name, seconds=60, text=text, period_ms=period_ms, answer_ms=answer_ms)
        maker.plan("a.high")
        maker.stimulus("0001", "a.high", 20, 25)
        return made.run(maker.close())

    slow, fast = paced("slow.farend", 200, 5), paced("fast.farend", 50, 40)
    wanted = Wanted(asked=Asked(worth_ns=20 * MS), two_rates=True)
    for sides in ((slow, fast), (fast, slow)):
        document = compare_records(*sides, wanted)
        assert document.before.records[0][0] == "slow.farend"
        (link,) = document.links
        assert (link.before.period_ns, link.after.period_ns) == (200 * MS, 50 * MS)
        assert (link.before.answer_ns, link.after.answer_ns) == (5 * MS, 40 * MS)
        assert link.adjusted is not None
        assert link.adjusted < 0.001
        assert document.is_failing
    assert not compare_records(slow, fast, Wanted(two_rates=True)).is_failing, "worth less than 100 ms"
    calm = paced("calm.farend", 50, 5)
    assert not compare_records(slow, calm, wanted).is_failing
    with pytest.raises(UsageError, match="same rate in both"):
        compare_records(fast, calm, wanted)


CAPPED = r"bms: 'poll every' is 100 ms in BEFORE and 20 ms in AFTER, .* 'requests per second: 10' lets a cycle of 1 req"


def test_a_rate_that_something_kept_from_being_another_is_told_with_what_to_change(made: Made) -> None:
    def paced(name: str, period_ms: int, more: str) -> Run:
        text = SITE.replace("poll every: 100 ms", f"poll every: {period_ms} ms{more}")
        maker = Paced(made.folder / name, seconds=60, text=text, period_ms=100)
        maker.plan("a.high")
        maker.stimulus("0001", "a.high", 20, 25)
        return made.run(maker.close())

    slow = paced("slow.farend", 100, "")
    for name, more, told in (
        ("capped.farend", ", requests per second: 10", CAPPED),
        ("busy.farend", "", "it was read every 100 ms and 100 ms: the device, or the line, answers no faster; make"),
    ):
        with pytest.raises(UsageError, match=told):
            compare_records(slow, paced(name, 20, more), Wanted(two_rates=True))


def test_of_two_rates_only_links_that_were_read_at_two_rates_are_judged() -> None:
    """Slower answers of a link that was read as often are another one's doing: a busy machine's, say."""

    def answers(period_ms: int, answer_ms: int) -> Answers:
        figures = LinkAnswers(period_ns=period_ms * MS, answer_ns=answer_ms * MS, polls=900, failed=0, overruns=0)
        return Answers(figures=figures, stretches_ns=tuple(answer_ms * MS + it for it in range(20)))

    before = {"panel": answers(20, 1), "bms": answers(400, 1)}
    after = {"panel": answers(20, 300), "bms": answers(50, 300)}
    panel, bms = compare_answers(before, after, Renames(), two_rates=True)
    assert (panel.is_same_rate, panel.adjusted) == (True, None)
    assert bms.adjusted is not None
    assert bms.adjusted < 0.001
    panel, bms = compare_answers(before, after, Renames(), two_rates=False)
    assert panel.adjusted is not None


def test_what_a_later_attempt_put_right_does_not_excuse_a_fail_after_it(made: Made) -> None:
    """The report of BEFORE says that it passed, once it was put right and tested again: then a fail is a new one."""
    first = made.path(shows={"a.low": ""})
    again = made.path(alarms=("a.low",), resumes=(first.name,))
    after = made.path(shows={"a.low": ""})
    document = compare_records(made.run(first, again), made.run(after), Wanted())
    assert outcomes(document)["a.low@low"] is Outcome.REGRESSED
    assert document.is_failing
    assert outcomes(document)["a.high@high"] is Outcome.NOT_COMPARED


def test_of_two_records_with_one_name_nobody_can_tell_which_one_was_put_right(made: Made) -> None:
    before, first = made.path(), made.path(shows={"a.low": ""})
    again = made.path(alarms=("a.low",), resumes=(first.name,))
    other = made.path(shows={"a.low": ""})
    (made.folder / "other").mkdir()
    other = other.rename(made.folder / "other" / first.name)
    with pytest.raises(UsageError, match=r"3\.farend: it goes on from 2\.farend, and 2 records of its side have that"):
        compare_records(made.run(before), made.run(first, again, other), Wanted())


def test_records_that_do_not_go_on_from_each_other_are_trials_of_the_same_worth(made: Made) -> None:
    first, again = made.path(shows={"a.low": ""}), made.path(alarms=("a.low",))
    document = compare_records(made.run(first, again), made.run(made.path(shows={"a.low": ""})), Wanted())
    assert outcomes(document)["a.low@low"] is Outcome.STILL_FAILS
