"""As found and as left: what each tested point showed before anything was raised, and after everything was put back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.core.instants import Clock
from harness.core.model import Site
from harness.record.header import Json
from harness.record.writer import RecordWriter
from harness.run.live import LiveSource
from harness.run.order import READY_MAX_NS

AS_FOUND_EVENT = "as-found"
AS_LEFT_EVENT = "as-left"


class Restoring:
    """Enters both, and the difference."""

    def __init__(
        self, site: Site, clock: Clock, live: LiveSource, journal: RecordWriter, points: Sequence[str]
    ) -> None:
        """``points``: the ones that are tested."""
        self._site = site
        self._clock = clock
        self._live = live
        self._journal = journal
        self._points = points
        self.standing: list[str] = []
        """Points that were on before anything was raised."""

    def as_found(self) -> None:
        """Before anything is raised."""
        states = self._live.states
        self.standing = [point for point in self._points if point in states and states[point].on]
        on: list[Json] = [*self.standing]
        self._journal.event(AS_FOUND_EVENT, self._clock(), {"on": on})

    async def as_left(self, open_alarms: Iterable[str]) -> None:
        """After everything was put back; ``open_alarms``: what could not be cleared."""
        live, clock, site = self._live, self._clock, self._site
        found = set(self.standing)
        polled = {point for point in self._points if live.up[site.points[point].link]}
        await live.wait_until(
            lambda: all(live.is_off(point) or point in found for point in polled), clock() + READY_MAX_NS
        )
        left = {point for point in self._points if point in live.states and live.states[point].on}
        differs: list[Json] = [*sorted(found ^ left)]
        still: list[Json] = [*sorted(open_alarms)]
        self._journal.event(AS_LEFT_EVENT, clock(), {"on": sorted(left), "differs": differs, "not_cleared": still})
