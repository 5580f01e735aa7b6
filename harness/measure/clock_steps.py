"""When a foreign clock was set: the fewest times that explain all of its readings, and where each of them lies. Pure.

Between two settings a clock is a straight line (``clock_line``). Of a reading that may have been taken before or after
a clock was set, nothing follows for either side; so a stretch of time has to fit only what was certainly read in it.
Taking each stretch as long as a line fits gives the fewest settings, from the left the latest instant of each of
them, and from the right the earliest: whatever fits a stretch fits every part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from harness.core.instants import FOREVER, NS_PER_S, Bounds, elapsed
from harness.measure.clock_line import RATE_MAX_DEFAULT, ClockLines, ClockReading, lines_through
from harness.measure.clock_offset import agreed

HOUR_NS: Final = 3_600 * NS_PER_S
HOUR_WIDTH_MAX_NS: Final = 600 * NS_PER_S
"""A setting that is known no better than this says nothing of an hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStretch:
    """A time in which nobody set the clock. ``lines`` is None where nothing was certainly read in it.

    ``first``, ``last``: when the first and the last of these readings were told; ``count``: how many there are.
    """

    lines: ClockLines | None
    count: int
    first: int
    last: int

    def offset_at(self, instant: int) -> Bounds:
        """The offset at an instant, were it still of this stretch."""
        return Bounds(-FOREVER, FOREVER) if self.lines is None else self.lines.offset_at(instant)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSet:
    """The clock was set at an instant within ``at``; ``by``: how far, positive where it was set ahead."""

    at: Bounds
    by: Bounds

    @property
    def is_hour(self) -> bool:
        """Whether a change to or from daylight-saving time explains it."""
        return self.by.width <= HOUR_WIDTH_MAX_NS and (HOUR_NS in self.by or -HOUR_NS in self.by)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockHistory:
    """What the readings of one clock say. ``stretches`` lie between the ``settings``, so there is one more of them.

    ``readings``: by the time at which they were told. ``common``: the one offset that fits all; None where none does.
    ``unexplained``: what was read close to a setting, and fits neither the clock before it nor the one after it: it was
    told later than was declared, or the clock was set oftener there.
    """

    readings: tuple[ClockReading, ...]
    common: Bounds | None
    stretches: tuple[ClockStretch, ...]
    settings: tuple[ClockSet, ...]
    unexplained: tuple[ClockReading, ...] = ()


def clock_history(readings: Sequence[ClockReading], rate_max: Fraction = RATE_MAX_DEFAULT) -> ClockHistory:
    """The history of a clock that drifts by ``rate_max`` at most. ValueError without readings."""
    told = tuple(sorted(readings, key=lambda it: (it.at.hi, it.at.lo, it.stood)))
    latest = _latest(told, rate_max)
    mirrored = sorted((_mirrored(it) for it in told), key=lambda it: (it.at.hi, it.at.lo, it.stood))
    earliest = [-FOREVER if it >= FOREVER else 1 - it for it in reversed(_latest(mirrored, rate_max))]
    whens = [Bounds(*pair) for pair in zip(earliest, latest, strict=True)]
    stretches, unexplained = _stretches(told, whens, rate_max)
    settings = [
        ClockSet(at=at, by=_by(before, after, at))
        for at, before, after in zip(whens, stretches, stretches[1:], strict=False)
    ]
    return ClockHistory(
        readings=told,
        common=agreed(it.offset for it in told),
        stretches=stretches,
        settings=tuple(settings),
        unexplained=tuple(unexplained),
    )


def _latest(told: Sequence[ClockReading], rate_max: Fraction) -> list[int]:
    """The latest instant of each setting, with the fewest settings. ``told``: by the instant of being told."""
    found: list[int] = []
    since = -FOREVER - 1
    while True:
        mine = [it for it in told if it.at.lo >= since]
        fit = _longest_fit(mine, rate_max)
        if fit == len(mine):
            return found
        since = mine[fit].at.hi
        found.append(since)


def _longest_fit(readings: Sequence[ClockReading], rate_max: Fraction) -> int:
    """How many of the first readings one line fits: what fits them fits fewer, so strides are doubled, then halved."""
    good, bad = 0, len(readings) + 1
    stride = 1
    while good < len(readings):
        tried = min(good + stride, len(readings))
        if lines_through(readings[:tried], rate_max) is None:
            bad = tried
            break
        good, stride = tried, 2 * stride
    while bad - good > 1 and good < len(readings):
        tried = (good + bad) // 2
        if lines_through(readings[:tried], rate_max) is None:
            bad = tried
        else:
            good = tried
    return good


def _mirrored(it: ClockReading) -> ClockReading:
    """The reading with time turned round, in which a clock runs forward again."""
    return ClockReading(at=Bounds(-it.at.hi, -it.at.lo), stood=Bounds(-it.stood.hi, -it.stood.lo))


_Stretches = tuple[tuple[ClockStretch, ...], list[ClockReading]]


def _stretches(told: Sequence[ClockReading], whens: Sequence[Bounds], rate_max: Fraction) -> _Stretches:
    """The stretches between the settings, of what was certainly read in each, by its time or by what it says.

    And what fits neither side of a setting.
    """
    unexplained: list[ClockReading] = []
    begins = [-FOREVER - 1, *(it.hi for it in whens)]
    ends = [*(it.lo for it in whens), FOREVER + 1]
    members = [[it for it in told if it.at.lo >= begin and it.at.hi < end]
               for begin, end in zip(begins, ends, strict=True)]  # fmt: skip
    by_time = [_stretch(mine, rate_max) for mine in members]
    for number, (one, before, after) in enumerate(zip(whens, by_time, by_time[1:], strict=False)):
        for it in told:
            # What was read close to this setting, and to no other, belongs to the side that it does not contradict.
            if it.at.lo >= begins[number] and it.at.hi < ends[number + 1] and it.at.hi >= one.lo and it.at.lo < one.hi:
                can_be = [_may_fit(it, before), _may_fit(it, after)]
                if can_be.count(True) == 1:
                    members[number + can_be.index(True)].append(it)
                elif not any(can_be):
                    unexplained.append(it)
    return tuple(_stretch(mine, rate_max) for mine in members), unexplained


def _stretch(mine: Sequence[ClockReading], rate_max: Fraction) -> ClockStretch:
    instants = [it.at.hi for it in mine]
    lines = lines_through(mine, rate_max) if mine else None
    return ClockStretch(lines=lines, count=len(mine), first=min(instants, default=0), last=max(instants, default=0))


def _may_fit(it: ClockReading, stretch: ClockStretch) -> bool:
    """False where no line of a stretch can pass through a reading: the lowest is above it, or the highest below."""
    if not it.at.is_open_below and stretch.offset_at(it.at.lo).lo > it.stood.hi - it.at.lo:
        return False
    return stretch.offset_at(it.at.hi).hi >= it.stood.lo - it.at.hi


def _by(before: ClockStretch, after: ClockStretch, at: Bounds) -> Bounds:
    """How far it was set. Its least value is concave in the instant, its greatest convex: both are at an end."""
    found = [elapsed(before.offset_at(instant), after.offset_at(instant)) for instant in (at.lo, at.hi)]
    return Bounds(min(it.lo for it in found), max(it.hi for it in found))
