"""What one stimulus demands at one expectation, as bounds on instants: when it may begin, must last, must be gone."""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.core.instants import FOREVER, Bounds, latest
from harness.core.model import Behaviour, Expectation, Limits, Step, Stimulus


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """The obligations of DESIGN's "Correlating" for one stimulus, in ns.

    ``release``: bounds of q (cleared, acknowledged, or the later of both), None where it never came: then the point
    must stay on. ``reach_ns``: how long after the raise the onset may come (appears-within, else the search limit).
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
        return replace(self, raised=raised, cleared=_after(raised, self.cleared), release=_after(raised, self.release))

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
    later = (stimulus.acknowledged, stimulus.reset, stimulus.cleared)
    raised = Bounds(stimulus.raised.lo, min([stimulus.raised.hi, *(step.hi for step in later if step is not None)]))
    limits = expectation.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    return Demand(
        behaviour=expectation.behaviour,
        limits=limits,
        raised=raised,
        cleared=_after(raised, stimulus.cleared),
        release=_after(raised, _release(stimulus, expectation)),
        reach_ns=reach,
        begin_max=FOREVER if next_raise is None else next_raise - 1,
        alone_max=FOREVER if next_other is None else next_other - 1,
    )


def _after(raised: Bounds, step: Bounds | None) -> Bounds | None:
    """A later step comes no earlier than the raise."""
    return None if step is None else Bounds(max(step.lo, raised.lo), max(step.hi, raised.lo))


def _release(stimulus: Stimulus, expectation: Expectation) -> Bounds | None:
    freed = stimulus.reset if expectation.released_by is Step.RESET else stimulus.acknowledged
    match expectation.behaviour:
        case Behaviour.FOLLOWS | Behaviour.QUIET:
            return stimulus.cleared
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return freed
        case Behaviour.LATCHED:
            return None if freed is None or stimulus.cleared is None else latest(freed, stimulus.cleared)
        case Behaviour.PULSE:
            return None
