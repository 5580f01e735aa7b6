"""What a run asks of the persons who watch: how it is before the raise, to look, to walk there, how it is afterwards.

Nothing is taken from a person who does not answer, and nothing waits for one without end.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.links import PersonLink
from harness.core.model import Expectation, Site
from harness.links.person_reports import Ask, Reports
from harness.run.live import LiveSource
from harness.run.order import WALK_MAX_NS

READY_MAX_NS: Final = 60 * NS_PER_S
"""How long a raise waits for a person in sight to say how it is; then nobody is there, and the run goes on without."""

ANSWER_MAX_NS: Final = 20 * NS_PER_S
"""How long a raised alarm is held for a person in sight who has reported nothing by its limits."""

FRESH_NS: Final = 5 * NS_PER_S
"""A person in sight who reported a sign so shortly before is not asked about it again."""

BACK_MAX_NS: Final = 15 * 60 * NS_PER_S
"""How long a test waits for somebody who did not answer: nothing is raised meanwhile, so it costs nothing but time."""


class Persons:
    """The persons of a site, by link. A link that nobody reports for is left alone."""

    def __init__(self, site: Site, clock: Clock, live: LiveSource, reports: Mapping[str, Reports]) -> None:
        self._site = site
        self._clock = clock
        self._live = live
        self._reports = dict(reports)
        self._given_up: set[str] = set()  # links that nobody came back to

    def _links(self, rows: Iterable[Expectation], *, in_sight: bool | None = None) -> dict[str, list[str]]:
        """The points of ``rows`` by link, of links that somebody reports for."""
        found: dict[str, list[str]] = {}
        for row in rows:
            link = self._site.points[row.point].link
            reports = self._reports.get(link)
            if reports is None or not reports.is_attended:
                continue
            if in_sight is None or reports.in_sight is in_sight:
                mine = found.setdefault(link, [])
                if row.point not in mine:
                    mine.append(row.point)
        return found

    def watched(self, rows: Iterable[Expectation]) -> bool:
        """Whether somebody watches any of them."""
        return bool(self._links(rows))

    async def back(self, rows: Sequence[Expectation]) -> None:
        """Nothing but what persons see is left to raise for: wait for one of them who did not answer."""
        links = dict.fromkeys(self._site.points[row.point].link for row in rows)
        waited = [link for link in links if link in self._reports and link not in self._given_up]
        gone = [self._reports[link] for link in waited if self._reports[link].is_awaited]
        until = self._clock() + BACK_MAX_NS
        for reports in gone:
            reports.ask(Ask.HERE, reports.points, "nobody answered: press any key; until then nothing is raised", until)
        for reports in gone:
            await reports.back(until)
            if reports.is_awaited:
                self._given_up.add(reports.link)

    async def ready(self, rows: Sequence[Expectation], what: str) -> None:
        """Before ``what`` is raised: how is every sign of ``rows``? Who is in sight goes on looking till the next time.

        What is out of sight and was reported to be off is not walked to again.
        """
        now = self._clock()
        asked: dict[str, list[str]] = {}
        for link, points in self._links(rows).items():
            reports = self._reports[link]
            if reports.in_sight:
                known = all(reports.is_off(point) and self._is_fresh(point, now) for point in points)
                asked[link] = [] if known else points
            else:
                asked[link] = [point for point in points if not reports.is_off(point)]
        for link, points in asked.items():
            reports = self._reports[link]
            if points:
                longest = READY_MAX_NS if reports.in_sight else WALK_MAX_NS
                where = "" if reports.in_sight else "go and look: "
                reports.ask(Ask.READY, points, f"{where}how is it before {what} is raised?", now + longest)
        await self._answers(asked)
        for link, points in self._links(rows, in_sight=True).items():
            self._reports[link].ask(Ask.LOOK, points, f"LOOK: {what} is raised in a moment")

    def look(self, rows: Sequence[Expectation], what: str) -> None:
        """Now: who is in sight reports each change as it comes; who is not waits to be sent."""
        for link, points in self._links(rows, in_sight=False).items():
            self._reports[link].ask(Ask.NOTHING, points, f"{what}: wait here until you are sent to look")
        for link, points in self._links(rows, in_sight=True).items():
            self._reports[link].ask(Ask.LOOK, points, f"LOOK NOW: {what}; report each change at once")

    def held_since(self, instant: int | None) -> None:
        """Show since when the alarm is raised; None: it is cleared."""
        for reports in self._reports.values():
            reports.held_since(instant)

    def cleared(self, what: str) -> None:
        """The alarm is cleared: who is in sight looks on."""
        for reports in self._reports.values():
            reports.held_since(None)
            if reports.pending().ask is Ask.LOOK:
                reports.ask(Ask.LOOK, None, f"{what} is cleared; report each change at once")

    async def still(self, rows: Sequence[Expectation], since_ns: int, what: str) -> None:
        """Their time has passed: ask who is in sight about signs that were not reported on since ``since_ns``."""
        await self._state(
            [row for row in rows if not self._live.was_on_since(row.point, since_ns)],
            f"{what} is held: how is it now?",
        )

    def watches_quiet(self, rows: Sequence[Expectation]) -> bool:
        """Whether somebody in sight watches any of ``rows``, which must stay off."""
        return bool(self._links(rows, in_sight=True))

    def looked_at(self, rows: Sequence[Expectation]) -> int:
        """The instant from which who is in sight has looked long enough to notice what comes on at ``rows``."""
        found = 0
        for link, points in self._links(rows, in_sight=True).items():
            spec, reports = self._site.links[link], self._reports[link]
            if isinstance(spec, PersonLink):
                looked = [at for point in points if (at := reports.looked_at_since(point)) is not None]
                found = max([found, *(at + spec.reaction_max_ns for at in looked)])
        return found

    async def stayed(self, rows: Sequence[Expectation], raised_ns: int, what: str) -> None:
        """The windows of ``rows`` are over: did they stay off, for somebody who looked since before the raise?"""
        asked: dict[str, list[str]] = {}
        until = self._clock() + ANSWER_MAX_NS
        for link, points in self._links(rows, in_sight=True).items():
            reports = self._reports[link]
            since = {point: reports.looked_at_since(point) for point in points}
            asked[link] = [point for point, at in since.items() if at is not None and at < raised_ns]
            if asked[link]:
                reports.ask(Ask.STAYED, asked[link], f"{what} is over: was this off all the time?", until)
        await self._answers(asked)
        self._look_on(asked)

    async def gone(self, rows: Sequence[Expectation], what: str) -> None:
        """Their time to go has passed: ask who is in sight about signs that were not reported off.

        Whoever reports only now was not looking, or is late; the answer to a question is no change that was seen.
        """
        await self._state([row for row in rows if not self._is_off(row)], f"{what}: how is it now?")

    async def walk(self, rows: Sequence[Expectation], what: str) -> None:
        """Hold the alarm until somebody went to what is out of sight and reported every sign, or gave up."""
        asked = self._links(rows, in_sight=False)
        until = self._clock() + WALK_MAX_NS
        for link, points in asked.items():
            self._reports[link].ask(Ask.STATE, points, f"{what} is held: WALK THERE, look, report", until)
        await self._answers(asked)
        for link in asked:
            self._reports[link].rest()

    async def dark_again(self, rows: Sequence[Expectation], what: str) -> None:
        """After everything was cleared: what was not reported off since is asked for, in sight or not.

        Who is in sight and has just answered is not asked again.
        """
        now = self._clock()
        lit = [row for row in rows if not self._is_off(row) and not self._is_fresh(row.point, now)]
        await self._state(lit, f"{what} is cleared: how is it now?")
        asked = {
            link: [point for point in points if not self._reports[link].is_off(point)]
            for link, points in self._links(rows, in_sight=False).items()
        }
        until = self._clock() + WALK_MAX_NS
        for link, points in asked.items():
            if points:
                self._reports[link].ask(Ask.STATE, points, f"{what} is cleared: go and look again", until)
        await self._answers(asked)
        for link in asked:
            self._reports[link].rest()

    async def _state(self, rows: Sequence[Expectation], text: str) -> None:
        """Ask who is in sight how it is now, and let them look on."""
        asked = self._links(rows, in_sight=True)
        until = self._clock() + ANSWER_MAX_NS
        for link, points in asked.items():
            self._reports[link].ask(Ask.STATE, points, text, until)
        await self._answers(asked)
        self._look_on(asked)

    def _look_on(self, links: Iterable[str]) -> None:
        for link in links:
            if self._reports[link].is_attended:
                self._reports[link].ask(Ask.LOOK, None, "keep looking; report each change at once")

    async def _answers(self, asked: Mapping[str, Collection[str]]) -> None:
        """Wait for everybody; they were all asked at once."""
        for link in [link for link, points in asked.items() if points]:
            reports = self._reports[link]
            await reports.answered(reports.pending().until_ns or self._clock())

    def _is_off(self, row: Expectation) -> bool:
        reports = self._reports.get(self._site.points[row.point].link)
        return reports is None or reports.is_off(row.point)

    def _is_fresh(self, point: str, now: int) -> bool:
        state = self._live.states.get(point)
        return state is not None and state.told_ns >= now - FRESH_NS
