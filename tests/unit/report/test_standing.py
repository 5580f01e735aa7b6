"""Of several records the newest result stands, whatever it says; nothing that failed is lost on the way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.instants import NS_PER_S, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.log_book import LogBook, LogRemark, Remark
from harness.report.standing import NOT_REACHED, Row, standing_of

LATE = "bulk-a.high@bms.bulk-a.high"
DAY_NS = 86_400 * 10**9


def row_of(document: ReportDocument, key: str) -> Row:
    return next(row for row in standing_of(document).rows if row.expectation.key == key)


def newer(document: ReportDocument, verdicts: dict[str, Verdict], planned: tuple[str, ...] = ()) -> ReportDocument:
    """The document with one more attempt, in which these rows got these verdicts."""
    newest = document.attempts[0]
    results = tuple(
        replace(result, verdict=verdicts[result.expectation])
        for result in document.attempts[-1].judgement.results
        if result.expectation in verdicts
    )
    attempt = replace(
        newest,
        started_utc_ns=newest.started_utc_ns + DAY_NS,
        planned=planned or tuple(verdicts),
        judgement=replace(newest.judgement, results=results, strays=()),
    )
    return replace(document, attempts=(attempt, *document.attempts))


def test_the_newest_attempt_stands_and_the_earlier_ones_are_kept(document: ReportDocument) -> None:
    row = row_of(newer(document, {LATE: Verdict.ON_TIME}), LATE)
    assert (row.verdict, row.attempt) == (Verdict.ON_TIME, 3)
    assert [(one.attempt, one.result.verdict) for one in row.earlier] == [(2, Verdict.LATE), (1, Verdict.LATE)]


def test_a_newer_unknown_stands_over_an_older_pass(document: ReportDocument) -> None:
    key = "bulk-a.high-high@bms.bulk-a.high-high"
    assert row_of(document, key).verdict is Verdict.ON_TIME
    assert row_of(newer(document, {key: Verdict.NOT_OBSERVED}), key).verdict is Verdict.NOT_OBSERVED


def test_planned_and_not_reached_is_not_run_even_where_an_older_attempt_passed(document: ReportDocument) -> None:
    key = "bulk-a.high-high@bms.bulk-a.high-high"
    row = row_of(newer(document, {LATE: Verdict.ON_TIME}, planned=(LATE, key)), key)
    assert (row.verdict, row.verdict_class, row.reason) == (Verdict.NOT_RUN, VerdictClass.UNKNOWN, NOT_REACHED)
    assert [one.result.verdict for one in row.earlier] == [Verdict.ON_TIME]


def test_never_planned_is_no_verdict(document: ReportDocument) -> None:
    row = row_of(document, "day.probe-fault@printer.day.probe-fault")
    assert (row.verdict, row.verdict_class, row.attempt) == (None, None, None)
    assert row in standing_of(document).of_class(None)


def test_the_worst_of_several_results_of_one_row_stands(document: ReportDocument) -> None:
    newest = document.attempts[0]
    one = next(result for result in newest.judgement.results if result.expectation == LATE)
    several = [Verdict.ON_TIME, Verdict.UNRESOLVED, Verdict.LATE, Verdict.ON_TIME, Verdict.LATE]
    results = tuple(replace(one, verdict=verdict) for verdict in several)
    changed = replace(newest, judgement=replace(newest.judgement, results=results))
    row = row_of(replace(document, attempts=(changed, *document.attempts[1:])), LATE)
    assert (row.verdict, row.same, len(row.results)) == (Verdict.LATE, 2, 5)


def test_every_verdict_is_counted_once(document: ReportDocument) -> None:
    standing = standing_of(document)
    assert len(standing.rows) == len(document.site.expectations)
    total = sum(standing.count(one) for one in VerdictClass)
    assert total + len(standing.of_class(None)) == len(standing.rows) + len(standing.strays)
    assert {row.verdict for row in standing.rows} | {Verdict.STRAY} >= set(Verdict) - {Verdict.REPEATED}


def test_a_stray_stands_until_a_newer_attempt_has_a_definite_result_at_its_point(document: ReportDocument) -> None:
    assert [one.attempt for one in standing_of(document).strays] == [1]
    elsewhere = newer(document, {LATE: Verdict.ON_TIME})
    assert [one.attempt for one in standing_of(elsewhere).strays] == [1]
    at_horn = _with_stray_at(document, "bms.horn")
    horn = "day.low@bms.horn"
    unsure = newer(_without_horn(at_horn), {horn: Verdict.UNRESOLVED})
    assert [one.attempt for one in standing_of(unsure).strays] == [1]
    definite = newer(_without_horn(at_horn), {horn: Verdict.ON_TIME})
    assert standing_of(definite).strays == ()


def _with_stray_at(document: ReportDocument, point: str) -> ReportDocument:
    oldest = document.attempts[-1]
    strays = tuple(replace(one, point=point) for one in oldest.judgement.strays)
    changed = replace(oldest, judgement=replace(oldest.judgement, strays=strays))
    return replace(document, attempts=(*document.attempts[:-1], changed))


def _without_horn(document: ReportDocument) -> ReportDocument:
    def changed(attempt: AttemptDocument) -> AttemptDocument:
        results = tuple(result for result in attempt.judgement.results if result.point != "bms.horn")
        return replace(attempt, judgement=replace(attempt.judgement, results=results))

    return replace(document, attempts=(changed(document.attempts[0]), *document.attempts[1:]))


def test_a_cause_of_several_results_names_the_rows_that_it_explains(document: ReportDocument) -> None:
    shared = standing_of(document).shared
    assert [(one.cause.code, [row.alarm.name for row in one.rows]) for one in shared] == [
        ("swapped-pair", ["bulk-a.low", "bulk-a.water"])
    ]


def test_rows_that_the_newest_point_map_lost_are_shown_and_not_counted(document: ReportDocument) -> None:
    kept = tuple(row for row in document.site.expectations if row.alarm != "sump-a.leak")
    shrunk = replace(document, site=replace(document.site, expectations=kept))
    standing = standing_of(shrunk)
    assert {one.result.alarm for one in standing.gone} == {"sump-a.leak"}
    assert len(standing.rows) == len(kept)


def test_a_result_of_the_newest_attempt_for_an_unknown_row_is_refused(document: ReportDocument) -> None:
    kept = tuple(row for row in document.site.expectations if row.key != LATE)
    with pytest.raises(ValueError, match=LATE):
        replace(document, site=replace(document.site, expectations=kept))


def test_attempts_have_to_be_newest_first(document: ReportDocument) -> None:
    with pytest.raises(ValueError, match="newest first"):
        replace(document, attempts=document.attempts[::-1])


# --- retests in one record ----------------------------------------------------------------------------


def retested(document: ReportDocument, verdicts: list[Verdict], retest_at: list[int]) -> ReportDocument:
    """The newest attempt raised the alarm of ``LATE`` every 100 s; a retest was decided at these places in between."""
    newest = document.attempts[0]
    one = next(result for result in newest.judgement.results if result.expectation == LATE)
    first = next(it for it in newest.stimuli if it.id == one.stimulus)
    begun = newest.anchor_ns
    stimuli = tuple(
        replace(
            first,
            id=f"r{number}",
            raised=Bounds(begun + number * 100 * NS_PER_S, begun + number * 100 * NS_PER_S),
            acknowledged=None,
            cleared=None,
        )
        for number in range(len(verdicts))
    )
    results = tuple(
        replace(one, verdict=verdict, stimulus=it.id) for verdict, it in zip(verdicts, stimuli, strict=True)
    )
    remarks = tuple(
        LogRemark(kind=Remark.RETEST, at_ns=begun + (at * 100 - 10) * NS_PER_S, alarm="bulk-a.high", text=f"cable {at}")
        for at in retest_at
    )
    judgement = replace(newest.judgement, results=results)
    changed = replace(newest, judgement=judgement, stimuli=stimuli, log=LogBook(remarks=remarks))
    return replace(document, attempts=(changed, *document.attempts[1:]))


def test_a_retest_stands_and_says_why(document: ReportDocument) -> None:
    row = row_of(retested(document, [Verdict.LATE, Verdict.ON_TIME], [1]), LATE)
    assert (row.verdict, len(row.results), row.retest) == (Verdict.ON_TIME, 1, "cable 1")
    assert [(one.attempt, one.result.verdict) for one in row.earlier] == [(2, Verdict.LATE), (1, Verdict.LATE)]


def test_a_retest_that_fails_stands_over_a_pass(document: ReportDocument) -> None:
    row = row_of(retested(document, [Verdict.ON_TIME, Verdict.LATE], [1]), LATE)
    assert row.verdict is Verdict.LATE


def test_without_a_retest_the_worst_stands(document: ReportDocument) -> None:
    row = row_of(retested(document, [Verdict.LATE, Verdict.ON_TIME], []), LATE)
    assert (row.verdict, len(row.results), row.retest) == (Verdict.LATE, 2, "")


def test_a_retest_that_was_not_carried_out_changes_nothing(document: ReportDocument) -> None:
    row = row_of(retested(document, [Verdict.LATE, Verdict.LATE], [2]), LATE)
    assert (row.verdict, len(row.results)) == (Verdict.LATE, 2)
    row = row_of(retested(document, [Verdict.LATE, Verdict.ON_TIME], [1, 2]), LATE)
    assert (row.verdict, len(row.results)) == (Verdict.ON_TIME, 1)


def test_of_a_retest_that_is_repeated_the_worst_stands(document: ReportDocument) -> None:
    row = row_of(retested(document, [Verdict.LATE, Verdict.ON_TIME, Verdict.UNRESOLVED], [1]), LATE)
    assert (row.verdict, len(row.results)) == (Verdict.UNRESOLVED, 2)


@pytest.mark.parametrize(
    ("kind", "told"),
    [(Remark.SKIPPED, "skipped: the tank is being filled"), (Remark.NOT_POSSIBLE, "not possible: the tank is being")],
)
def test_what_was_left_out_says_why(document: ReportDocument, kind: Remark, told: str) -> None:
    newest = document.attempts[0]
    remark = LogRemark(kind=kind, at_ns=newest.anchor_ns, alarm="bulk-a.high", text="the tank is being filled")
    results = tuple(it for it in newest.judgement.results if it.alarm != "bulk-a.high")
    changed = replace(newest, judgement=replace(newest.judgement, results=results), log=LogBook(remarks=(remark,)))
    row = row_of(replace(document, attempts=(changed, *document.attempts[1:])), LATE)
    assert row.verdict is Verdict.NOT_RUN
    assert row.reason.startswith(f"{NOT_REACHED}: {told}")
