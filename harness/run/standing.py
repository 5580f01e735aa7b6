"""What is on before anything is raised: which alarms it masks, by name, and whether somebody said that it is known.

A standing alarm is real until somebody says otherwise, and whoever raises simulated ones beside it hides it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from harness.core.errors import SafetyError, UsageError
from harness.core.model import Behaviour, Site

ALARMS_TOLD_MAX: Final = 4
"""Alarms that share a point, such as a horn, in a message: the record has all by name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingPoint:
    """One point that is on. ``alarms``: those that show there; ``masks``: those of them that the plan raises.

    ``reason``: why it is on, as it was confirmed; '' where nobody confirmed it.
    """

    point: str
    alarms: tuple[str, ...]
    masks: tuple[str, ...]
    reason: str = ""

    def __str__(self) -> str:
        more = len(self.alarms) - ALARMS_TOLD_MAX
        causes = " or ".join([*self.alarms[:ALARMS_TOLD_MAX], *([f"{more} more"] if more > 0 else [])])
        may_be = f"; {causes} can be the cause" if self.alarms else "; no row of the point map is of it"
        is_many = len(self.masks) > ALARMS_TOLD_MAX
        named = f"{len(self.masks)} alarms" if is_many else ", ".join(self.masks)
        masks = f"; it masks {named} there" if self.masks else ""
        known = f"; known: {self.reason}" if self.reason else ""
        return f"point={self.point}: it is on, and nothing was raised{may_be}{masks}{known}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """``points``: all that is on. ``absent``: what was announced as standing and is not."""

    points: tuple[StandingPoint, ...]
    absent: tuple[str, ...] = ()

    @property
    def masked(self) -> dict[str, tuple[str, ...]]:
        """For each alarm of the plan that is masked, the points at which it is."""
        found: dict[str, list[str]] = {}
        for one in self.points:
            for alarm in one.masks:
                found.setdefault(alarm, []).append(one.point)
        return {alarm: tuple(points) for alarm, points in found.items()}

    @property
    def unconfirmed(self) -> tuple[StandingPoint, ...]:
        """What nobody confirmed."""
        return tuple(one for one in self.points if not one.reason)


def known_to_stand(words: Iterable[str], option: str = "--standing") -> dict[str, str]:
    """``NAME=REASON``, as given with ``option``. UsageError where there is no reason."""
    found = {}
    for word in words:
        name, _, reason = word.partition("=")
        if not name.strip() or not reason.strip():
            raise UsageError(f"{option} {word}: expected NAME=REASON, such as {option} 'bms:10005=water drained today'")
        found[name.strip()] = reason.strip()
    return found


def baseline_of(site: Site, on: Iterable[str], planned: Collection[str], confirmed: Mapping[str, str]) -> Baseline:
    """What points that are on mean for a plan. ``planned``: the alarms that are to be raised.

    ``confirmed``: the reason for each point, or for each alarm, that is known to be on. An alarm stands for every point
    at which it or what it brings along must show.
    """
    points = tuple(_standing(site, name, planned, confirmed) for name in on)
    seen = {one.point for one in points}
    absent = [name for name in confirmed if not seen & ({name} | _points_of(site, name))]
    return Baseline(points=points, absent=tuple(absent))


def check_baseline(baseline: Baseline) -> None:
    """Raise SafetyError where something stands that nobody confirmed, with every such point."""
    if baseline.unconfirmed:
        lines = [
            f"{one}; find out why: it may be real. Where it is known, confirm it by name: write '{one.point}: REASON' "
            "under 'standing:' in the reviews file"
            for one in baseline.unconfirmed
        ]
        raise SafetyError("nothing is raised:\n" + "\n".join(lines))


def _standing(site: Site, point: str, planned: Collection[str], confirmed: Mapping[str, str]) -> StandingPoint:
    shown = [row.alarm for row in site.expectations if row.point == point and row.behaviour is not Behaviour.QUIET]
    timed = [alarm.name for alarm in site.alarms.values() if alarm.reference == point]
    alarms = tuple(dict.fromkeys((*shown, *timed)))
    reason = confirmed.get(point, "")
    if not reason:
        reason = next((why for name, why in confirmed.items() if point in _points_of(site, name)), "")
    masks = tuple(name for name in alarms if name in planned)
    return StandingPoint(point=point, alarms=alarms, masks=masks, reason=reason)


def _points_of(site: Site, alarm: str) -> set[str]:
    """The points at which an alarm, and what it brings along, must show or is timed; none where it is no alarm."""
    if alarm not in site.alarms:
        return set()
    names = {alarm, *site.brought_along(alarm)}
    shown = {row.point for row in site.expectations if row.alarm in names and row.behaviour is not Behaviour.QUIET}
    return shown | {point for name in names if (point := site.alarms[name].reference) is not None}
