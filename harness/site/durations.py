"""Durations as people write them, always with a unit: ``200 ms``, ``1.5 s``, ``2 min``, ``1.5 s +/- 200 ms``."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S, NS_PER_US, Bounds
from harness.site.problems import Mismatch

NS_PER_UNIT: Final = {
    "us": NS_PER_US,
    "ms": NS_PER_MS,
    "s": NS_PER_S,
    "min": 60 * NS_PER_S,
    "h": 3600 * NS_PER_S,
}
LONGEST_NS: Final = 31 * 24 * NS_PER_UNIT["h"]
"""A month: a soak takes days, and every sum of a few of these stays far below ``FOREVER``."""

DURATION_PATTERN: Final = r"^\s*[0-9]{1,9}(\.[0-9]{1,9})?\s*(us|\u00b5s|\u03bcs|ms|s|min|h)\s*$"
"""The form of one duration, also for the JSON Schema."""

_PART: Final = re.compile(r"\s*(?P<number>[0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(?P<unit>[A-Za-z\u00b5\u03bc]+)\s*")
_BARE: Final = re.compile(r"\s*[0-9]{1,9}([.,][0-9]{1,9})?\s*")
_EXPECTED: Final = "expected a duration with its unit (us, ms, s, min or h)"
_SPELT: Final = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "mins": "min", "minute": "min", "minutes": "min", "m": "min", "hr": "h", "hour": "h", "hours": "h",
}  # fmt: skip


def read_duration(text: str) -> int:
    """Nanoseconds of a duration such as ``200 ms``. Raises Mismatch."""
    stripped = text.strip()
    if _BARE.fullmatch(stripped):
        number = stripped.replace(",", ".")
        raise Mismatch(_EXPECTED, f"write {number} ms or {number} s, whichever is meant", code="duration-unit")
    if "," in stripped and _PART.fullmatch(stripped.replace(",", ".")):
        raise Mismatch("expected a decimal point", f"write {stripped.replace(',', '.')}", code="duration")
    part = _PART.fullmatch(stripped)
    if part is None:
        raise Mismatch(_EXPECTED, "for example 200 ms", code="duration")
    unit = part["unit"].replace("\u00b5", "u").replace("\u03bc", "u")
    if unit not in NS_PER_UNIT:
        known = _SPELT.get(unit.casefold()) or (unit.casefold() if unit.casefold() in NS_PER_UNIT else None)
        remedy = f"write {part['number']} {known}" if known else "for example 200 ms"
        raise Mismatch(_EXPECTED, remedy, code="duration-unit")
    nanoseconds = Decimal(part["number"]) * NS_PER_UNIT[unit]
    if nanoseconds != int(nanoseconds):
        raise Mismatch("expected whole nanoseconds", "use fewer decimal places", code="duration")
    if nanoseconds > LONGEST_NS:
        raise Mismatch("expected at most 31 days (744 h)", "use a shorter time", code="duration")
    return int(nanoseconds)


def read_span(text: str) -> Bounds:
    """Closed bounds of a duration that is known within some: ``1.5 s +/- 200 ms``; exact without ``+/-``.

    Raises Mismatch.
    """
    middle, sign, tolerance = text.replace("\u00b1", "+/-").partition("+/-")
    about = read_duration(middle)
    if not sign:
        return Bounds.exactly(about)
    either_side = read_duration(tolerance)
    if either_side > about:
        raise Mismatch("expected a tolerance no greater than the time itself", code="duration")
    return Bounds(about - either_side, about + either_side)


def read_range(text: str) -> Bounds:
    """Closed bounds of a duration: ``0 ms to 50 ms``, or one time alone, where it is always that. Raises Mismatch."""
    low, to, high = text.partition(" to ")
    if not to:
        return Bounds.exactly(read_duration(text))
    least, most = read_duration(low), read_duration(high)
    if most < least:
        raise Mismatch("expected the shorter time first", f"write {high.strip()} to {low.strip()}", code="duration")
    return Bounds(least, most)


def write_duration(duration_ns: int) -> str:
    """The shortest exact way to write it, in the largest unit that stays below four digits where it can."""
    if duration_ns == 0:
        return "0 s"
    for unit in ("h", "min", "s", "ms", "us"):
        number = Decimal(duration_ns) / NS_PER_UNIT[unit]
        if (
            1 <= number < 10_000_000
            and number == round(number, 3)
            and (unit not in ("h", "min") or number == int(number))
        ):
            return f"{number.normalize():f} {unit}"
    unit = "s" if duration_ns >= NS_PER_S else "us"
    return f"{(Decimal(duration_ns) / NS_PER_UNIT[unit]).normalize():f} {unit}"
