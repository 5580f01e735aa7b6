"""Alarms that were raised together, at an output that they share: there they are one, up while any of them is.

Judged one by one they would only mask each other. Raised first and cleared last, their common time is what the shared
output has to show: on with the first, not gone with the first clear, gone after the last.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Limits, Stimulus
from harness.core.release import release_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """At one point: ``leads``, by id of the first stimulus of a group, the group's common time; ``follows``: the ids of
    the others, which have no window of their own there. ``last``: by id of the first, that of the one raised last.
    ``uncounted``: of groups that are not one there, and would only mask each other: no row judges them. ``limits``, by
    id of the first: what the row demands of the group, whose end is that of the alarm that lets go last.
    """

    uncounted: frozenset[str]
    leads: Mapping[str, Stimulus]
    follows: frozenset[str]
    last: Mapping[str, str]
    limits: Mapping[str, Limits]


def shared_at(
    rows: Sequence[Expectation], stimuli: Mapping[str, Sequence[Stimulus]], timed: Mapping[str, Stimulus]
) -> Shared:
    """The groups at a point with these rows; ``stimuli`` by alarm.

    Only rows of one behaviour and one release are one: a lamp that is released otherwise by each alarm says nothing
    of either while both are up. Nor are they one where the point may go off in between, since one was let go before
    the last one was raised, or where which of them lets go last is open and their rows allow different ends.
    """
    loud = {row.alarm: row for row in rows if row.behaviour is not Behaviour.QUIET}
    kinds: dict[str, tuple[Behaviour, str]] = {
        name: (row.behaviour, row.released_by.value) for name, row in loud.items()
    }
    groups: dict[str, list[Stimulus]] = defaultdict(list)
    for alarm in kinds:
        for it in stimuli.get(alarm, ()):
            if it.together:
                groups[it.together].append(timed[it.id])
    leads, follows, last, uncounted, limits = {}, set(), {}, set(), {}
    for group in groups.values():
        group.sort(key=lambda it: (it.raised.lo, it.raised.hi, it.id))
        found = {kinds[it.alarm] for it in group}
        if len(group) > 1 and (len(found) > 1 or Behaviour.PULSE in {behaviour for behaviour, _ in found}):
            uncounted |= {it.id for it in group}
        elif len(group) > 1:
            first = group[0]
            lead = replace(
                first,
                proven=all(it.proven for it in group),
                stopped=any(it.stopped for it in group),
                silenced=_last(it.silenced for it in group),
                acknowledged=_last(it.acknowledged for it in group),
                reset=_last(it.reset for it in group),
                cleared=_last(it.cleared for it in group),
            )
            common = _common_limits(lead, group, loud)
            if common is None:
                uncounted |= {it.id for it in group}
                continue
            leads[first.id], limits[first.id] = lead, common
            follows |= {it.id for it in group[1:]}
            last[first.id] = group[-1].id
    return Shared(uncounted=frozenset(uncounted), leads=leads, follows=frozenset(follows), last=last, limits=limits)


def _common_limits(lead: Stimulus, group: Sequence[Stimulus], rows: Mapping[str, Expectation]) -> Limits | None:
    """What is demanded of the common time of a group, whose first alarm is that of ``lead``; None where it is not one.

    The end is that of the alarm that is let go last, with its dwell and its limit.
    """
    mine = rows[lead.alarm]
    ends = [(release_of(it, rows[it.alarm]), rows[it.alarm].limits) for it in group]
    raised = max(it.raised.hi for it in group)
    if any(end is not None and end.lo <= raised for end, _ in ends):
        return None
    known = [(end, limits) for end, limits in ends if end is not None]
    if len(known) < len(ends):
        return mine.limits if release_of(lead, mine) is None else None
    whole = Bounds(max(end.lo for end, _ in known), max(end.hi for end, _ in known))
    if release_of(lead, mine) != whole:
        return None
    if len({(limits.dwell_ns, limits.gone_within_ns) for _, limits in known}) == 1:
        return mine.limits
    end, of_last = max(known, key=lambda it: it[0].lo)
    others = [it for it in known if it[0] is not end]
    if any(_gone_hi(other, limits) > end.lo + of_last.dwell_ns for other, limits in others):
        return None
    return replace(mine.limits, dwell_ns=of_last.dwell_ns, gone_within_ns=of_last.gone_within_ns)


def _gone_hi(release: Bounds, limits: Limits) -> int:
    """The latest instant at which an alarm that does as its row demands may still hold the point."""
    return FOREVER if limits.gone_within_ns is None else release.hi + limits.dwell_ns + limits.gone_within_ns


def _last(steps: Iterable[Bounds | None]) -> Bounds | None:
    """When the last of several steps was done; None where one of them was not."""
    found = list(steps)
    known = [it for it in found if it is not None]
    if len(known) < len(found):
        return None
    return Bounds(max(it.lo for it in known), max(it.hi for it in known))
