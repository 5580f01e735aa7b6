"""What comes before the first raise of a run: its links, what an earlier one left raised, and what is on already."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from harness.core.errors import SafetyError
from harness.core.instants import NS_PER_S
from harness.core.places import Arrival, BacnetPlace
from harness.record.header import Json
from harness.results.interrupting import StoppedRunError, gate_stops
from harness.results.steps import STANDING_EVENT
from harness.run.clearing_left import ClearingLeft, ToClear
from harness.run.order import READY_MAX_NS, Item, gone_within_ns, listened_links
from harness.run.persons import Persons
from harness.run.raising import Raiser
from harness.run.restoring import Restoring
from harness.run.standing import baseline_of, check_baseline
from harness.run.tools import WAITING_FOR_LINKS, Tools

CONNECT_MAX_NS: Final = 10 * NS_PER_S
"""How long the start waits for links to come up; one that stays away is blind, and the others go on."""

CLEARED_MAX_NS: Final = 10 * NS_PER_S
"""How long outputs may take to go after what an earlier run left raised was cleared: common practice, no source."""


class BeforeRaising:
    """Makes sure that a run may begin to raise."""

    def __init__(
        self, tools: Tools, items: Sequence[Item], to_clear: Sequence[ToClear], raiser: Raiser, persons: Persons
    ) -> None:
        """``items``: all that may be raised; ``to_clear``: what earlier runs left raised."""
        self._t = tools
        self._items = items
        self._to_clear = to_clear
        self._raiser = raiser
        self._persons = persons

    async def found(self) -> Restoring:
        """Wait for the links, take the baseline, have it confirmed. Returns what compares with it afterwards.

        StoppedRunError where something must not be raised over what is there.
        """
        live, clock, view, site = self._t.live, self._t.clock, self._t.view, self._t.site
        links = listened_links(site, self._items)
        points = sorted(point.name for point in site.points.values() if point.link in links)
        tested = {self._link(row.point) for item in self._items for row in item.rows}
        awaited = [link for link in links if link not in self._t.reports]  # a person is there, or is not
        # Of a link that only times, it is enough to know that it cannot be had.
        await self._links(
            lambda: all(live.up[link] or (link not in tested and link in live.why_down) for link in awaited)
        )
        awaited_points = [it for it in points if live.up[self._link(it)] and self._begins_with_its_state(it)]
        await live.wait_until(lambda: all(point in live.states for point in awaited_points), clock() + READY_MAX_NS)
        await self._clear_what_was_left()
        await self._persons.ready([row for item in self._items for row in item.rows], "anything")
        restoring = Restoring(site, clock, live, self._t.journal, points, self._t.read_writable, view.urgent)
        for it in await restoring.as_found():
            view.trouble(f"{it.name}: {it.words}, so nobody can say afterwards whether it is as it was found")
        view.baseline(restoring.standing, [link for link in sorted(links) if not live.up[link]])
        await self._confirm(restoring.standing)
        return restoring

    async def _links(self, are_ready: Callable[[], bool]) -> None:
        """Wait for the links, and show whatever is told of them meanwhile: why one does not come up is worth knowing
        before anybody waited to the end.
        """
        clock, view = self._t.clock, self._t.view
        until_ns = clock() + CONNECT_MAX_NS
        view.phase(WAITING_FOR_LINKS)
        while not are_ready() and clock() < until_ns:
            await self._link_news(are_ready, until_ns)
            view.phase(WAITING_FOR_LINKS)

    async def _link_news(self, are_ready: Callable[[], bool], until_ns: int) -> None:
        live, known = self._t.live, dict(self._t.live.why_down)
        await live.wait_until(lambda: are_ready() or live.why_down != known, until_ns)

    async def _clear_what_was_left(self) -> None:
        failed = await ClearingLeft(self._t, self._raiser).clear(self._to_clear)
        if failed:
            raise StoppedRunError(
                f"{', '.join(failed)}: left raised by an earlier run, and clearing is not proven; clear it at the "
                "controller. Nothing is raised"
            )
        if self._to_clear:  # outputs are slower than who cleared it; what then is still on, stands
            live, clock = self._t.live, self._t.clock
            site = self._t.site
            longest = max((gone_within_ns(site, row) for row in site.expectations), default=READY_MAX_NS)
            await live.wait_until(
                lambda: not any(it.on for it in live.states.values()), clock() + min(longest, CLEARED_MAX_NS)
            )

    async def _confirm(self, standing: Sequence[str]) -> None:
        """What is on before anything is raised is real until somebody says by name that it is known."""
        site, known = self._t.site, dict(self._t.standing)
        if self._t.standing_anything:
            known |= dict.fromkeys(standing, self._t.standing_anything)
        planned = {item.alarm.name for item in self._items}
        baseline = baseline_of(site, standing, planned, known)
        if self._t.guide is not None:
            for one in baseline.unconfirmed:
                reason = await self._t.guide.confirm(str(one))
                if not reason:
                    break
                known[one.point] = reason
            baseline = baseline_of(site, standing, planned, known)
        data: dict[str, Json] = {one.point: one.reason for one in baseline.points}
        self._t.journal.event(STANDING_EVENT, self._t.clock(), {"points": data})
        for name in baseline.absent:
            self._t.view.trouble(f"{name}: said to be on, and it is not")
        try:
            check_baseline(baseline)
        except SafetyError as exc:
            raise gate_stops(self._t.journal, self._t.clock(), str(exc)) from exc

    def _begins_with_its_state(self, point: str) -> bool:
        """True for what is polled, and for what tells its state once it was subscribed to (ASHRAE 135, 13.14.2):
        before that nobody observes it, and a device subscribes one object after the other.
        """
        place = self._t.site.points[point].place
        is_subscribed = isinstance(place, BacnetPlace) and place.arrives is Arrival.COV
        return is_subscribed or point in self._t.live.polled_points()

    def _link(self, point: str) -> str:
        return self._t.site.points[point].link
