"""What is compared where an alarm history is reconciled with what was raised, and what comes out of it.

Each simulated alarm should be there once, none missing, and none that nobody raised.

The history's clock is a foreign one. Its offset is not known: what is looked for is the offset (or, where its clock was
set in between, two of them) with which the history differs least from what was raised. What several equally good ways
of reading it do not agree on cannot be told. Pure; all instants are ns of the run's own clock, and written times are
put on it as if the foreign clock had been right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.measure.clock_offset import offset_between, true_times

HOUR_NS: Final = 3_600 * NS_PER_S


@unique
class Found(StrEnum):
    """What the history says of one simulated alarm, or what is to say of one of its entries."""

    MATCHED = "matched"
    MISSING = "missing from the history"
    TWICE = "twice in the history"
    FOREIGN = "nobody raised it"
    UNTOLD = "cannot be told"
    OUTSIDE = "not of this test"
    """An entry of another time."""
    NOT_EXPECTED = "not expected there"
    """A simulated alarm that the history need not show, and does not."""


@unique
class Need(StrEnum):
    """Whether a simulated alarm has to be in the history."""

    MUST = "must"
    MAY = "may"
    """It is not known whether it has to be: the raise is not proven, or nothing reads its entries."""
    OPTIONAL = "optional"


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """One alarm that was raised. ``at``: when, or within what time of something that brought it along.

    ``is_timed``: False where ``at`` is too wide to say anything of a clock. ``doubt``: why it only may be there.
    """

    stimulus: str
    alarm: str
    at: Bounds
    cleared: Bounds | None = None
    need: Need = Need.MUST
    is_timed: bool = True
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry of the history that says that an alarm was raised (or cleared).

    ``alarms``: the ones that it may be of; empty for one that the site does not know. ``written_ns`` is None where its
    time cannot be read; ``resolution_ns``: the step in which its time is written.
    """

    where: str
    text: str
    alarms: frozenset[str]
    written_ns: int | None
    resolution_ns: int = NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What the history holds. Both in the order in which it stands there."""

    raised: tuple[Entry, ...]
    cleared: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """What is taken of the history's clock. ``late_ns``: an alarm is written with a time at most so long after it.

    ``within``: how far the clock may be off; ``is_known``: somebody read it, so that it need not be confirmed by
    entries that agree. ``drift_ppm``: how fast it may go off from ``middle_ns``, the middle of the run: two crystals of
    50 ppm each (common practice, no source).
    """

    late_ns: int = 2 * NS_PER_S
    within: Bounds = field(default_factory=lambda: Bounds(-900 * NS_PER_S, 900 * NS_PER_S))
    is_known: bool = False
    drift_ppm: int = 100
    middle_ns: int = 0

    @property
    def anyhow(self) -> Clock:
        """The same where nothing is known of how far it is off."""
        return replace(self, within=Bounds(-FOREVER, FOREVER), is_known=False)

    def shifts(self, entry: Entry, true: Bounds) -> Bounds | None:
        """The offsets with which an entry may be of an event, None where it cannot be."""
        if entry.written_ns is None:
            return None
        drift = self.drift_ns(true.lo)
        found = offset_between(entry.written_ns, entry.resolution_ns, true, self.late_ns)
        return Bounds(found.lo - drift, found.hi + drift)

    def times(self, entry: Entry, offset: Bounds) -> Bounds:
        """When what an entry is about may have been; at any time where its own cannot be read."""
        if entry.written_ns is None:
            return Bounds(-FOREVER, FOREVER)
        found = true_times(entry.written_ns, entry.resolution_ns, offset, self.late_ns)
        drift = self.drift_ns(found.lo)
        return Bounds(found.lo - drift, found.hi + drift)

    def drift_ns(self, at_ns: int) -> int:
        """By how much it may have gone off by then."""
        return abs(at_ns - self.middle_ns) * self.drift_ppm // 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """One offset of the clock, from the simulated alarm of this number on. ``agreeing``: how many times rest on it."""

    since: int
    offset: Bounds
    agreeing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedFound:
    """What became of one simulated alarm. ``entry``: the number of its entry, where there is one and only one."""

    found: Found
    entry: int | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryFound:
    """What became of one entry."""

    found: Found
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciled:
    """The whole comparison. ``simulated`` and ``entries`` in the order given; ``clears``: of cleared entries.

    ``regimes``: what is known of the clock; empty where nothing is. ``why_untold``: why nothing that has an entry can
    be told, '' where it can. ``differs``: a difference is certain, even where it cannot be told which.
    """

    simulated: tuple[SimulatedFound, ...]
    entries: tuple[EntryFound, ...]
    clears: tuple[EntryFound, ...] = ()
    regimes: tuple[Regime, ...] = ()
    why_untold: str = ""
    differs: bool = False

    @property
    def is_certain(self) -> bool:
        """Whether everything is as it should be."""
        good = (Found.MATCHED, Found.NOT_EXPECTED, Found.OUTSIDE)
        told: Sequence[SimulatedFound | EntryFound] = (*self.simulated, *self.entries, *self.clears)
        return bool(self.simulated) and all(it.found in good for it in told) and not self.why_untold
