"""Times as a controller writes them beside its entries: with or without a year or a date, in its own local time. Pure.

A format is one of ``datetime.strptime``; without one, ISO 8601 is expected. What is left out (the year, the whole date)
is taken to be the one that is nearest to the test; where two are as near, the time cannot be read.
"""

from __future__ import annotations

import re
from calendar import isleap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

from harness.core.instants import NS_PER_S

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_YEAR: Final = ("%Y", "%y", "%c", "%x", "%G", "%D")
_DAY: Final = ("%d", "%j", "%c", "%x", "%D")
_LEAP_DAY: Final = "2000-01-01"
_CLOCK: Final = re.compile(r"\d\d:?\d\d(:?\d\d(?:[.,]\d+)?)?")
_FRACTION: Final = re.compile(r"[.,](\d{1,9})(?!.*[.,]\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """When the test was, in the controller's local time: ns since 1970-01-01T00:00 of that clock, were it right."""

    begin_ns: int
    end_ns: int
    utc_offset_s: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenTime:
    """A time in ns since 1970 of the controller's local time, and the step in which it is written."""

    local_ns: int
    resolution_ns: int


class WrittenTimeError(ValueError):
    """A text is no time of this format, or fits two times as well."""


def says_day(form: str) -> bool:
    """Whether times of a format say which day they are of."""
    return not form or any(code in form for code in _DAY)


def read_time(text: str, form: str, test: Period) -> WrittenTime:
    """The time that ``text`` is. WrittenTimeError where it is none, or it cannot be told which."""
    text = " ".join(text.split())
    if not form:
        return _iso(text, test)
    form = " ".join(form.split())
    found = list(_meant(text, form, test))
    if not found:
        raise WrittenTimeError(f"time={text!r}: expected the format {form}")
    resolution_ns = _resolution_ns(text, form)
    return WrittenTime(local_ns=_nearest([_ns(it, test) for it in found], test, text), resolution_ns=resolution_ns)


def _meant(text: str, form: str, test: Period) -> Iterator[datetime]:
    """All that a text may mean by a format: on every day, or in every year, that the test may be of.

    What stays the same is read once, in a leap year; only the number of a day within its year, and of a week, does not.
    """
    if not any(code in form for code in _DAY):
        base = _parsed(f"{text} {_LEAP_DAY}", f"{form} %Y-%m-%d")
        if base is not None:
            yield from (base.replace(year=day.year, month=day.month, day=day.day) for day in _days(test))
    elif any(code in form for code in _YEAR):
        base = _parsed(text, form)
        if base is not None:
            yield base
    elif any(code in form for code in ("%j", "%U", "%W")):
        read = (_parsed(f"{text} {year}", f"{form} %Y") for year in _years(test))
        yield from (it for it in read if it is not None)
    else:
        base = _parsed(f"{text} {_LEAP_DAY[:4]}", f"{form} %Y")
        if base is not None:
            is_leap_day = (base.month, base.day) == (2, 29)
            yield from (base.replace(year=year) for year in _years(test) if isleap(year) or not is_leap_day)


def _parsed(text: str, form: str) -> datetime | None:
    try:
        return datetime.strptime(text, form)  # noqa: DTZ007 - local time of a foreign clock
    except ValueError:
        return None


def _iso(text: str, test: Period) -> WrittenTime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as exc:
        raise WrittenTimeError(f"time={text!r}: expected ISO 8601, such as 2026-11-24 23:51:07") from exc
    clock = _CLOCK.match(text[11:])  # without the offset from UTC that may follow
    if clock is None:
        raise WrittenTimeError(f"time={text!r}: is a date without a time; expected both")
    resolution_ns = _resolution_ns(clock[0], "%S" if clock[1] else "%M")
    return WrittenTime(local_ns=_ns(moment, test), resolution_ns=resolution_ns)


def _ns(moment: datetime, test: Period) -> int:
    """A time that says its offset is turned into the controller's local time; any other is that."""
    if moment.tzinfo is not None:
        try:
            moment = moment.astimezone(UTC) + timedelta(seconds=test.utc_offset_s)
        except OverflowError as exc:  # about the years 1 and 9999
            raise WrittenTimeError(f"time={moment.isoformat()}: is out of range") from exc
    since = moment.replace(tzinfo=UTC) - _EPOCH
    return (since.days * 86_400 + since.seconds) * NS_PER_S + since.microseconds * 1_000


def _resolution_ns(text: str, form: str) -> int:
    """One second, or what the written digits say; one minute where no seconds are written."""
    fraction = _FRACTION.search(text) if form in ("%S", "%M") or "%f" in form else None
    if fraction is not None:
        return max(1, NS_PER_S // int(10 ** len(fraction[1])))
    if "%S" in form or any(code in form for code in ("%c", "%X", "%T", "%r", "%s")):
        return NS_PER_S
    return 60 * NS_PER_S if "%M" in form or "%R" in form else 3_600 * NS_PER_S


def _days(test: Period) -> Iterable[date]:
    """Every day of the test, one before and one after; a test of weeks is no place for times without a date."""
    first = (_EPOCH + timedelta(seconds=test.begin_ns // NS_PER_S)).date()
    last = (_EPOCH + timedelta(seconds=test.end_ns // NS_PER_S)).date()
    return (first + timedelta(days=number) for number in range(-1, min(60, (last - first).days) + 2))


def _years(test: Period) -> Iterable[int]:
    first = (_EPOCH + timedelta(seconds=test.begin_ns // NS_PER_S)).year
    last = (_EPOCH + timedelta(seconds=test.end_ns // NS_PER_S)).year
    return range(first - 1, last + 2)


def _nearest(found: Iterable[int], test: Period, text: str) -> int:
    """The one that is nearest to the test. WrittenTimeError where two are in it, or as near."""
    ordered = sorted((max(test.begin_ns - it, it - test.end_ns, 0), it) for it in set(found))
    if len(ordered) > 1 and ordered[0][0] == ordered[1][0]:
        raise WrittenTimeError(f"time={text!r}: fits two days of the test; export the history with dates")
    return ordered[0][1]
