"""What came of alarms that were held for ever shorter times, at one output."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.durations import duration
from harness.core.instants import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Tries:
    """All tries at one time. ``asked_ns``: how long the alarm was to be held; ``held``: how long it really was."""

    asked_ns: int
    held: Bounds
    shown: int
    not_shown: int
    unknown: int

    @property
    def total(self) -> int:
        """How many there were."""
        return self.shown + self.not_shown + self.unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One alarm at one output, the longest time first."""

    alarm: str
    point: str
    tries: tuple[Tries, ...]

    @property
    def reliable_ns(self) -> int | None:
        """The shortest time at which every try was shown, and at every longer one too; None where there is none."""
        found = None
        for one in self.tries:
            if one.shown < one.total:
                break
            found = one.asked_ns
        return found

    @property
    def lost_ns(self) -> int | None:
        """The longest time at which a try was proven not to be shown; None where there is none."""
        return next((one.asked_ns for one in self.tries if one.not_shown), None)

    @property
    def words(self) -> str:
        """What it came to, in a sentence."""
        if self.reliable_ns is None:
            text = f"not shown every time, not even when held for {duration(self.tries[0].asked_ns)}"
        else:
            text = f"shown every time when held for {duration(self.reliable_ns)} or longer"
        if self.lost_ns is not None:
            return f"{text}; lost at least once at {duration(self.lost_ns)}"
        unknown = any(it.unknown for it in self.tries)
        return f"{text}; for shorter times the readings are too far apart to tell" if unknown else text
