"""Many trials of one expectation, as the statistics take them, and what they come to. Pure.

One trial is one stimulus at one expectation. Trials of which nothing can be measured are counted and left out; trials
that saw nothing are kept, for they are data (``visible_time``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import FOREVER, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.describe import Description, describe
from harness.measure.likelihood_ratio import BracketedTimes, VisibleTimes
from harness.measure.phase_lock import LEVEL, Locking, PhaseLock, phase_lock
from harness.measure.poll_period import Phases, SeenShare, least_visible, longest_period, slower_poll
from harness.measure.proportions import CONFIDENCE, ShareBounds, Side, clopper_pearson
from harness.measure.visible_time import Seen, Trial, bounds_of

DESCRIBED_MIN: Final = 2
"""Trials from which a distribution is told; one trial has its own bounds."""
LATENCY_SHARES: Final = (0.5, 0.95)
VISIBLE_SHARES: Final = (0.05, 0.5, 0.95)
"""Quantiles that are told. Of visible times the short ones matter most: they are lost first."""


@unique
class Shown(StrEnum):
    """Whether the output showed the alarm.

    ``MISSED``: judged so; no reading met it, and what may hide between readings would not have been enough.
    ``UNSEEN``: no reading met it, and whether it showed in between nobody can tell. ``LEFT_OUT``: nothing can be
    measured of this trial.
    """

    SHOWN = "shown"
    MISSED = "missed"
    UNSEEN = "unseen"
    LEFT_OUT = "left-out"


@dataclass(frozen=True, slots=True, kw_only=True)
class RowTrial:
    """One stimulus at one expectation. ``latency`` in ns, None where it was not seen or no time was measured.

    ``visible``: None where it was not measured, and where it says nothing (told points that promise nothing).
    ``record``: the record it is of, as the caller numbers them.
    """

    record: int
    stimulus: str
    verdict: Verdict
    shown: Shown
    raised: Bounds
    latency: Bounds | None = None
    visible: Trial | None = None
    is_set_aside: bool = False
    """Raised once more in its place, or voided by a correction: no time is taken of it, and a miss is in doubt."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowTrials:
    """All trials of one expectation, in the order of raising.

    ``ends_by_itself``: how long it is visible is a property of the alarm and its output, and not of when somebody
    cleared or acknowledged it. ``phases``: where in the gap between two readings each raise fell, from 0 to below 1; ()
    for points that are told.
    """

    key: str
    alarm: str
    point: str
    trials: tuple[RowTrial, ...]
    ends_by_itself: bool = True
    is_delay_declared: bool = False
    """The onsets in ``visible`` rest on an output delay that the site file declares."""
    phases: tuple[float, ...] = ()
    beats: tuple[tuple[float, ...], ...] = ()
    """Of each record: where in the period of the slowest device on the way that polls another one each raise fell."""
    unproven: tuple[str, ...] = ()
    """Why nothing may be called proven of it, whatever the trials came to: each reason, and what to do."""
    poll_ns: int = 0
    """How often farend polls it; 0 where it is told."""

    def count(self, shown: Shown) -> int:
        """How many trials ended so."""
        return sum(it.shown is shown for it in self.trials)

    @property
    def measured(self) -> tuple[RowTrial, ...]:
        """The trials of which something can be measured."""
        return tuple(it for it in self.trials if it.shown is not Shown.LEFT_OUT)

    @property
    def latencies(self) -> tuple[Bounds, ...]:
        """Of the trials that showed; how many did not is told apart."""
        return tuple(it.latency for it in self.trials if it.latency is not None)

    @property
    def visible(self) -> tuple[Trial, ...]:
        """Of all trials that tell something of the visible time, those that nobody saw included."""
        return tuple(it.visible for it in self.trials if it.visible is not None)

    @property
    def sightings(self) -> tuple[Seen, ...]:
        """Of the trials that showed."""
        return tuple(it for it in self.visible if isinstance(it, Seen) and bounds_of(it).hi > 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class MissShare:
    """How often it was not shown: at least ``missed`` and at most ``missed + unseen`` of ``trials``.

    ``low`` bounds the true share from below as if every unseen trial had shown, ``high`` from above as if none had.
    """

    missed: int
    unseen: int
    trials: int
    low: float
    high: float
    side: Side
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSummary:
    """What the trials of one expectation come to; None where there were too few.

    ``phase``, ``beat``: whether the raises fell in step with the readings, or with a device on the way; where they did,
    or too few were made to tell, the visible time's bounds rest on an assumption that is not shown. ``longest``: the
    longest poll period that is proven to see a stated share of such transients, None where that assumption is not
    shown. ``slower``: for each period asked for, what a poll so slow would have seen of these very sightings, at the
    least and at the most.
    """

    row: RowTrials
    passed: int
    failed: int
    unknown: int
    misses: MissShare | None
    latency: Description | None
    visible: Description | None
    phase: PhaseLock | None
    beat: PhaseLock | None
    """Against the period of a device on the way: of the record that is the least likely by chance."""
    longest: SeenShare | None
    slower: tuple[tuple[Phases, Phases], ...]

    @property
    def is_random(self) -> bool:
        """Nothing speaks against it that the raises fell at random against the readings, where any are made."""
        return self.phase is None or self.phase.finding is Locking.NOT_SHOWN

    @property
    def is_in_step(self) -> bool:
        """The raises fell in step with what a device on the way polls: all times are those of one phase of it."""
        return self.beat is not None and self.beat.finding is Locking.LOCKED


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked of the trials. ``share``: of transients that a poll has to see. ``slower_ns``: poll periods."""

    confidence: float = CONFIDENCE
    share: float = 0.95
    slower_ns: tuple[int, ...] = ()


def miss_share(row: RowTrials, *, confidence: float = CONFIDENCE) -> MissShare | None:
    """Exact bounds (Clopper, Pearson), each at the confidence by itself; no lower one where none is proven missed.

    Both together would not hold it: whether there are two would depend on what came. With ten trials an upper bound at
    95 % without a miss, and two-sided ones at 95 % with any, hold the true share as seldom as 92.7 % of the time.
    """
    trials = len(row.measured)
    if not trials:
        return None
    missed, unseen = row.count(Shown.MISSED), row.count(Shown.UNSEEN)
    side = Side.EACH if missed else Side.UPPER
    low: ShareBounds = clopper_pearson(missed, trials, confidence=confidence, side=side)
    high = clopper_pearson(missed + unseen, trials, confidence=confidence, side=side)
    return MissShare(
        missed=missed,
        unseen=unseen,
        trials=trials,
        low=low.low,
        high=high.high,
        side=side,
        confidence=confidence,
    )


def beat_of(row: RowTrials) -> PhaseLock | None:
    """Whether the raises of any record fell in step with what a device on the way polls; the level is held over all."""
    looks = [phase_lock(it, level=LEVEL / len(row.beats)) for it in row.beats if it]
    return min(looks, key=lambda it: it.chance, default=None)


def summarise(row: RowTrials, asked: Asked | None = None) -> RowSummary:
    """Everything that is told of one expectation."""
    asked = asked or Asked()
    classes = [it.verdict.verdict_class for it in row.trials]
    visible = row.visible if row.ends_by_itself else ()
    phase, beat = phase_lock(row.phases) if row.phases else None, beat_of(row)
    # No period is proven by raises that may have met a few phases only.
    is_random = phase is None or phase.finding is Locking.NOT_SHOWN
    is_sound = is_random and not row.unproven and (beat is None or beat.finding is not Locking.LOCKED)
    return RowSummary(
        row=row,
        passed=classes.count(VerdictClass.PASS),
        failed=classes.count(VerdictClass.FAIL),
        unknown=classes.count(VerdictClass.UNKNOWN),
        misses=miss_share(row, confidence=asked.confidence),
        latency=_described(row.latencies, asked),
        visible=_visible(visible, asked),
        phase=phase,
        beat=beat,
        longest=longest_period(_least_of_all(row, visible), asked.share, confidence=asked.confidence)
        if visible and is_sound
        else None,
        slower=tuple(slower_poll(row.sightings, it) for it in asked.slower_ns) if visible and row.sightings else (),
    )


def _least_of_all(row: RowTrials, visible: Sequence[Trial]) -> list[int]:
    """The visible time of every trial at the least; one of which nothing is known may have been visible for no time."""
    return least_visible(visible) + [0] * sum(it.visible is None for it in row.measured)


def _described(latencies: Sequence[Bounds], asked: Asked) -> Description | None:
    bounded = [it for it in latencies if it.hi < FOREVER]
    if len(bounded) < DESCRIBED_MIN:
        return None
    return describe(BracketedTimes(latencies), LATENCY_SHARES, confidence=asked.confidence)


def _visible(trials: Sequence[Trial], asked: Asked) -> Description | None:
    if len(trials) < DESCRIBED_MIN or not any(isinstance(it, Seen) for it in trials):
        return None
    return describe(VisibleTimes(trials), VISIBLE_SHARES, confidence=asked.confidence)
