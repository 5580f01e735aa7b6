"""The plainest world: the sampled sightings and nothing else. It gives a verdict its name, never its class."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.verdicts import Verdict
from harness.correlate.demand import Demand
from harness.correlate.outline import Outline
from harness.correlate.worlds import settle_end_lo

_FAIL_ORDER = (Verdict.MISSED, Verdict.LATE, Verdict.BRIEF, Verdict.STUCK, Verdict.REPEATED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the plainest world says of the sighting that was chosen for a stimulus."""

    number: int
    onset: Bounds
    end: Bounds
    proven: tuple[Verdict, ...]
    possible: tuple[Verdict, ...]


def seen_at(sketch: Outline, number: int, proven: tuple[Verdict, ...] = (), possible: tuple[Verdict, ...] = ()) -> Seen:
    """Sampled sighting ``number`` with what is wrong with it."""
    return Seen(
        number=number,
        onset=Bounds(sketch.onset_lo[number], sketch.onset_hi[number]),
        end=Bounds(sketch.end_lo[number], sketch.end_hi[number]),
        proven=proven,
        possible=possible,
    )


def choose(sketch: Outline, demand: Demand) -> Seen | None:
    """The first sampled sighting of this window without a proven deviation, else the first one; None: none there.

    One that began wholly before the raise does not belong to it, unless it is all there is and it goes on.
    """
    numbers = list(sketch.sightings_touching(demand.raised.lo, demand.search_end_hi))
    own = [n for n in numbers if sketch.onset_hi[n] >= demand.raised.lo]
    if not own:
        own = [n for n in numbers if sketch.end_lo[n] > demand.raised.hi]
    first: Seen | None = None
    for number in own:
        seen = seen_at(sketch, number, *_deviations(sketch, demand, number))
        if not seen.proven:
            return seen
        first = first or seen
    return first


def _deviations(sketch: Outline, demand: Demand, number: int) -> tuple[tuple[Verdict, ...], tuple[Verdict, ...]]:
    """What is wrong with a sighting for certain, and what may be (limits taken one by one)."""
    limits = demand.limits
    latency = elapsed(demand.raised, Bounds(sketch.onset_lo[number], sketch.onset_hi[number]))
    onset = Bounds(sketch.onset_lo[number], sketch.onset_hi[number])
    end = Bounds(sketch.end_lo[number], sketch.end_hi[number])
    visible = elapsed(onset, end)
    found: list[tuple[Verdict, bool, bool]] = []
    reach = demand.reach_ns
    found.append((Verdict.LATE, latency.lo > reach, latency.hi > reach))
    if limits.visible_for_ns is not None:
        found.append((Verdict.BRIEF, visible.hi < limits.visible_for_ns, visible.lo < limits.visible_for_ns))
    if demand.is_pulse:
        if limits.gone_within_ns is not None:
            found.append((Verdict.STUCK, visible.lo > limits.gone_within_ns, visible.hi > limits.gone_within_ns))
    else:
        stay, deadline = demand.stay_until, demand.deadline
        early = end.hi < FOREVER if stay is None else end.hi < stay.lo
        maybe_early = early if stay is None else end.lo < stay.hi
        found.append((Verdict.BRIEF, early, maybe_early))
        if deadline is not None:
            found.append((Verdict.STUCK, end.lo > deadline.hi, end.hi > deadline.lo))
    settled = settle_end_lo(demand, onset.lo, end.lo)
    others = [n for n in (number - 1, number + 1) if 0 <= n < len(sketch.first)]
    again = any(sketch.onset_lo[n] >= demand.raised.hi and sketch.onset_hi[n] <= settled for n in others)
    found.append((Verdict.REPEATED, again, again))
    proven = tuple(dict.fromkeys(verdict for verdict, certain, _ in found if certain))
    possible = tuple(dict.fromkeys(verdict for verdict, _, maybe in found if maybe))
    return proven, possible


def name_fail(seen: Seen | None, *, ready: bool) -> tuple[Verdict | None, tuple[Verdict, ...]]:
    """The name of a fail, and what else is proven; None where only ``stuck`` is left and the point was not ready."""
    if seen is None:
        return Verdict.MISSED, ()
    usable = seen.proven or seen.possible or (Verdict.MISSED,)
    ordered = [verdict for verdict in _FAIL_ORDER if verdict in usable and (ready or verdict is not Verdict.STUCK)]
    if not ordered:
        return None, ()
    return ordered[0], tuple(verdict for verdict in ordered[1:] if verdict in seen.proven)
