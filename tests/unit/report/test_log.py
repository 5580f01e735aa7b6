"""The log book as text, table and page: the same things, with bounds that are never narrower than what was found."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.report.document import ReportDocument
from harness.report.html import render_html
from harness.report.log_book import TENTH_NS, LogBook, Remark, tenths, when_words
from harness.report.log_csv import COLUMNS, render_log_csv
from harness.report.log_text import render_log_text
from harness.report.log_words import SIGNATURES

AT = 1_795_564_267_482_113_007  # 2026-11-24 23:51:07.482 UTC


@pytest.mark.parametrize(
    ("utc", "offset_s", "told"),
    [
        (Bounds(AT, AT + NS_PER_MS), 3600, "2026-11-25 00:51:07.4 to 07.5"),
        (Bounds(AT, AT + 20 * NS_PER_S), -3600, "2026-11-24 22:51:07.4 to 27.5"),
        (Bounds(AT, AT + 600 * NS_PER_S), 0, "2026-11-24 23:51:07.4 to 2026-11-25 00:01:07.5"),
        (Bounds(AT, AT + 60 * NS_PER_S), 0, "2026-11-24 23:51:07.4 to 52:07.5"),
        (Bounds(AT // TENTH_NS * TENTH_NS, AT // TENTH_NS * TENTH_NS), 0, "2026-11-24 23:51:07.4"),
        (Bounds(AT, FOREVER), 0, "from 2026-11-24 23:51:07.4 on"),
        (Bounds(-FOREVER, FOREVER), 0, "not known"),
        (Bounds(AT, AT), 20_700, "2026-11-25 05:36:07.4 to 07.5"),
    ],
)
def test_times_as_people_read_them(utc: Bounds, offset_s: int, told: str) -> None:
    assert when_words(tenths(utc, 0, offset_s)) == told


@given(
    st.integers(0, 4_000_000_000 * NS_PER_S),
    st.integers(0, 100 * NS_PER_S),
    st.integers(-64, 64).map(lambda q: q * 900),
)
def test_what_is_shown_holds_what_was_found(lo: int, width: int, offset_s: int) -> None:
    zone = timezone(timedelta(seconds=offset_s))

    def back(text: str) -> int:
        whole, tenth = text.split(".")
        moment = datetime.strptime(whole, "%Y-%m-%d %H:%M:%S").replace(tzinfo=zone)
        seconds = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(seconds=1)
        return seconds * NS_PER_S + int(tenth) * TENTH_NS

    low, high = tenths(Bounds(0, width), lo, offset_s)
    assert lo - TENTH_NS < back(low) <= lo
    assert lo + width <= back(high) < lo + width + TENTH_NS


@pytest.mark.parametrize("width", [80, 200])
def test_the_text_has_every_stimulus_and_room_to_sign(document: ReportDocument, width: int) -> None:
    told = render_log_text(document, width=width)
    assert max(map(cell_len, told.splitlines())) <= width
    for attempt in document.attempts:
        assert attempt.record in told
        for entry in attempt.log.entries:
            assert f"\n{entry.stimulus} {entry.alarm}" in told
    flat = " ".join(told.split())
    assert flat.count("marked as test by, date ___") == sum(len(it.log.entries) for it in document.attempts)
    for word in (*SIGNATURES, *(kind.value for kind in Remark)):
        assert word in told
    assert "NOT CLEARED, or not proven to be: day.high" in flat
    assert "CLEARING NOT PROVEN" in flat
    assert "may be real alarms, and are not to be marked" in flat
    assert "Sensing element not tested." in flat
    assert "authority having jurisdiction" in flat


def test_the_table_is_one_that_a_spreadsheet_reads(document: ReportDocument) -> None:
    text = render_log_csv(document)
    assert text.count("\r\n") == text.count("\n")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert set(rows[0]) == set(COLUMNS)
    kinds = [row["entry"] for row in rows]
    entries = [entry for attempt in document.attempts for entry in attempt.log.entries]
    assert kinds.count("simulated") == len(entries)
    assert kinds.count("comes along") == sum(len(it.along) for it in entries)
    assert kinds.count("skipped") == len(document.attempts)
    first = next(row for row in rows if row["alarm"] == "bulk-a.high-high" and row["entry"] == "simulated")
    assert (first["raised from"], first["raised to"]) == ("2026-11-25T00:51:12.4", "2026-11-25T00:51:12.5")
    assert (first["utc offset"], first["marked as test by"]) == ("+01:00", "")
    lost = next(row for row in rows if row["alarm"] == "day.high" and row["entry"] == "simulated")
    assert (lost["raise proven"], lost["ending"], lost["cleared from"]) == ("no", "clearing not proven", "")


def test_no_cell_is_a_formula(poisoned: Callable[[str], ReportDocument]) -> None:
    for payload in ("=1+1", "+1", "-1", "@A1", "\x1b[2J", "\r\n=1"):
        for row in csv.reader(io.StringIO(render_log_csv(poisoned(payload)), newline="")):
            assert not [cell for cell in row if cell.startswith(("=", "@", "\x1b", "\r"))]
            assert not [cell for cell in row[:-1] if cell.startswith(("+", "-")) and not cell[1:3].isdigit()]


def test_no_escape_reaches_a_terminal(poisoned: Callable[[str], ReportDocument]) -> None:
    told = render_log_text(poisoned("\x1b[2J\u202e\n"), width=100)
    assert "\x1b" not in told
    assert "\u202e" not in told


def test_an_attempt_in_which_nothing_was_raised(document: ReportDocument) -> None:
    empty = replace(document, attempts=(replace(document.attempts[0], log=LogBook()),))
    assert "Nothing was raised." in render_log_text(empty)
    assert "Nothing was raised." in render_html(empty)
    assert render_log_csv(empty).count("\r\n") == 1
