"""The log book of one attempt: what was raised, when, by whom, and what became of it. Values, and their words.

It is handed to whoever keeps the controller: every simulated alarm stands in the controller's own alarm history as if
it had been real, and with this page each such entry can be found there and marked as a test.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Step

TENTH_NS: Final = NS_PER_S // 10
"""Times are rounded outwards to tenths of a second: finer than what controllers write beside an entry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogStep:
    """One step as it was done. ``at``: ns of the run's monotonic clock. ``how``: by whom or what, in words."""

    step: Step
    at: Bounds
    proven: bool
    how: str
    note: str = ""


@unique
class Ending(StrEnum):
    """How a simulated alarm ended."""

    CLEARED = "cleared"
    BY_ITSELF = "cleared by itself"
    NOT_PROVEN = "clearing not proven"
    NOT_CLEARED = "not cleared"
    NOT_RAISED = "not raised"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One simulated alarm.

    ``alarm``: as corrected; ``recorded_alarm``: as recorded where that is another one, else ''. ``along``: the alarms
    that come up with it and so may stand in the history too. ``ended``: when it cleared, None where that is not known.
    ``remarks``: corrections, what stopped it, what else is to know.
    """

    stimulus: str
    alarm: str
    recorded_alarm: str = ""
    steps: tuple[LogStep, ...] = ()
    along: tuple[str, ...] = ()
    ending: Ending
    ended: Bounds | None = None
    remarks: tuple[str, ...] = ()

    def done(self, step: Step) -> tuple[LogStep, ...]:
        """Every try of one step, in order."""
        return tuple(it for it in self.steps if it.step is step)

    @property
    def is_open(self) -> bool:
        """Whether it may still be raised."""
        return self.ending in (Ending.NOT_CLEARED, Ending.NOT_PROVEN)


@unique
class Remark(StrEnum):
    """What else is entered, with its word."""

    NOTE = "note"
    SKIPPED = "skipped"
    NOT_POSSIBLE = "not possible"
    RETEST = "retest"
    PUT_BACK = "put back"
    INTERRUPTED = "interrupted"
    UNEXPLAINED = "came on unexplained"
    """What came on and nothing that was raised explains: its entries in the history may be real alarms."""
    STILL_SHOWN = "still shown after its clear"
    """What came after the clear may be a real alarm, and so may all of it."""
    STOPPED = "stopped for safety"
    LEFT_OPEN = "left raised by an earlier test"
    WATCHED = "only watched"
    """Nothing was raised, and nothing is judged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRemark:
    """Something entered at ``at_ns`` that is no simulated alarm. ``alarm`` is '' where it is about none."""

    kind: Remark
    at_ns: int
    alarm: str = ""
    text: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogBook:
    """Everything of one attempt. ``clock``: how far its times can be trusted, in sentences."""

    entries: tuple[LogEntry, ...] = ()
    remarks: tuple[LogRemark, ...] = ()
    not_cleared: tuple[str, ...] = ()
    clock: tuple[str, ...] = ()


# --- words ----------------------------------------------------------------------------------------


def tenths(at: Bounds, utc_shift_ns: int, offset_s: int) -> tuple[str, str]:
    """Both ends of an instant as local times with tenths of a second, rounded outwards; '' for an open end.

    ``utc_shift_ns``: what makes ns since 1970 of an instant of the run. (Bounds of UTC times would count as open from
    the year 2043 on.)
    """
    low = "" if at.is_open_below else stamp((at.lo + utc_shift_ns) // TENTH_NS, offset_s)
    high = "" if at.is_open_above else stamp(-(-(at.hi + utc_shift_ns) // TENTH_NS), offset_s)
    return low, high


def stamp(tenths_utc: int, offset_s: int) -> str:
    """``2026-11-25 00:51:07.4`` of so many tenths of a second since 1970, by a clock ``offset_s`` ahead of UTC."""
    seconds, tenth = divmod(tenths_utc + offset_s * 10, 10)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    return f"{moment:%Y-%m-%d %H:%M:%S}.{tenth}"


def when_words(ends: tuple[str, str], *, day: bool = True) -> str:
    """``2026-11-25 00:51:07.4 to 07.5`` of what ``tenths`` gives: only as much of the second time as differs.

    ``day``: with its date.
    """
    low, high = ends
    if not low or not high:
        known = low or high
        return "not known" if not known else f"{'from' if low else 'until'} {known if day else known[11:]} on"
    begin = low if day else low[11:]
    if low == high:
        return begin
    same = next((size for size in (17, 14, 11) if low[:size] == high[:size]), 0)
    return f"{begin} to {high[same:]}"
