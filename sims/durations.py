"""Durations as people write them: ``20ms``, ``1.5 s``, ``2min``."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

NS_PER_MS: Final = 1_000_000
NS_PER_S: Final = 1_000_000_000

_UNITS_NS: Final = {"us": 1_000, "ms": NS_PER_MS, "s": NS_PER_S, "min": 60 * NS_PER_S, "h": 3600 * NS_PER_S}
_DURATION: Final = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(us|ms|s|min|h)\s*")


def is_duration(text: str) -> bool:
    """Whether ``text`` is a number with a unit of time."""
    return _DURATION.fullmatch(text) is not None


def parse_duration(text: str) -> int:
    """Nanoseconds of a number with a unit.

    Raises ValueError, with what was expected, for anything else; a bare number has no meaning here.
    """
    found = _DURATION.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r}: expected a number with a unit (us, ms, s, min, h), for example 20ms or 1.5s")
    return int(Decimal(found[1]) * _UNITS_NS[found[2]])


def format_duration(duration_ns: int) -> str:
    """The shortest way to write a duration that reads back as the same number of nanoseconds, from 1 us up."""
    for unit in ("s", "ms"):
        value = Decimal(duration_ns) / _UNITS_NS[unit]
        if value >= 1 or not duration_ns:
            return f"{value.normalize():f}{unit}"
    return f"{(Decimal(duration_ns) / 1000).normalize():f}us"
