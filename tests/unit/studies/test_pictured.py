"""Which points are drawn beside a result that is no pass: its own, and where it came on instead."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.core.verdicts import Verdict
from harness.report.document import Timeline
from harness.report.html import render_html
from harness.report.text import render_text
from harness.results.judging import judge_record
from harness.studies.attempt import report_document
from tests.peers.records import RecordMaker

OUR_WORDS = "it appeared here instead, the place of a.high"
UNMAPPED = "bms: unmapped discrete input address 5"
NO_ROW = "this came on instead, and is in no row of the point map"


def drawn(maker: RecordMaker) -> tuple[set[Verdict], list[Timeline], list[str]]:
    """The verdicts, the timelines of the stimulus, and what each picture of the page says."""
    record = judge_record(maker.close())
    try:
        document = report_document([record])
    finally:
        record.reader.close()
    assert render_text(document)
    said = re.findall(r'<svg viewBox="0 0 720 \d+" role="img" aria-label="([^"]*)"', render_html(document))
    return set(record.verdicts()), list(document.attempts[0].timelines), said


@pytest.fixture
def maker(tmp_path: Path) -> RecordMaker:
    made = RecordMaker(tmp_path / "run.farend", up=("bms",))
    made.plan("a.low")
    return made


def test_a_crossed_card_draws_the_point_where_it_appeared_and_says_so(maker: RecordMaker) -> None:
    maker.stimulus("0001", "a.low", 5, 8, shows="a.high")
    verdicts, timelines, (picture,) = drawn(maker)
    assert verdicts == {Verdict.CROSSED}
    assert "high" in [it.point for it in timelines]
    there, here = picture.index(f"high ({OUR_WORDS}): "), picture.index("low: ")
    assert there < here, "next to where it should have been"
    assert "on until" in picture[there:here]
    assert "on until" not in picture[here:]


def test_a_missed_card_draws_a_place_of_no_row_that_came_on_instead(maker: RecordMaker) -> None:
    maker.stimulus("0001", "a.low", 5, 8, shows="no row")
    verdicts, timelines, (picture,) = drawn(maker)
    assert verdicts == {Verdict.MISSED}
    (one,) = [it for it in timelines if it.point == UNMAPPED]
    assert (one.link, one.expectation) == ("bms", "")
    assert f"{UNMAPPED} ({NO_ROW}): " in picture


def test_a_place_of_no_row_that_came_on_at_another_time_is_not_drawn(maker: RecordMaker) -> None:
    maker.stimulus("0001", "a.low", 5, 8, shows="")
    maker.shows("no row", 40, 42)
    verdicts, timelines, (picture,) = drawn(maker)
    assert verdicts == {Verdict.MISSED}
    assert UNMAPPED not in [it.point for it in timelines]
    assert NO_ROW not in picture
