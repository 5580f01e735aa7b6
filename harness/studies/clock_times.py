"""The times of one foreign clock, gathered from records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import NS_PER_S, Bounds
from harness.measure.clock_line import ClockReading
from harness.studies.local_clock import Written

_MINUTE_NS: Final = 60 * NS_PER_S

OFF_MAX_NS: Final = 60 * 365 * 86_400 * NS_PER_S
"""A clock that is off by more than 60 years is no clock: a device that was never set begins in 1970 or later, or says
no date at all (from memory). Longer times could not be told from "not bounded"."""


@dataclass(slots=True, kw_only=True)
class ClockTimes:
    """The times of one clock, as they come out of records, on UTC by the testing machine.

    ``written``: by how they were told, (within which the clock was read, what it said, in what step). ``waiting``: by
    how they were told, for each of ``written`` whether its sender keeps it until it is confirmed. ``unread``: times
    that cannot be read; ``twice``: times of an hour that comes twice, which are not used; ``again``: messages that were
    sent again; ``numbered``: sequence numbers that stand in place of time stamps; ``undated``: times without a day.
    """

    link: str
    longest_delay_ns: int | None = None
    written: dict[str, list[tuple[Bounds, int, int]]] = field(default_factory=dict)
    waiting: dict[str, list[bool]] = field(default_factory=dict)
    unread: int = 0
    twice: int = 0
    again: int = 0
    numbered: int = 0
    undated: int = 0

    def step_ns(self, kind: str) -> int:
        """The step in which all times of one kind are written.

        A clock that says hundredths and never has any does not tell hundredths: the step is the coarsest that fits.
        """
        times = self.written[kind]
        said = max(step for _, _, step in times)
        steps = [_MINUTE_NS, *(NS_PER_S // 10**power for power in range(10))]
        coarser = (it for it in steps if it > said and all(value % it == 0 for _, value, _ in times))
        return next(coarser, said)

    def readings(self, kind: str, widened_ns: int = 0) -> list[ClockReading]:
        """The readings of one kind. A time is cut or rounded to its step: nobody says which."""
        step_ns = self.step_ns(kind)
        found = []
        for at, value, own_ns in self.written[kind]:
            step = max(step_ns, own_ns)
            lo = at.lo if at.is_open_below else at.lo - widened_ns
            stood = Bounds(value - step // 2, value + step)
            found.append(ClockReading(at=Bounds(lo, at.hi + widened_ns), stood=stood))
        return found

    @property
    def is_anything(self) -> bool:
        """Whether the link told of a clock at all, or tried to."""
        return bool(self.written) or self.unread + self.twice + self.numbered > 0

    def join(self, other: ClockTimes) -> None:
        """Take the times of the same clock in another record."""
        for kind, times in other.written.items():
            self.written.setdefault(kind, []).extend(times)
            self.waiting.setdefault(kind, []).extend(other.waiting[kind])
        for name in ("unread", "twice", "again", "numbered", "undated"):
            setattr(self, name, getattr(self, name) + getattr(other, name))

    def add(self, kind: str, at: Bounds, written: Written | None, *, may_wait: bool = False) -> None:
        """Take one time. ``may_wait``: it was kept until it was confirmed, so it may be older than any delay."""
        if written is None or any(abs(it - at.hi) > OFF_MAX_NS for it in written.utc_ns):
            self.unread += 1
        elif len(written.utc_ns) > 1:
            self.twice += 1
        else:
            self.written.setdefault(kind, []).append((at, written.utc_ns[0], written.resolution_ns))
            self.waiting.setdefault(kind, []).append(may_wait)
