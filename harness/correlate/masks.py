"""What other alarms may have caused at a shared point: taken out of the evidence of one of them.

On-samples in another alarm's time say nothing of this one; off-samples stay evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.core.trace import Flags, Trace
from harness.correlate.assign import Window
from harness.correlate.outline import Outline, outline
from harness.correlate.untaken import window_end


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """From when until when a window's alarm may hold the point, and the sighting that is its own."""

    stimulus: str
    held: Bounds
    own: Bounds | None
    why: str

    @property
    def last(self) -> int:
        return self.held.hi if self.own is None else max(self.held.hi, self.own.hi)


def holder_of(sketch: Outline, window: Window, own: int | None) -> Holder:
    return Holder(
        stimulus=window.stimulus.id,
        held=_held(sketch, window, own),
        own=None if own is None else Bounds(sketch.onset_lo[own], sketch.end_hi[own]),
        why=f"{window.stimulus.alarm} ({window.stimulus.id}) held the shared point",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """A time in which an on-sample says nothing about a stimulus, because another alarm may have caused it."""

    lo: int
    hi: int
    why: str


def _held(sketch: Outline, window: Window, own: int | None) -> Bounds:
    """From when until when a window's alarm may hold the point, stretched until the point is next seen off."""
    demand = window.demand
    start = demand.raised.lo
    if demand.release is None and not demand.is_pulse:
        return Bounds(start, max(start, demand.begin_max))
    limits = demand.limits
    slack = limits.dwell_ns + (limits.gone_within_ns or 0)
    due = demand.raised.hi + demand.reach_ns + slack
    if own is None:
        # Nothing of its own was seen: it may still have been on, unseen or merged, until it had to be gone.
        due = max(due if window.demand.is_pulse else 0, 0 if demand.release is None else demand.release.hi + slack)
        return _stretched(sketch, Bounds(start, max(start, due)))
    end = sketch.end_hi[own]
    if demand.release is not None and end < demand.release.lo:
        end = demand.release.hi + slack
    return Bounds(start, max(start, end))


def _stretched(sketch: Outline, held: Bounds) -> Bounds:
    touching = sketch.sightings_touching(held.hi, held.hi)
    return Bounds(held.lo, max([held.hi, *(sketch.end_hi[number] for number in touching)]))


def masks_of(
    sketch: Outline,
    window: Window,
    own: int | None,
    others: Iterable[Holder],
) -> list[Mask]:
    """What other alarms may have caused in this window; ``others`` are in the order of their starts."""
    stop = window_end(sketch, window, own)
    masks: list[Mask] = []
    for other in others:
        if other.held.lo > stop:
            break
        if other.stimulus == window.stimulus.id:
            continue
        if other.held.hi > window.start:
            masks.append(Mask(lo=other.held.lo, hi=other.held.hi, why=other.why))
        if other.own is not None and other.own.hi > window.start and other.own.lo <= stop:
            masks.append(Mask(lo=other.own.lo, hi=other.own.hi, why=other.why))
    return masks


def without_masked(sketch: Outline, window: Window, masks: Sequence[Mask]) -> tuple[Outline, str]:
    """The outline without the on-samples that other alarms explain, around the window; and who explains them."""
    trace = sketch.trace
    first = max(0, sketch.last_before(window.start))
    number = int(np.searchsorted(trace.starts, first, side="right")) - 1 if len(trace) else 0
    if len(trace) and trace.run_is_on(number):
        first = max(0, int(trace.starts[number]) - 1)
    stop = max(window_end(sketch, window, None), *(mask.hi for mask in masks))
    last = min(len(trace), int(np.searchsorted(trace.lo, stop, side="right")) + 1)
    lo, hi = trace.lo[first:last], trace.hi[first:last]
    on = _states(trace, first, last)
    drop = np.zeros(len(lo), dtype=np.bool_)
    # Where another alarm held the point behind an on-sample, or may have held it unseen, what this one did may hide.
    hidden = np.zeros(len(lo) + 1, dtype=np.bool_)
    held = np.zeros(len(lo) + 1, dtype=np.bool_)
    until = np.append(hi[1:], FOREVER)
    room = until - lo > sketch.hold.on_ns
    if trace.sealed is not None:
        room[:-1] &= ~trace.sealed[first + 1 : last]
    who: list[str] = []
    for mask in masks:
        hit = on & (hi >= mask.lo) & (lo <= mask.hi)
        behind = (until >= mask.lo) & (lo <= mask.hi)
        hidden[1:] |= behind & (on | room)
        held[1:] |= behind & on
        if (behind & on).any():
            who.append(mask.why)
            drop |= hit
    if not hidden.any():
        return sketch, ""
    keep = ~drop
    edge = np.zeros(len(lo), dtype=np.bool_)
    inside = (trace.starts >= first) & (trace.starts < last)
    edge[trace.starts[inside] - first] = trace.edges[inside]
    told_off = edge & ~on
    # While another alarm held the point the change before the next sample was not told: no edge, and nothing is sealed.
    blurred = hidden[np.append(keep, True)]
    edge &= ~held[:-1]
    sealed = None if trace.sealed is None else (trace.sealed[first:last] & ~held[:-1])[keep]
    local = Trace.from_states(
        trace.point, lo[keep], hi[keep], on[keep], edge=edge[keep], sealed=sealed, timed=trace.timed
    )
    # A message that it went off says that it was on until then.
    stayed = np.where(np.append(told_off[1:], False), np.append(lo[1:], 0), hi)
    found = replace(
        outline(local, sketch.hold), blurred=blurred, by_others=(lo[drop], stayed[drop]), is_told=sketch.is_told
    )
    return found, "; ".join(dict.fromkeys(who))


def _states(trace: Trace, first: int, last: int) -> Flags:
    runs = np.searchsorted(trace.starts, np.arange(first, last), side="right") - 1
    on: Flags = (runs % 2 == 1) ^ trace.first_on
    return on
