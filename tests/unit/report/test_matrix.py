"""Where a verdict stands in the matrix."""

from __future__ import annotations

from dataclasses import replace

from harness.core.model import Behaviour
from harness.core.verdicts import VerdictClass
from harness.report.coverage import coverage_of
from harness.report.document import BlindTime, ReportDocument
from harness.report.gathered import in_runs
from harness.report.html import render_html
from harness.report.matrix import matrix_of
from harness.report.standing import standing_of


def test_shared_points_have_their_own_column_and_others_are_gathered(document: ReportDocument) -> None:
    matrix = matrix_of(document.site, standing_of(document))
    assert [(column.link, column.label) for column in matrix.columns] == [
        ("panel", "discrete input"),
        ("bms", "discrete input"),
        ("bms", "horn"),
        ("printer", "printed text"),
    ]
    assert [row.alarm.name for row in matrix.rows] == list(document.site.alarms)


def test_every_row_of_the_point_map_is_in_exactly_one_cell(document: ReportDocument) -> None:
    matrix = matrix_of(document.site, standing_of(document))
    found = [row.index for line in matrix.rows for cell in line.cells for entry in cell for row in entry.rows]
    assert sorted(found) == list(range(1, len(document.site.expectations) + 1))


def test_a_row_that_must_stay_quiet_does_not_make_a_point_shared(document: ReportDocument) -> None:
    site = document.site
    warning = next(row for row in site.expectations if row.behaviour is Behaviour.QUIET)
    bms = [point for point in site.points if point.startswith("bms.") and "latched" not in point]
    quiet = tuple(
        replace(warning, key=f"{warning.alarm}@{point}!", point=point) for point in bms if point != warning.point
    )
    crowded = replace(document, site=replace(site, expectations=site.expectations + quiet))
    matrix = matrix_of(crowded.site, standing_of(crowded))
    assert len(matrix.columns) == 4
    cell = next(row for row in matrix.rows if row.alarm.name == warning.alarm).cells[1]
    assert [(entry.word, len(entry.rows)) for entry in cell] == [("not tested", len(bms) - 2), ("quiet", 1)]


def test_a_wide_matrix_comes_in_parts_that_lose_nothing(document: ReportDocument) -> None:
    matrix = matrix_of(document.site, standing_of(document))
    parts = matrix.parts(3)
    assert [column for part in parts for column in part.columns] == list(matrix.columns)
    assert [len(part.columns) for part in parts] == [3, 1]
    whole, split = (
        sorted(row.index for one in found for line in one.rows for cell in line.cells for e in cell for row in e.rows)
        for found in ((matrix,), parts)
    )
    assert whole == split


def test_the_outputs_of_a_link_stay_together_where_they_fit(crowded_document: ReportDocument) -> None:
    matrix = matrix_of(crowded_document.site, standing_of(crowded_document))
    sizes = [last - first for first, last in matrix.links()]
    parts = matrix.parts(max(sizes))
    assert [column for part in parts for column in part.columns] == list(matrix.columns)
    assert all(len(part.columns) <= max(sizes) for part in parts)
    assert sum(len(part.links()) for part in parts) == len(sizes)
    narrow = matrix.parts(2)
    assert max(len(part.columns) for part in narrow) == 2
    assert [column for part in narrow for column in part.columns] == list(matrix.columns)
    assert [it.columns for it in matrix.parts(len(matrix.columns))] == [matrix.columns]


def test_columns_of_which_nothing_was_tested_are_left_out(document: ReportDocument) -> None:
    panel = [row.key for row in document.site.expectations if row.point.startswith("panel.")]
    without = tuple(
        replace(
            one,
            planned=tuple(key for key in one.planned if key not in panel),
            judgement=replace(
                one.judgement, results=tuple(it for it in one.judgement.results if it.expectation not in panel)
            ),
        )
        for one in document.attempts
    )
    changed = replace(document, attempts=without)
    matrix = matrix_of(changed.site, standing_of(changed))
    assert [column.link for column in matrix.tested().columns] == ["bms", "bms", "printer"]
    empty = replace(document, attempts=())
    whole = matrix_of(empty.site, standing_of(empty))
    assert whole.tested() == whole


def test_the_worst_of_a_cell_comes_first(document: ReportDocument) -> None:
    rank = {VerdictClass.FAIL: 0, VerdictClass.UNKNOWN: 1, None: 2, VerdictClass.PASS: 3}
    site = document.site
    one_column = {name: replace(point, link="bms") for name, point in site.points.items()}
    merged = replace(document, site=replace(site, points=one_column))
    ranks = [
        [rank[entry.verdict_class] for entry in cell]
        for row in matrix_of(merged.site, standing_of(merged)).rows
        for cell in row.cells
    ]
    assert [0, 3] in ranks
    assert all(one == sorted(one) for one in ranks)


def test_blind_times_that_overlap_count_once(document: ReportDocument) -> None:
    figures = document.attempts[-1].links[1]
    at = figures.watched.lo
    blind = tuple(
        BlindTime(from_ns=at + from_ns, to_ns=at + to_ns, reason=reason)
        for from_ns, to_ns, reason in ((0, 10, "a"), (5, 20, "b"), (30, 31, "a"), (-50, -5, "before"))
    )
    found = coverage_of(replace(figures, blind=blind))
    assert found.blind_ns == 21
    assert [(one.reason, one.times, one.total_ns) for one in found.reasons] == [
        ("before", 1, 45),
        ("b", 1, 15),
        ("a", 2, 11),
    ]
    assert coverage_of(replace(figures, blind=())).observed == "100 %"


def test_alarms_of_which_nothing_was_tested_are_named_in_one_line(document: ReportDocument) -> None:
    """Where a selection was made; the matrix then has a row for each alarm of it, and for no other one."""
    first = document.attempts[-1]
    mine = first.planned[0]
    results = tuple(it for it in first.judgement.results if it.expectation == mine)
    only = replace(first, planned=(mine,), judgement=replace(first.judgement, results=results, strays=(), causes=()))
    chosen = replace(document, attempts=(only,))
    name = next(row.alarm for row in chosen.site.expectations if row.key == mine)
    assert [row.alarm.name for row in matrix_of(chosen.site, standing_of(chosen)).tested().rows] == [name]
    page = render_html(chosen)
    left_out = page.split('id="alarms-left-out">')[1].split("</span>")[0]
    others = [it for it in chosen.site.alarms if it != name]
    assert left_out == f"Not tested, since no record here set out to: {', '.join(in_runs(others))}."
    assert "alarms-left-out" not in render_html(document)
