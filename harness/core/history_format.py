"""How a controller's alarm history is written: which column holds what, and what is taken of its clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import NS_PER_S

HISTORY_COLUMNS: Final = ("alarm", "time", "date", "event", "cleared at")
"""What a table of an alarm history may hold. ``time`` and ``date`` may be one column or two; without ``event`` every
row is a raise; ``cleared at`` is the time at which the alarm of the same row cleared."""

LATE_DEFAULT_NS: Final = 2 * NS_PER_S
"""An alarm is written with a time at most so long after it was raised: common practice, no source."""

CLOCK_WITHIN_DEFAULT_NS: Final = 15 * 60 * NS_PER_S
"""A controller's clock that somebody set once is off by no more: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryFormat:
    """The history of one controller, as it exports or prints it.

    ``columns``: of ``HISTORY_COLUMNS``, the name of the column. ``time_format``: as ``datetime.strptime`` has it, ''
    for ISO 8601. ``raised``, ``cleared``, ``ignored``: words of the event column, whatever their letter case.
    ``other_lines``: patterns of printed lines that tell of no alarm.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    sheet: str = ""
    header_row: int = 1
    time_format: str = ""
    raised: tuple[str, ...] = ()
    cleared: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    other_lines: tuple[str, ...] = ()
    late_ns: int = LATE_DEFAULT_NS
    clock_within_ns: int = CLOCK_WITHIN_DEFAULT_NS
