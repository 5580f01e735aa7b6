"""Numbers as people read them. Integer arithmetic only, so that no machine or locale rounds differently.

Bounds are rounded outwards: the interval shown always holds the interval that was found.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from harness.core.durations import at_most, bounds, decimal, duration, measured
from harness.core.instants import NS_PER_MS, NS_PER_S

__all__ = ("at_most", "bounds", "clock", "count", "decimal", "duration", "local", "measured", "offset", "share", "utc")


def utc(at_ns: int) -> str:
    """An instant in ns since 1970 as ``2026-11-24 23:51:07 UTC`` (whole seconds, rounded down)."""
    return _stamp(at_ns, UTC) + " UTC"


def local(at_ns: int, utc_offset_s: int) -> str:
    """The same by a clock that is set to ``utc_offset_s`` seconds ahead of UTC, with the offset said."""
    return f"{_stamp(at_ns, timezone(timedelta(seconds=utc_offset_s)))} {offset(utc_offset_s)}"


def offset(utc_offset_s: int) -> str:
    """``UTC+01:00``."""
    sign = "-" if utc_offset_s < 0 else "+"
    minutes = abs(utc_offset_s) // 60
    return f"UTC{sign}{minutes // 60:02d}:{minutes % 60:02d}"


def clock(at_ns: int, utc_offset_s: int = 0) -> str:
    """The time of day with milliseconds, rounded down: ``23:51:07.482``."""
    stamp = _stamp(at_ns, timezone(timedelta(seconds=utc_offset_s)))
    return f"{stamp[11:]}.{at_ns % NS_PER_S // NS_PER_MS:03d}"


def _stamp(at_ns: int, zone: timezone) -> str:
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_ns // NS_PER_S)
        return moment.astimezone(zone).replace(tzinfo=None).isoformat(sep=" ")
    except OverflowError:
        return f"{at_ns} ns since 1970"


def share(part: int, whole: int) -> str:
    """``part`` of ``whole`` in per cent with two decimals, rounded down: 100 % only where it is all."""
    return "nothing" if whole <= 0 else f"{_plain_share(part, whole)} %"


def _plain_share(part: int, whole: int) -> str:
    text = decimal(part * 100, whole, 2, up=False)
    return text.rstrip("0").rstrip(".")


def count(number: int, one: str, many: str | None = None) -> str:
    """``1 poll``, ``1,204 polls``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
