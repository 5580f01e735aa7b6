"""Which points count as the announcing of alarms, so that each alarm is counted once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.errors import UsageError
from harness.core.links import PersonLink
from harness.core.model import Behaviour, Site
from harness.results.fitting import fits
from harness.site.names import did_you_mean

_ORDER: Final = (Behaviour.FOLLOWS, Behaviour.PULSE, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED)
"""A point that follows its alarm shows every activation; one that is held may hide the next."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedPoints:
    """What is counted. ``candidates``: by what it is counted as (an alarm, or a point that was asked for), the points
    that may show it, the best first; the first one that was observed is taken. ``shared``: points of several alarms,
    which tell none of them apart. ``words``: how they were chosen. ``held``: points that hold their alarm until
    somebody releases it, so that they hide what comes meanwhile.
    """

    candidates: Mapping[str, Sequence[str]]
    shared: tuple[str, ...] = ()
    words: str = ""
    held: frozenset[str] = frozenset()
    alarm_of: Mapping[str, str] = field(default_factory=dict)
    """By what it is counted as: the alarm that it is, where it is one alone."""

    @property
    def points(self) -> frozenset[str]:
        """Every point that may be asked for."""
        return frozenset(point for points in self.candidates.values() for point in points)


def counted_points(site: Site, link: str, patterns: Sequence[str]) -> CountedPoints:
    """Points that fit ``patterns``, each by itself; else one for each alarm, of ``link`` where that is not ''.

    Without a choice of the user it is the reference point of an alarm, which the controller itself shows, else the
    first row that is of this alarm alone. UsageError where nothing fits.
    """
    if link and link not in site.links:
        raise UsageError(f"--link {link}: no such link; {did_you_mean(link, site.links)}")
    alarms = _alarms_of_points(site)
    if patterns:
        return _by_pattern(site, link, patterns, alarms)
    candidates: dict[str, list[str]] = {}
    for name in site.alarms:
        found = [point for point in _points_of(site, name, alarms) if link in ("", site.points[point].link)]
        if found:
            candidates[name] = list(dict.fromkeys(found))
    if not candidates:
        raise UsageError(f"--link {link}: no point there is of one alarm alone; choose points with --point")
    shared = tuple(point for point, of in alarms.items() if len(of) > 1 and link in ("", site.points[point].link))
    words = (
        f"one point of {link} for each alarm" if link else "for each alarm its reference point, else one of its rows"
    )
    return CountedPoints(
        candidates=candidates,
        shared=shared,
        words=words,
        held=_held(site),
        alarm_of={name: name for name in candidates},
    )


def _by_pattern(site: Site, link: str, patterns: Sequence[str], alarms: Mapping[str, Sequence[str]]) -> CountedPoints:
    names = [name for name, point in site.points.items() if link in ("", point.link)]
    for pattern in patterns:
        if not fits(names, (pattern,)):
            raise UsageError(f"--point {pattern}: fits no point; {did_you_mean(pattern, names)}")
    chosen = [name for name in names if fits((name,), patterns)]
    alone = {name: alarms[name][0] for name in chosen if len(alarms.get(name, ())) == 1}
    words = f"points that fit {', '.join(patterns)}{f', of {link}' if link else ''}, each by itself"
    return CountedPoints(candidates={name: (name,) for name in chosen}, words=words, held=_held(site), alarm_of=alone)


def _held(site: Site) -> frozenset[str]:
    holding = (Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED)
    return frozenset(row.point for row in site.expectations if row.behaviour in holding)


def _alarms_of_points(site: Site) -> dict[str, list[str]]:
    """The alarms that may show at each point."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for alarm in site.alarms.values():
        if alarm.reference is not None and alarm.reference in site.points:
            found[alarm.reference][alarm.name] = None
    for row in site.expectations:
        if row.behaviour is not Behaviour.QUIET:
            found[row.point][row.alarm] = None
    return {point: list(names) for point, names in found.items()}


def _points_of(site: Site, alarm: str, alarms: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """The points of this alarm alone, the best first. Not what a person watches: that measures no time."""
    reference = site.alarms[alarm].reference
    if reference is not None and len(alarms.get(reference, ())) == 1:
        yield reference
    rows = [row for row in site.expectations_of(alarm) if row.behaviour in _ORDER and len(alarms[row.point]) == 1]
    for row in sorted(rows, key=lambda it: _ORDER.index(it.behaviour)):
        if not isinstance(site.links[site.points[row.point].link], PersonLink):
            yield row.point
