"""What a conductor waits for: instants, rows, and the windows of points that must stay quiet."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.links import ModbusLink, PersonLink, PushLink
from harness.core.model import Expectation, Site
from harness.results.interrupting import ended
from harness.results.steps import StepDone
from harness.run.live import LiveSource
from harness.run.order import Item, gap_ns, hold_ns

LIFE_MAX_NS: Final = 10 * NS_PER_S
"""How long the end waits for paths that tell changes to prove that they live; without it, their quiet is unknown."""

LOST_MAX_NS: Final = 60 * NS_PER_S
"""How long many trials wait for outputs that nobody can read any more: long enough for a device that restarts."""
STILL_LOST: Final = (
    f"none of its outputs could be observed for {LOST_MAX_NS // NS_PER_S} s, so nothing more is raised; "
    "put the link right and begin again"
)


class Waits:
    """Waits by the newest samples, and never longer than it is told."""

    def __init__(self, site: Site, clock: Clock, live: LiveSource) -> None:
        self._site = site
        self._clock = clock
        self._live = live

    async def until(self, instant: int) -> None:
        """Sleep until an instant of the run's clock."""
        await asyncio.sleep(max(0, instant - self._clock()) / NS_PER_S)

    async def each(
        self, rows: Sequence[Expectation], condition: Callable[[Expectation], bool], until_ns: dict[str, int]
    ) -> None:
        """Wait until every row meets ``condition`` or its own time (by key) has passed.

        Nothing is waited for of a person who is out of sight: whoever has to walk there is asked in good time.
        """
        seen = [row for row in rows if not self.is_out_of_sight(row)]
        clock = self._clock
        if seen:
            await self._live.wait_until(
                lambda: all(condition(row) or clock() >= until_ns[row.key] for row in seen),
                max(until_ns[row.key] for row in seen),
            )

    async def shown(self, rows: Sequence[Expectation], since_ns: int, until_ns: Mapping[str, int]) -> dict[str, int]:
        """Wait until every row was seen on since ``since_ns``, or its own time (by key) has passed.

        Returns when each was first seen to be, in nanoseconds; what a person has to walk to is not waited for.
        """
        awaited = [row for row in rows if not self.is_out_of_sight(row)]
        live, clock = self._live, self._clock
        found: dict[str, int] = {}

        def is_over() -> bool:
            now = clock()
            found.update(
                {it.key: now for it in awaited if it.key not in found and live.was_on_since(it.point, since_ns)}
            )
            return all(it.key in found or now >= until_ns[it.key] for it in awaited)

        if awaited:
            await live.wait_until(is_over, max(until_ns[it.key] for it in awaited))
        return found

    def is_out_of_sight(self, row: Expectation) -> bool:
        """True for what a person has to walk to."""
        spec = self._site.links[self._site.points[row.point].link]
        return isinstance(spec, PersonLink) and not spec.in_sight

    def is_observed(self, row: Expectation) -> bool:
        """False for a point whose reads have failed for a while: waiting for what nobody sees only costs time."""
        live, spec = self._live, self._site.links[self._site.points[row.point].link]
        if not isinstance(spec, ModbusLink) or not spec.poll_period_ns:
            return live.up[spec.name]
        state = live.states.get(row.point)
        stale_ns = 3 * spec.poll_period_ns + 2 * spec.timeout_ns
        return live.up[spec.name] and state is not None and state.told_ns >= self._clock() - stale_ns

    async def observed_again(self, rows: Sequence[Expectation]) -> bool:
        """Wait until any row is observed. False where none is for LOST_MAX_NS."""
        until_ns = self._clock() + LOST_MAX_NS
        return await self._live.wait_until(lambda: any(self.is_observed(row) for row in rows), until_ns)

    def told_apart_from(self, rows: Iterable[Expectation]) -> int:
        """The instant from which a change at a row that is told can be told apart from what was before its link was up.

        The longest delay of the path after that: told earlier, it may have been so at the moment of subscribing.
        """
        site, live = self._site, self._live
        up_ns = {name: changes[-1].at_ns for name, changes in live.link_changes.items() if changes and live.up[name]}
        told = ((up_ns.get(site.points[row.point].link), hold_ns(site, [row])) for row in rows)
        return max((at + held for at, held in told if at is not None and held), default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Quiet rows whose windows are still open. ``until_ns``: by point, when its window is over."""

    item: Item
    raised: StepDone
    until_ns: dict[str, int]


class QuietWindows:
    """The windows in which points must stay quiet, while other alarms are raised already."""

    def __init__(self, site: Site, clock: Clock, live: LiveSource) -> None:
        self._site = site
        self._clock = clock
        self._live = live
        self.open: list[Quiet] = []

    def enter(self, item: Item, raised: StepDone) -> None:
        """Open the windows of an alarm's quiet rows: no longer than the search limit, or long enough after now."""
        until = {}
        for row in item.quiet:
            searched = max(raised.at.hi + row.limits.search_ns, self._clock() + (row.limits.gone_within_ns or 0))
            until[row.point] = searched + gap_ns(self._site, row)
        if until:
            self.open.append(Quiet(item=item, raised=raised, until_ns=until))

    def moved_until(self, item: Item) -> int | None:
        """Until when nothing may be raised that may move a point that must still be quiet for an earlier alarm.

        Whose leak would it be? None where there is no such point, or its window is over.
        """
        site = self._site
        names = {item.alarm.name, *site.brought_along(item.alarm.name)}
        moved = {row.point for row in site.expectations if row.alarm in names}
        until = [at for later in self.open for point, at in later.until_ns.items() if point in moved]
        return max(until) if until and max(until) > self._clock() else None

    def end_of(self, rows: Iterable[Expectation]) -> int:
        """When the last window of these rows is over; 0 where none is open."""
        points = {row.point for row in rows}
        return max((at for later in self.open for point, at in later.until_ns.items() if point in points), default=0)

    def end(self) -> int | None:
        """When the last window is over; None where none is open."""
        return max((at for later in self.open for at in later.until_ns.values()), default=None)

    def is_over(self, later: Quiet) -> bool:
        """True once every window is over, and each path that tells changes has proved to be alive since."""
        site, live = self._site, self._live
        links = ((site.points[point].link, at) for point, at in later.until_ns.items())
        alive = all(live.alive_ns(link) >= at for link, at in links if isinstance(site.links[link], PushLink))
        return alive and max(later.until_ns.values()) <= self._clock()

    async def outlast(self) -> None:
        """After the end of the last window, wait until each path that tells changes has proved to be alive since."""
        await self._live.wait_until(
            lambda: all(self.is_over(later) for later in self.open), self._clock() + LIFE_MAX_NS
        )

    def take(self, *, all_of_them: bool = False) -> Iterable[Quiet]:
        """The windows that are over, or all; they count as open no more."""
        taken = [later for later in self.open if all_of_them or self.is_over(later)]
        self.open = [later for later in self.open if later not in taken]
        return taken


async def to_the_end(work: Coroutine[object, object, None]) -> None:
    """Run ``work`` to its end however often the waiting for it is cancelled; the cancelling goes on after that."""
    task = asyncio.create_task(work, name="put back")
    try:
        await ended(task)
    finally:
        task.result()
