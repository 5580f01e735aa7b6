"""Sightings of a point that no stimulus took: strays, and what may be a second onset, or a leak, or something else.

That an alarm came on again is proven only before anything else was raised, and before it had settled. A sighting for
which one of the two is open is no proven repeat; nor is it nothing: another alarm may have shown there by mistake. The
same goes for a point that must stay quiet, and reacts only once another alarm is raised.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.core.instants import FOREVER
from harness.core.model import Behaviour, Stray
from harness.correlate.assign import Assignment, Window
from harness.correlate.outline import Outline
from harness.correlate.worlds import settle_end_lo


@dataclass(frozen=True, slots=True, kw_only=True)
class Untaken:
    """A sighting that no window of its point took. ``is_stray``: every world has it outside all of them.

    ``again``: (stimulus, expectation) of each raise that showed there before, and whose second onset it may be.
    ``leaks``: of each raise in whose quiet window it lies, after another raise.
    """

    sighting: Stray
    is_stray: bool
    again: tuple[tuple[str, str], ...] = ()
    leaks: tuple[tuple[str, str], ...] = ()


def untaken(
    sketch: Outline, windows: Sequence[Window], assignment: Assignment, loud: Sequence[Window]
) -> Iterator[Untaken]:
    """In the order of onsets; ``loud``: the windows of ``assignment``. What was on from the start is no event.

    What is the second onset of a stimulus in every world is left out: that is a result of its own.
    """
    taken = {own for own in assignment.own if own is not None}
    quiet = [window for window in windows if window.demand.behaviour is Behaviour.QUIET]
    owned = [*((window, None) for window in quiet), *zip(loud, assignment.own, strict=True)]
    spans = [_Span(window=window, own=own, until=_explains_until(sketch, window, own)) for window, own in owned]
    spans.sort(key=lambda it: it.window.start)
    at = 0
    near: list[_Span] = []
    for number in range(len(sketch.first)):
        lo, hi = sketch.onset_lo[number], sketch.onset_hi[number]
        if number in taken or lo <= -FOREVER:
            continue
        while at < len(spans) and spans[at].window.start <= hi:
            near.append(spans[at])
            at += 1
        near = [it for it in near if it.until >= lo]
        if not any(_is_its(sketch, it, number) for it in near):
            again = [it.window for it in near if it.own is not None and it.own < number]
            yield Untaken(
                sighting=_stray(sketch, number),
                is_stray=all(it.own is not None and it.alone_max < min(hi, it.until) for it in near),
                again=_keys(it for it in again if lo <= it.demand.begin_max and not it.implied),
                leaks=_keys(it.window for it in near if it.is_quiet),
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Span:
    """A window, the number of its sighting, and until when one more may be a consequence of its stimulus."""

    window: Window
    own: int | None
    until: int

    @property
    def is_quiet(self) -> bool:
        return self.window.demand.behaviour is Behaviour.QUIET

    @property
    def alone_max(self) -> int:
        """What came on only after another alarm was raised is not known to be a consequence of this one."""
        return self.window.demand.alone_max


def _is_its(sketch: Outline, it: _Span, number: int) -> bool:
    """True where sighting ``number`` is a consequence of a window's stimulus in every world, or is taken for one."""
    lo, hi = sketch.onset_lo[number], sketch.onset_hi[number]
    if it.own is not None:
        settled = settle_end_lo(it.window.demand, sketch.onset_lo[it.own], sketch.end_lo[it.own])
        return lo >= it.window.demand.raised.hi and hi <= settled
    return not it.is_quiet or hi <= it.alone_max or lo < it.window.demand.raised.hi


def _keys(windows: Iterable[Window]) -> tuple[tuple[str, str], ...]:
    return tuple((it.stimulus.id, it.expectation.key) for it in windows)


def _stray(sketch: Outline, number: int) -> Stray:
    found = sketch.sighting(number)
    return Stray(point=found.point, onset=found.onset, end=found.end, reason="nothing that was raised explains it")


def _explains_until(sketch: Outline, window: Window, own: int | None) -> int:
    """Until when a sighting at this point may be a consequence of the window's stimulus."""
    demand = window.demand
    if demand.behaviour is Behaviour.QUIET:
        return window_end(sketch, window, None)
    if own is None:
        return demand.search_end_hi
    limits = demand.limits
    release = sketch.onset_hi[own] if demand.is_pulse else demand.raised.hi
    if demand.release is not None:
        release = demand.release.hi
    due = release + limits.dwell_ns + (limits.gone_within_ns or 0)
    return max(due, min(sketch.end_hi[own], FOREVER - limits.settle_ns)) + limits.settle_ns


def window_end(sketch: Outline, window: Window, own: int | None) -> int:
    """The latest instant that matters for a window's verdict."""
    demand = window.demand
    if demand.behaviour is Behaviour.QUIET:
        return demand.quiet_until(demand.raised.hi, None if demand.cleared is None else demand.cleared.hi)
    limits = demand.limits
    stop = demand.search_end_hi
    if own is not None:
        stop = max(demand.onset_hi, min(sketch.end_hi[own], demand.begin_max))
    if demand.is_pulse:
        # What comes on before it has settled counts as its second onset, and that is reckoned from the deadline.
        stop += limits.gone_within_ns or 0
    if demand.release is not None:
        stop = max(stop, demand.release.hi + limits.dwell_ns + (limits.gone_within_ns or 0))
    if not sketch.trace.timed:
        stop = max(stop, demand.seen_max)
    return stop + limits.settle_ns
