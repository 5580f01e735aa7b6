"""Whether a foreign clock kept within a limit: proven, refuted, or neither. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum, unique

from harness.core.instants import Bounds
from harness.measure.clock_steps import HOUR_NS, ClockHistory


@unique
class Within(StrEnum):
    """What is known of a clock and a limit."""

    YES = "within"
    NO = "outside"
    UNTOLD = "cannot be told"


def stays_within(history: ClockHistory | None, limit_ns: int, own_error_ns: int | None, *, hours_apart: bool) -> Within:
    """Whether the clock was ever off by more than ``limit_ns``.

    That it was, one time proves by itself. That it never was is told for a clock that was set no oftener than its times
    need: that somebody set it away and back between two of them, or by less than one of them tells, nothing can
    exclude. A time that is known from one side only says nothing for it, and where it may be far behind, so may have
    been the clock.

    ``own_error_ns``: how far our own clock may be off, which excuses so much, and proves so much less; None where
    nobody knows, and nothing is proven of a clock by one that may itself be off by anything. ``hours_apart``: nobody
    knows whether an offset of an hour is right.
    """
    if history is None or own_error_ns is None:
        return Within.UNTOLD
    widest = limit_ns + own_error_ns
    offsets = [it.offset for it in history.readings]
    allowed = [Bounds(by - widest, by + widest) for by in ((-HOUR_NS, 0, HOUR_NS) if hours_apart else (0,))]
    if any(all(it.meet(one) is None for one in allowed) for it in offsets):
        return Within.NO
    certain = limit_ns - own_error_ns
    if hours_apart or history.unexplained or any(it.lo < -certain or it.hi > certain for it in _possible(history)):
        return Within.UNTOLD
    if any(it.at.is_open_below and it.offset.lo < -certain for it in history.readings):
        return Within.UNTOLD
    return Within.YES


def _possible(history: ClockHistory) -> Iterable[Bounds]:
    """Bounds between which every offset lies: a line is never outside of its ends, wherever a stretch may end."""
    last = len(history.stretches) - 1
    for number, stretch in enumerate(history.stretches):
        begin = history.readings[0].at.hi if number == 0 else history.settings[number - 1].at.lo
        end = history.readings[-1].at.hi if number == last else history.settings[number].at.hi
        yield from (stretch.offset_at(instant) for instant in (begin, end))
