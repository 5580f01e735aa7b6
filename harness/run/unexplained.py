"""Alarms that come on during a test and that nothing raised explains: ours in a wrong place, or real ones.

A point may come on while an alarm is raised, or was until a moment ago, that the point map expects there, or that
brings such an alarm along, or for which it is the reference point. Everything else is unexplained. So is what came on
just after such an alarm was cleared and has not gone when its time to go is over: a late output goes with its alarm.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Behaviour, Point, Site
from harness.run.live import LiveSource, PointState
from harness.run.order import gap_ns, gone_within_ns

HOLD_MAX_NS: Final = 5 * NS_PER_S
"""For how long a stimulus still stands after something unexplained came on, so that its own results are had; then it is
cleared. A person is told at once (common practice, no source)."""

GONE_MIN_NS: Final = 5 * NS_PER_S
"""How long what is unexplained may take to go after the stimulus was cleared, where no row says more of its point."""


class Unexplained:
    """Notes points that came on without explanation. :meth:`watch` begins after the baseline was taken."""

    def __init__(
        self, site: Site, clock: Clock, live: LiveSource, open_alarms: Collection[str], closed_ns: Mapping[str, int]
    ) -> None:
        """``open_alarms``: what may be raised now; ``closed_ns``: by alarm, when it last stopped to be. Both live."""
        self._site = site
        self._clock = clock
        self._live = live
        self._open = open_alarms
        self._closed_ns = closed_ns
        self._standing: frozenset[str] = frozenset()
        self._is_watching = False
        self._expected: dict[str, set[str]] = defaultdict(set)
        self._tail_ns: dict[str, int] = defaultdict(int)
        self._gone_ns: dict[str, int] = {}
        self.found: dict[str, int] = {}
        """By point, when it was told; the oldest first. Whoever has dealt with them clears it."""
        self._late: set[str] = set()  # came on when only an alarm that had been cleared explained it
        self.on_found: Callable[[str], None] | None = None
        """Called with each point when it is noted."""
        for row in site.expectations:
            if row.behaviour is not Behaviour.QUIET:
                self._expected[row.point].add(row.alarm)
                tail = row.limits.search_ns + gone_within_ns(site, row) + row.limits.settle_ns
                self._tail_ns[row.alarm] = max(self._tail_ns[row.alarm], tail)
            known = self._gone_ns.get(row.point, GONE_MIN_NS)
            self._gone_ns[row.point] = max(known, gone_within_ns(site, row) + gap_ns(site, row))
        for alarm in site.alarms.values():
            if alarm.reference is not None:
                self._expected[alarm.reference].add(alarm.name)
        live.subscribe(self._changed)

    def watch(self, standing: Collection[str]) -> None:
        """From now on; ``standing``: points that were on already and may come on again."""
        self._standing = frozenset(standing)
        self._is_watching = True

    def stop(self) -> None:
        """No more."""
        self._is_watching = False

    def gone_ns(self, points: Collection[str]) -> int:
        """How long ``points`` may take to go after what held them was cleared."""
        return max((self._gone_ns.get(point, GONE_MIN_NS) for point in points), default=0)

    def is_excused(self, point: str) -> bool:
        """Whether a point may be on now: it was before the test, or something that is raised explains it."""
        return point in self._standing or self._is_explained(point, self._open)

    def named(self, points: Collection[str]) -> str:
        """``bms:10003 (bulk-a.low)``: the points, with the alarms that belong there."""
        return ", ".join(self._named(point) for point in points)

    def _named(self, point: str) -> str:
        owners = sorted(self._expected.get(point, ()))
        if not owners:
            return point
        more = f" and {len(owners) - 2} more" if len(owners) > 2 else ""  # two names tell enough
        return f"{point} ({', '.join(owners[:2])}{more})"

    @property
    def late(self) -> tuple[str, ...]:
        """Points that came on just after their alarm was cleared, and have not gone yet."""
        return tuple(sorted(self._late))

    @property
    def late_until_ns(self) -> int:
        """Until when that may be a late output of what was cleared."""
        return max((at + self._tail_ns[name] + 1 for name, at in self._closed_ns.items()), default=0)

    def look(self) -> None:
        """Note what is explained no longer; for whoever is about to go on."""
        for point in sorted(self._late):
            if not self._is_explained(point, [*self._open, *self._recent()]):
                self._late.discard(point)
                self._find(point, self._live.states[point].told_ns)

    def _changed(self, point: Point, state: PointState) -> None:
        if not self._is_watching or point.name in self._standing:
            return
        self._late.discard(point.name)
        if not state.on or self._is_explained(point.name, self._open):
            return
        if self._is_explained(point.name, self._recent()):
            self._late.add(point.name)
        else:
            self._find(point.name, state.told_ns)

    def _find(self, point: str, told_ns: int) -> None:
        is_new = point not in self.found
        self.found.setdefault(point, told_ns)
        if is_new and self.on_found is not None:
            self.on_found(point)

    def _recent(self) -> list[str]:
        """Alarms that were cleared so lately that their outputs may still come and go."""
        now = self._clock()
        return [name for name, at in self._closed_ns.items() if now <= at + self._tail_ns[name]]

    def _is_explained(self, point: str, acting: Iterable[str]) -> bool:
        expected = self._expected.get(point, set())
        return any(name in expected or expected.intersection(self._site.brought_along(name)) for name in acting)
