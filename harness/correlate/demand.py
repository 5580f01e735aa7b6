"""What one stimulus demands at one expectation, as bounds on instants: when it may begin, must last, must be gone."""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Limits, Step, Stimulus
from harness.core.release import excused_of, release_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """The obligations of DESIGN's "Correlating" for one stimulus, in ns.

    ``release``: bounds of q (:mod:`harness.core.release`), None where it never came: then the point must stay on.
    ``excused``: from when on not to show is neither pass nor fail, since a person released it; None: never.
    ``reach_ns``: how long after the raise the onset may come (appears-within, else the search limit).
    ``untested``: why its release, as the row declares it, was not tested; '' where it was.
    ``else_released_lo``: the earliest instant of a step that releases it just as well as the one that is tested.
    ``begin_max``: a sighting that begins later belongs to the next raise of the same alarm.
    ``alone_max``: the last instant before any other alarm was raised; a second onset after it may be that one's, at the
    wrong place, so it is not proven to be a repeat.
    """

    behaviour: Behaviour
    limits: Limits
    raised: Bounds
    cleared: Bounds | None
    release: Bounds | None
    reach_ns: int
    begin_max: int
    alone_max: int = FOREVER
    excused: Bounds | None = None
    untested: str = ""
    else_released_lo: int = FOREVER

    @property
    def is_pulse(self) -> bool:
        """A pulse has no release: it ends by itself, at most ``gone_within`` after its onset."""
        return self.behaviour is Behaviour.PULSE

    @property
    def search_end_hi(self) -> int:
        """The latest instant at which a sighting that still belongs to this raise can begin."""
        return min(self.raised.hi + self.limits.search_ns, self.begin_max)

    @property
    def onset_hi(self) -> int:
        """The latest instant at which an onset can still be in time in any world."""
        return min(self.raised.hi + self.reach_ns, self.search_end_hi)

    @property
    def deadline(self) -> Bounds | None:
        """Bounds of q + d + G (not for a pulse, whose deadline hangs on its onset); None: not set, or never."""
        if self.release is None or self.limits.gone_within_ns is None or self.is_pulse:
            return None
        return self.release.shifted(self.limits.dwell_ns + self.limits.gone_within_ns)

    @property
    def stay_until(self) -> Bounds | None:
        """Bounds of q + d, before which the point must not go off; None for a pulse and where q never came."""
        if self.release is None or self.is_pulse:
            return None
        return self.release.shifted(self.limits.dwell_ns)

    @property
    def seen_max(self) -> int:
        """Until when it may be seen for the first time where no time is measured: while it is raised, however late."""
        if self.cleared is None:
            return self.begin_max
        return min(self.begin_max, max(self.cleared.lo, self.search_end_hi))

    def raised_at(self, instant: int) -> Demand:
        """The same demand in the worlds in which the raise was at ``instant``."""
        raised = Bounds.exactly(instant)
        return replace(
            self,
            raised=raised,
            cleared=_after(raised, self.cleared),
            release=_after(raised, self.release),
            excused=_after(raised, self.excused),
        )

    def quiet_until(self, raised: int, cleared: int | None) -> int:
        """The end of the window in which a ``quiet`` point must not react, for given true stimulus times."""
        if cleared is None:
            return self.begin_max
        return min(max(raised + self.limits.search_ns, cleared + (self.limits.gone_within_ns or 0)), self.begin_max)


def demand_of(
    stimulus: Stimulus, expectation: Expectation, next_raise: int | None = None, next_other: int | None = None
) -> Demand:
    """The demand of ``stimulus`` at ``expectation``.

    ``next_raise``: the earliest instant at which the same alarm is raised again, None where it is not.
    ``next_other``: the earliest instant after it at which anything else is raised, None where nothing is.
    """
    raised = Bounds(stimulus.raised.lo, min([stimulus.raised.hi, *(step.hi for step in stimulus.later)]))
    limits = expectation.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    return Demand(
        behaviour=expectation.behaviour,
        limits=limits,
        raised=raised,
        cleared=_after(raised, stimulus.cleared),
        release=_after(raised, release_of(stimulus, expectation)),
        reach_ns=reach,
        begin_max=FOREVER if next_raise is None else next_raise - 1,
        alone_max=FOREVER if next_other is None else next_other - 1,
        excused=_after(raised, excused_of(stimulus, expectation)),
        untested=_untested(stimulus, expectation),
        else_released_lo=_else_released_lo(stimulus, expectation),
    )


def _after(raised: Bounds, step: Bounds | None) -> Bounds | None:
    """A later step comes no earlier than the raise."""
    return None if step is None else Bounds(max(step.lo, raised.lo), max(step.hi, raised.lo))


def _untested(stimulus: Stimulus, expectation: Expectation) -> str:
    """Why what is declared to release it was not tested, whatever was seen; '' where it was."""
    if expectation.behaviour in (Behaviour.QUIET, Behaviour.PULSE):
        return ""
    silenced, cleared, reset = stimulus.silenced, stimulus.cleared, stimulus.reset
    if expectation.released_by is Step.SILENCE:
        if silenced is None:
            return "nobody silenced it, so that silence releases it was not tested"
        if silenced.is_open_above:
            return "that it was silenced is not proven, so that silence releases it was not tested"
        if silenced.hi > _else_released_lo(stimulus, expectation):
            return "it was not silenced before it was released otherwise, so that silence releases it was not tested"
    is_latch = expectation.behaviour is Behaviour.LATCHED and expectation.released_by is Step.RESET
    if is_latch and reset is not None and cleared is not None and reset.hi < cleared.lo:
        return "it was reset before it was cleared, which releases nothing; what released it is not known"
    return ""


def _else_released_lo(stimulus: Stimulus, expectation: Expectation) -> int:
    """From when on a horn may have gone silent without the silence: acknowledged, or cleared where it follows."""
    if expectation.released_by is not Step.SILENCE:
        return FOREVER
    steps = [stimulus.acknowledged, stimulus.cleared if expectation.behaviour is Behaviour.FOLLOWS else None]
    return min((step.lo for step in steps if step is not None), default=FOREVER)
