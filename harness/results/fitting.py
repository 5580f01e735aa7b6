"""Whether names fit patterns as users write them: ``bulk-a.*``."""

from __future__ import annotations

from collections.abc import Iterable
from fnmatch import fnmatchcase


def fits(names: Iterable[str], patterns: Iterable[str]) -> bool:
    """True where any of the names fits any of the patterns."""
    patterns = tuple(patterns)
    return any(fnmatchcase(name, pattern) for name in names for pattern in patterns)
