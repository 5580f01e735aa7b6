"""Three days on site are three records and one report: every attempt kept, a retest says why, the newest stands."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.core.verdicts import Verdict
from harness.record.corrections import CorrectionKind
from harness.report.document import ReportDocument
from harness.report.html import render_html
from harness.report.log_csv import render_log_csv
from harness.report.log_text import render_log_text
from harness.report.standing import standing_of
from harness.results.correcting import Wanted, correct_record
from harness.results.judging import judge_record
from harness.studies.attempt import report_document
from tests.peers.records import STARTED_UTC_NS, RecordMaker, S

DAY_NS = 86_400 * S
WHY = "missed in day-1.farend; cable put right"


@pytest.fixture
def document(tmp_path: Path) -> Iterator[ReportDocument]:
    """a.high is missed, and passes the next day; a.low is skipped, and on the third day its name was mixed up."""
    makers = [
        RecordMaker(tmp_path / f"day-{day}.farend", started_utc_ns=STARTED_UTC_NS + day * DAY_NS) for day in (1, 2, 3)
    ]
    first, second, third = makers
    first.plan("a.high", "a.low")
    first.stimulus("0001", "a.high", 5, 10, shows="")
    first.event("skipped", 20, alarm="a.low", reason="being filled", by="A. Technician")
    second.plan("a.high")
    second.event("retest", 1, alarm="a.high", reason=WHY)
    second.stimulus("0001", "a.high", 5, 10)
    third.plan("a.low")
    third.stimulus("0001", "a.high-high", 5, 10, shows="a.low")
    paths = [maker.close() for maker in makers]
    told = {"reason": "the key beside it", "by": "B. Lead", "at_utc_ns": STARTED_UTC_NS, "utc_offset_s": 3600}
    correct_record(paths[2], Wanted(kind=CorrectionKind.ALARM, stimulus="0001", text="a.low", **told))  # type: ignore[arg-type]
    records = [judge_record(path) for path in (paths[1], paths[2], paths[0])]
    yield report_document(records)
    for record in records:
        record.reader.close()


def test_the_newest_stands_and_what_was_before_is_kept(document: ReportDocument) -> None:
    assert [it.record for it in document.attempts] == ["day-3.farend", "day-2.farend", "day-1.farend"]
    rows = {row.expectation.key: row for row in standing_of(document).rows}
    high, low = rows["a.high@high"], rows["a.low@low"]
    assert (high.verdict, high.attempt, high.retest) == (Verdict.ON_TIME, 2, WHY)
    assert [(it.attempt, it.result.verdict) for it in high.earlier] == [(1, Verdict.MISSED)]
    assert (low.verdict, low.attempt) == (Verdict.ON_TIME, 3)
    assert low.results[0].assumptions[-1].startswith("rests on correction 1")


def test_what_only_the_first_day_says(document: ReportDocument) -> None:
    """Without the days after it, a.low was not reached, and why."""
    first = ReportDocument(facts=document.facts, site=document.site, attempts=document.attempts[2:])
    row = next(it for it in standing_of(first).rows if it.expectation.key == "a.low@low")
    assert row.verdict is Verdict.NOT_RUN
    assert row.reason.endswith("skipped: being filled")


def test_the_log_book_has_all_three_days(document: ReportDocument) -> None:
    page, text, table = render_html(document), render_log_text(document), render_log_csv(document)
    for told in (" ".join(it.split()) for it in (page, text, table)):
        for fact in ("day-1.farend", "day-2.farend", "day-3.farend", "being filled", "cable put right", "a.high-high"):
            assert fact in told
    assert "recorded as a.high-high" in text
    assert "Why again" in page
