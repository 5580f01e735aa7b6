"""Times that were told later than was declared, shown by a clock that was asked besides. Pure.

A clock that is asked is read between asking and the answer, whatever anybody declares. A time that came unasked says
that the clock was behind only if it did not wait on its way. Where the readings by asking contradict that, it waited,
or the clock was set away and back between two of them: either way it bounds the clock from one side only.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction

from harness.core.instants import FOREVER, Bounds
from harness.measure.clock_line import RATE_MAX_DEFAULT, ClockReading
from harness.measure.clock_steps import ClockHistory, ClockStretch, clock_history


def told_late(
    asked: Sequence[ClockReading],
    readings: Sequence[ClockReading],
    delay_ns: int | None,
    rate_max: Fraction = RATE_MAX_DEFAULT,
) -> list[bool]:
    """For each of ``readings``: whether every clock that fits ``asked`` shows that it was told after ``delay_ns``.

    None of them is late where ``asked`` is (), or where no longest delay is declared.
    """
    if not asked or delay_ns is None:
        return [False] * len(readings)
    history = clock_history(asked, rate_max)
    return [_is_late(it, it.at.hi - delay_ns if it.at.is_open_below else it.at.lo, history) for it in readings]


def from_one_side(it: ClockReading) -> ClockReading:
    """The reading, taken some time before it was told."""
    return ClockReading(at=Bounds(-FOREVER, it.at.hi), stood=it.stood)


def _is_late(it: ClockReading, earliest: int, history: ClockHistory) -> bool:
    """A line that fits stood above what was told already at the earliest instant that was declared."""
    return all(one.offset_at(earliest).lo > it.stood.hi - earliest for one in _at(earliest, history))


def _at(instant: int, history: ClockHistory) -> Iterable[ClockStretch]:
    """The stretches that an instant may be of: two or more about a setting."""
    begins = [-FOREVER, *(one.at.lo for one in history.settings)]
    ends = [*(one.at.hi for one in history.settings), FOREVER]
    for stretch, begin, end in zip(history.stretches, begins, ends, strict=True):
        if begin <= instant <= end:
            yield stretch
