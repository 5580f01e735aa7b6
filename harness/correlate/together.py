"""Alarms that were raised together, at an output that they share: there they are one, up while any of them is.

Judged one by one they would only mask each other. Raised first and cleared last, their common time is what the shared
output has to show: on with the first, not gone with the first clear, gone after the last.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Stimulus


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """At one point: ``leads``, by id of the first stimulus of a group, the group's common time; ``follows``: the ids of
    the others, which have no window of their own there. ``last``: by id of the first, that of the one raised last.
    ``uncounted``: of groups that are not one there, and would only mask each other: no row judges them.
    """

    uncounted: frozenset[str]
    leads: Mapping[str, Stimulus]
    follows: frozenset[str]
    last: Mapping[str, str]


def shared_at(
    rows: Sequence[Expectation], stimuli: Mapping[str, Sequence[Stimulus]], timed: Mapping[str, Stimulus]
) -> Shared:
    """The groups at a point with these rows; ``stimuli`` by alarm.

    Only rows of one behaviour and one release are one: a lamp that is released otherwise by each alarm says nothing
    of either while both are up.
    """
    kinds: dict[str, tuple[Behaviour, str]] = {
        row.alarm: (row.behaviour, row.released_by.value) for row in rows if row.behaviour is not Behaviour.QUIET
    }
    groups: dict[str, list[Stimulus]] = defaultdict(list)
    for alarm in kinds:
        for it in stimuli.get(alarm, ()):
            if it.together:
                groups[it.together].append(timed[it.id])
    leads, follows, last, uncounted = {}, set(), {}, set()
    for group in groups.values():
        group.sort(key=lambda it: (it.raised.lo, it.raised.hi, it.id))
        found = {kinds[it.alarm] for it in group}
        if len(group) > 1 and (len(found) > 1 or Behaviour.PULSE in {behaviour for behaviour, _ in found}):
            uncounted |= {it.id for it in group}
        elif len(group) > 1:
            first = group[0]
            leads[first.id] = replace(
                first,
                proven=all(it.proven for it in group),
                stopped=any(it.stopped for it in group),
                silenced=_last(it.silenced for it in group),
                acknowledged=_last(it.acknowledged for it in group),
                reset=_last(it.reset for it in group),
                cleared=_last(it.cleared for it in group),
            )
            follows |= {it.id for it in group[1:]}
            last[first.id] = group[-1].id
    return Shared(uncounted=frozenset(uncounted), leads=leads, follows=frozenset(follows), last=last)


def _last(steps: Iterable[Bounds | None]) -> Bounds | None:
    """When the last of several steps was done; None where one of them was not."""
    found = list(steps)
    known = [it for it in found if it is not None]
    if len(known) < len(found):
        return None
    return Bounds(max(it.lo for it in known), max(it.hi for it in known))
