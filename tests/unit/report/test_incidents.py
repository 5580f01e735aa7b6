"""What stopped a run, or came on unexplained in it, stands on the first page."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.report.document import AttemptDocument, ReportDocument
from harness.report.html import render_html
from harness.report.incidents import incidents
from harness.report.log_book import LogBook, LogRemark, Remark
from harness.report.log_text import render_log_text
from harness.report.log_words import STILL_NOTE
from harness.report.text import render_text

S = 1_000_000_000
TEXT = "bms:10011 (bulk-b.water), STILL ON: taken for real"


def with_remarks(document: ReportDocument) -> ReportDocument:
    newest = document.attempts[0]
    at = newest.anchor_ns
    remarks = (
        LogRemark(kind=Remark.LEFT_OPEN, at_ns=at + S, alarm="a.low", text="stimulus 0001 of old.farend: cleared"),
        LogRemark(kind=Remark.NOTE, at_ns=at + 2 * S, text="nothing to be known at once"),
        LogRemark(kind=Remark.UNEXPLAINED, at_ns=at + 3 * S, alarm="a.high", text=TEXT),
        LogRemark(kind=Remark.UNEXPLAINED, at_ns=at + 4 * S, text="bms:10001, gone again"),
        LogRemark(kind=Remark.STOPPED, at_ns=at + 5 * S, text="STOPPED: <b>TAKE IT FOR REAL</b>"),
    )
    first = replace(newest, log=LogBook(remarks=remarks))
    return replace(document, attempts=(first, *document.attempts[1:]))


@pytest.fixture
def attempt(document: ReportDocument) -> AttemptDocument:
    return with_remarks(document).attempts[0]


def test_each_is_one_sentence_with_its_time(attempt: AttemptDocument) -> None:
    told = incidents(attempt)
    assert len(told) == 4
    assert told[0].endswith(": a.low was left raised by an earlier test: stimulus 0001 of old.farend: cleared")
    assert told[1].endswith(f": came on unexplained while a.high was tested: {TEXT}")
    assert told[2].endswith(": came on unexplained: bms:10001, gone again")
    assert ": stopped for safety: STOPPED: " in told[3]
    assert all(text.startswith("20") for text in told)


def test_what_is_still_shown_after_its_clear_is_named_on_the_first_page_and_in_the_log_book(
    document: ReportDocument,
) -> None:
    text = "panel:10005: take it for real until somebody has looked at the sensing point"
    newest = document.attempts[0]
    remark = LogRemark(kind=Remark.STILL_SHOWN, at_ns=newest.anchor_ns + S, alarm="a.high", text=text)
    changed = replace(document, attempts=(replace(newest, log=LogBook(remarks=(remark,))),))
    (told,) = incidents(changed.attempts[0])
    assert told.endswith(f": a.high still shown after its clear: {text}")
    log_book = " ".join(render_log_text(changed).split())
    assert f"Also entered: {STILL_NOTE}" in log_book
    assert f"still shown after its clear: a.high: {text}" in log_book
    assert STILL_NOTE in render_html(changed)


def test_it_is_on_the_first_page_of_the_text_and_of_the_page(document: ReportDocument) -> None:
    changed = with_remarks(document)
    lines = render_text(changed, width=200).split("\n\n", maxsplit=1)[0]
    assert "came on unexplained while a.high was tested: bms:10011 (bulk-b.water), STILL ON" in " ".join(lines.split())
    page = render_html(changed)
    summary = page[page.index('id="summary"') : page.index('aria-label="Sections"')]
    assert TEXT in summary
    assert "&lt;b&gt;TAKE IT FOR REAL&lt;/b&gt;" in summary
    assert "To be known of attempt" in summary


def test_an_attempt_in_which_nothing_happened_says_nothing(document: ReportDocument) -> None:
    calm = tuple(replace(attempt, log=LogBook()) for attempt in document.attempts)
    nothing = replace(document, attempts=calm)
    assert "to be known of attempt" not in render_text(nothing)
    assert "To be known of attempt" not in render_html(nothing)
