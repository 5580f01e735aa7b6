"""Days and times of day as people write them, and as files keep them: ``2026-12-24``, ``2026-11-29 09:14 +01:00``."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final

from harness.core.instants import NS_PER_S
from harness.site.durations import read_duration
from harness.site.names import shown
from harness.site.problems import Mismatch

_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_MOMENT: Final = re.compile(
    r"(?P<day>\d{4}-\d{2}-\d{2})[ T]+(?P<time>\d{1,2}:\d{2}(?::\d{2})?)\s*(?P<zone>Z|[+-]\d{2}:\d{2})?"
)
_TIME: Final = re.compile(r"\d{1,2}:\d{2}")
_DURATION: Final = re.compile(r"[0-9.,]+\s*[A-Za-z]+")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def read_day(text: str) -> date:
    """A day such as ``2026-12-24``. Raises Mismatch."""
    if _DAY.fullmatch(text.strip()):
        try:
            return date.fromisoformat(text.strip())
        except ValueError:
            pass
    raise Mismatch("expected a day: year-month-day", "for example 2026-12-24", code="day")


def read_moment(text: str, zone: tzinfo | None = None) -> int:
    """UTC in ns since 1970 of ``2026-11-29 09:14``, seconds and ``+01:00`` as wished. Raises Mismatch.

    Without an offset it is local time: of ``zone``, else of this computer.
    """
    found = _MOMENT.fullmatch(text.strip())
    if found is None:
        raise Mismatch("expected a day and a time of day", "for example 2026-11-29 09:14", code="moment")
    time = found["time"].zfill(5) if found["time"].count(":") == 1 else found["time"].zfill(8)
    try:
        naive = datetime.fromisoformat(f"{found['day']}T{time}")
        if found["zone"]:
            return utc_ns_of(datetime.fromisoformat(f"{found['day']}T{time}{found['zone']}"))
        return utc_ns_of(naive.astimezone() if zone is None else naive.replace(tzinfo=zone))
    except (ValueError, OverflowError, OSError):
        raise Mismatch(
            "expected a day and a time of day that exist", "for example 2026-11-29 09:14", code="moment"
        ) from None


def read_until(text: str, now: datetime) -> int:
    """UTC in ns of an end to come: ``17:00`` today, ``2026-11-30 17:00``, or ``4 h`` from ``now``. Raises Mismatch.

    Local times are those of the zone of ``now``.
    """
    stripped = text.strip()
    if _TIME.fullmatch(stripped):
        until = read_moment(f"{now.date().isoformat()} {stripped}", now.tzinfo)
    elif _DURATION.fullmatch(stripped):
        until = utc_ns_of(now) + read_duration(stripped)
    else:
        until = read_moment(stripped, now.tzinfo)
    if until <= utc_ns_of(now):
        raise Mismatch(
            f"expected a time to come, and now it is {now:%Y-%m-%d %H:%M}",
            f"for tomorrow write {(now + timedelta(days=1)).date()} {shown(stripped)[-5:]}"
            if _TIME.fullmatch(stripped)
            else "write a later one",
            code="moment",
        )
    return until


def utc_ns_of(moment: datetime) -> int:
    """UTC in ns since 1970 of a time that knows its zone."""
    since = moment - _EPOCH
    return (since.days * 86_400 + since.seconds) * NS_PER_S + since.microseconds * 1_000


def moment_of(utc_ns: int, zone: tzinfo | None = None) -> datetime:
    """The local time, of ``zone`` or else of this computer, in whole seconds, rounded down."""
    return (_EPOCH + timedelta(seconds=utc_ns // NS_PER_S)).astimezone(zone)


def moment_text(utc_ns: int, zone: tzinfo | None = None) -> str:
    """As files keep it, to the second and with its offset: ``2026-11-29 09:14:05+01:00``; ``read_moment`` reads it."""
    return moment_of(utc_ns, zone).isoformat(sep=" ", timespec="seconds")
