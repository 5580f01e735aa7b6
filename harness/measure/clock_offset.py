"""How far a foreign clock is ahead of ours, in bounds, from times that it wrote beside events that we know of. Pure.

A foreign clock says something about itself only: its times never move or reorder what was observed. The offset is what
the clock read minus the true instant, both in ns of the run's own clock; positive where the foreign clock is ahead.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.core.instants import Bounds


def offset_between(written_ns: int, resolution_ns: int, true: Bounds, late_ns: int = 0) -> Bounds:
    """The offsets with which an event in ``true`` may have been written as ``written_ns``.

    ``resolution_ns``: the step in which times are written. Nobody says whether a clock cuts or rounds to it, so it read
    between half a step before what is written and a whole step after it. ``late_ns``: the event may have been written
    with a time so long after it.
    """
    return Bounds(written_ns - resolution_ns // 2 - true.hi - late_ns, written_ns + resolution_ns - true.lo)


def true_times(written_ns: int, resolution_ns: int, offset: Bounds, late_ns: int = 0) -> Bounds:
    """When an event may have been that was written as ``written_ns`` by a clock of this offset."""
    return Bounds(written_ns - resolution_ns // 2 - late_ns - offset.hi, written_ns + resolution_ns - offset.lo)


def agreed(offsets: Iterable[Bounds]) -> Bounds | None:
    """The offsets that fit all of these; None where none does, or where there are none."""
    common: Bounds | None = None
    for one in offsets:
        common = one if common is None else common.meet(one)
        if common is None:
            return None
    return common


def peaks(offsets: Sequence[tuple[int, Bounds]]) -> list[tuple[int, int]]:
    """(how many different owners, offset) of each largest set of intervals that have a point in common, ascending.

    ``offsets``: owner and interval. A set is largest where the next end that comes is an upper one: no further interval
    holds that point as well.
    """
    ends = sorted([(one.lo, 0, owner) for owner, one in offsets] + [(one.hi, 1, owner) for owner, one in offsets])
    found: list[tuple[int, int]] = []
    held: dict[int, int] = {}
    begun: int | None = None
    for at, is_upper, owner in ends:
        if not is_upper:
            held[owner] = held.get(owner, 0) + 1
            begun = at
            continue
        if begun is not None:
            found.append((len(held), begun))
            begun = None
        held[owner] -= 1
        if not held[owner]:
            del held[owner]
    return found
