"""Rows that were tried several times: what is told of a row holds for each of its trials, wherever it is told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Result
from harness.core.verdicts import Verdict
from harness.report.document import ReportDocument
from harness.report.gathered import latency_of, over_all, row_pass_words, tallies, visible_of, widest_gap_of
from harness.report.html import render_html
from harness.report.matrix import matrix_of
from harness.report.standing import Row, standing_of
from harness.report.text import render_text

MS = NS_PER_MS


@pytest.fixture
def thrice(small_document: ReportDocument) -> tuple[ReportDocument, str]:
    """A document of which one row was raised three times, the slowest of them neither first nor last; and its key."""
    (attempt, *others) = small_document.attempts
    is_mine = next(it for it in attempt.judgement.results if it.verdict is Verdict.ON_TIME and it.latency is not None)

    def trial(number: int, late_ms: int, gap_ms: int) -> Result:
        return replace(is_mine, stimulus=f"{is_mine.stimulus}.{number}", widest_gap_ns=gap_ms * MS,
                       latency=Bounds((late_ms - 60) * MS, late_ms * MS),
                       visible=Bounds((2_000 - late_ms) * MS, (2_060 - late_ms) * MS))  # fmt: skip

    trials = (trial(1, 210, 61), trial(2, 674, 93), trial(3, 230, 62))
    rest = tuple(it for it in attempt.judgement.results if it is not is_mine)
    judgement = replace(attempt.judgement, results=(*rest, *trials))
    changed = (replace(attempt, judgement=judgement), *others)
    return replace(small_document, attempts=changed), is_mine.expectation


def row_of(told: tuple[ReportDocument, str]) -> Row:
    return next(it for it in standing_of(told[0]).rows if it.expectation.key == told[1])


def test_bounds_hold_every_trial(thrice: tuple[ReportDocument, str]) -> None:
    row = row_of(thrice)
    assert latency_of(row) == Bounds(150 * MS, 674 * MS)
    assert visible_of(row) == Bounds(1_326 * MS, 1_850 * MS)
    assert widest_gap_of(row) == 93 * MS
    assert over_all([None, None]) is None
    assert over_all([None, Bounds(1, 2), Bounds(0, 1)]) == Bounds(0, 2)


def test_the_slowest_pass_is_the_slowest_of_all_trials(thrice: tuple[ReportDocument, str]) -> None:
    row = row_of(thrice)
    assert row_pass_words([row]) == "1 on-time within 0.68 s"
    assert [it.within for it in tallies([row])] == ["\u2264 0.68 s"]
    cells = [entry for line in matrix_of(thrice[0].site, standing_of(thrice[0])).rows for cell in line.cells
             for entry in cell if row.index in [it.index for it in entry.rows]]  # fmt: skip
    assert [it.latency for it in cells if len(it.rows) == 1] in ([], ["0.15 to 0.68 s"])


def test_page_and_text_tell_all_trials(thrice: tuple[ReportDocument, str]) -> None:
    row = row_of(thrice)
    page = render_html(thrice[0])
    line = page.split(f'<tr id="r{row.index}">')[1].split("</tr>")[0]
    assert "0.15 to 0.68 s" in line
    assert "1.32 to 1.85 s" in line
    assert "93" in line
    assert "0.68 s" in render_text(thrice[0], every_row=True)


def test_only_trials_of_the_verdict_that_is_told_count(thrice: tuple[ReportDocument, str]) -> None:
    row = row_of(thrice)
    late = replace(row.results[1], verdict=Verdict.LATE, latency=Bounds(3_000 * MS, 3_060 * MS))
    mixed = replace(row, results=(late, *row.results))
    assert latency_of(mixed) == late.latency
