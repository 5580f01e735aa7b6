"""Times beside the entries of an alarm history: formats, steps, and what is left out of them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.site.written_times import Period, WrittenTimeError, read_time

S, MS = NS_PER_S, NS_PER_MS


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S


def period(begin: str, end: str, utc_offset_s: int = 3600) -> Period:
    return Period(begin_ns=ns(begin), end_ns=ns(end), utc_offset_s=utc_offset_s)


MORNING = period("2026-11-25 08:00", "2026-11-25 11:30")
NIGHT = period("2026-11-25 22:00", "2026-11-26 04:00")
NEW_YEAR = period("2026-12-31 22:00", "2027-01-01 02:00")


@pytest.mark.parametrize(
    ("text", "form", "test", "local", "resolution_ns"),
    [
        ("25-11 09:10:11", "%d-%m %H:%M:%S", MORNING, "2026-11-25 09:10:11", S),
        ("25-11-26  09:10", "%d-%m-%y %H:%M", MORNING, "2026-11-25 09:10", 60 * S),
        ("11/25/2026 9:10:11 PM", "%m/%d/%Y %I:%M:%S %p", MORNING, "2026-11-25 21:10:11", S),
        ("09:10:11", "%H:%M:%S", MORNING, "2026-11-25 09:10:11", S),
        ("23:10:11", "%H:%M:%S", NIGHT, "2026-11-25 23:10:11", S),
        ("01:10:11", "%H:%M:%S", NIGHT, "2026-11-26 01:10:11", S),
        ("31-12 23:59:59", "%d-%m %H:%M:%S", NEW_YEAR, "2026-12-31 23:59:59", S),
        ("01-01 00:00:01", "%d-%m %H:%M:%S", NEW_YEAR, "2027-01-01 00:00:01", S),
        ("29-02 10:00:00", "%d-%m %H:%M:%S", period("2028-03-01 08:00", "2028-03-01 09:00"), "2028-02-29 10:00", S),
        ("2026-11-25T09:10:11", "", MORNING, "2026-11-25 09:10:11", S),
        ("2026-11-25 09:10", "", MORNING, "2026-11-25 09:10", 60 * S),
        ("2026-11-25T08:10:11Z", "", MORNING, "2026-11-25 09:10:11", S),
        ("2026-11-25T09:10+01:00", "", MORNING, "2026-11-25 09:10", 60 * S),
        ("25 Nov 2026, 09:10:11", "%d %b %Y, %H:%M:%S", MORNING, "2026-11-25 09:10:11", S),
    ],
)
def test_formats(text: str, form: str, test: Period, local: str, resolution_ns: int) -> None:
    read = read_time(text, form, test)
    assert (read.local_ns, read.resolution_ns) == (ns(local), resolution_ns)


@pytest.mark.parametrize(
    ("text", "form", "fraction_ns", "resolution_ns"),
    [
        ("2026-11-25 09:10:11.5", "", 500 * MS, 100 * MS),
        ("2026-11-25 09:10:11.482", "%Y-%m-%d %H:%M:%S.%f", 482 * MS, MS),
    ],
)
def test_fractions(text: str, form: str, fraction_ns: int, resolution_ns: int) -> None:
    read = read_time(text, form, MORNING)
    assert (read.local_ns - ns("2026-11-25 09:10:11"), read.resolution_ns) == (fraction_ns, resolution_ns)


@pytest.mark.parametrize(
    ("text", "form", "test", "message"),
    [
        ("25.11. 09:10", "%d-%m %H:%M", MORNING, "expected the format %d-%m %H:%M"),
        ("yesterday", "", MORNING, "expected ISO 8601"),
        ("2026-11-25", "", MORNING, "is a date without a time"),
        ("09:10:11", "%H:%M:%S", period("2026-11-25 08:00", "2026-11-27 08:00"), "fits two days of the test"),
        ("29-02 10:00:00", "%d-%m %H:%M:%S", MORNING, "expected the format"),
    ],
)
def test_what_cannot_be_read_says_so(text: str, form: str, test: Period, message: str) -> None:
    with pytest.raises(WrittenTimeError, match=message):
        read_time(text, form, test)


def test_another_year_than_that_of_the_test_is_written_out() -> None:
    """A clock whose year is wrong is off by a year; one that writes no year is taken to be near."""
    assert read_time("25-11-25 09:10", "%d-%m-%y %H:%M", MORNING).local_ns == ns("2025-11-25 09:10")
    assert read_time("24-12 09:10", "%d-%m %H:%M", MORNING).local_ns == ns("2026-12-24 09:10")
