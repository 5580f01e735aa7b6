"""Days and times of day as people write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from harness.site.moments import moment_of, moment_text, read_day, read_moment, read_until, utc_ns_of
from harness.site.problems import Mismatch

EAST = timezone(timedelta(hours=2))
NOW = datetime(2026, 11, 29, 15, 30, 20, tzinfo=EAST)
S = 1_000_000_000


def at(*parts: int, zone: timezone = EAST) -> int:
    return utc_ns_of(datetime(*parts, tzinfo=zone))  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-11-29 09:14", at(2026, 11, 29, 9, 14)),
        ("2026-11-29T9:14:05", at(2026, 11, 29, 9, 14, 5)),
        (" 2026-11-29 09:14 +01:00 ", at(2026, 11, 29, 8, 14, zone=UTC)),
        ("2026-11-29 09:14:05Z", at(2026, 11, 29, 9, 14, 5, zone=UTC)),
    ],
)
def test_a_moment(text: str, expected: int) -> None:
    assert read_moment(text, EAST) == expected


def test_without_a_zone_it_is_this_computers() -> None:
    assert read_moment("2026-11-29 09:14") == utc_ns_of(datetime(2026, 11, 29, 9, 14).astimezone())


@pytest.mark.parametrize(
    "text", ["", "noon", "09:14", "2026-11-29", "2026-13-29 09:14", "2026-11-29 25:00", "29.11. 9:14"]
)
def test_no_moment(text: str) -> None:
    with pytest.raises(Mismatch, match="expected a day and a time of day"):
        read_moment(text, EAST)


def test_a_day() -> None:
    assert read_day(" 2026-12-24 ") == date(2026, 12, 24)
    for text in ("2026-12-32", "2026-W48-7", "20261224", "24.12.2026", ""):
        with pytest.raises(Mismatch, match="expected a day: year-month-day"):
            read_day(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("17:00", at(2026, 11, 29, 17, 0)),
        ("2026-11-30 9:00", at(2026, 11, 30, 9, 0)),
        ("4 h", utc_ns_of(NOW) + 4 * 3600 * S),
        ("90min", utc_ns_of(NOW) + 5400 * S),
    ],
)
def test_until(text: str, expected: int) -> None:
    assert read_until(text, NOW) == expected


@pytest.mark.parametrize(
    ("text", "remedy"),
    [("15:30", "for tomorrow write 2026-11-30 15:30"), ("2026-11-29 15:00", "write a later one")],
)
def test_an_end_that_has_passed(text: str, remedy: str) -> None:
    with pytest.raises(Mismatch, match="expected a time to come, and now it is 2026-11-29 15:30") as caught:
        read_until(text, NOW)
    assert caught.value.remedy == remedy


@pytest.mark.parametrize("text", ["5", "evening", "4 weeks", "25:00"])
def test_no_end(text: str) -> None:
    with pytest.raises(Mismatch):
        read_until(text, NOW)


def test_a_moment_is_written_as_it_is_read() -> None:
    text = moment_text(utc_ns_of(NOW) + 999_999_999, EAST)
    assert text == "2026-11-29 15:30:20+02:00"
    assert read_moment(text, UTC) == utc_ns_of(NOW)
    assert moment_of(utc_ns_of(NOW), EAST) == NOW
