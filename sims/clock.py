"""The clock of the simulated controller: right, or off by an amount, or running fast, or set while nobody looks."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from sims.durations import parse_duration

DRIFT_MAX_PPM: Final = 100_000


def read_signed(text: str) -> int:
    """Nanoseconds of a duration with or without a sign. ValueError with what was expected for anything else."""
    bare = text.strip()
    size_ns = parse_duration(bare.removeprefix("-").removeprefix("+"))
    return -size_ns if bare.startswith("-") else size_ns


def read_setting(text: str) -> tuple[int, int]:
    """``30s=-1h``: set back by an hour 30 s after the start. ValueError with what was expected for anything else."""
    after, equals, by = text.partition("=")
    if not equals:
        raise ValueError(f"{text!r}: expected AFTER=BY, for example 30s=-1h")
    return parse_duration(after), read_signed(by)


class SiteClock:
    """Reads UTC as this computer had it at the start, and from then on by the clock that never jumps."""

    def __init__(
        self,
        offset_ns: int = 0,
        drift_ppm: int = 0,
        settings: Sequence[tuple[int, int]] = (),
        now_ns: Callable[[], int] | None = None,
    ) -> None:
        """``settings``: (ns after the start, by how many ns it is set ahead then). ``now_ns``: time.monotonic_ns."""
        self._now_ns = now_ns or time.monotonic_ns
        self._offset_ns = offset_ns
        self._drift_ppm = drift_ppm
        self._settings = tuple(settings)
        self._started = datetime.now(UTC)
        self._started_ns = self._now_ns()

    def off_ns(self, at_ns: int) -> int:
        """How far it is ahead at an instant of the monotonic clock."""
        since_ns = at_ns - self._started_ns
        set_by_ns = sum(by_ns for after_ns, by_ns in self._settings if after_ns <= since_ns)
        return self._offset_ns + since_ns * self._drift_ppm // 1_000_000 + set_by_ns

    def shown_ns(self, at_ns: int) -> int:
        """What it shows at an instant of the monotonic clock, in ns since 1970."""
        started_ns = (self._started - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1_000
        return started_ns + at_ns - self._started_ns + self.off_ns(at_ns)

    def read(self) -> datetime:
        """What it shows now."""
        at_ns = self._now_ns()
        shown_ns = at_ns - self._started_ns + self.off_ns(at_ns)
        return self._started + timedelta(microseconds=shown_ns // 1_000)
