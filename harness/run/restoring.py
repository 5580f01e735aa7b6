"""As found and as left: what each tested point showed, and each writable point held, before anything was raised and
after everything was put back.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Sequence

from harness.core.as_left import Difference, FoundValue, differences
from harness.core.instants import Clock
from harness.core.model import Site
from harness.record.header import Json
from harness.record.writer import RecordWriter
from harness.results.steps import AS_FOUND_EVENT, AS_LEFT_EVENT
from harness.run.live import LiveSource
from harness.run.order import READY_MAX_NS
from harness.run.still_shown import enter_still_shown, left_shown

ReadWritable = Callable[[], Awaitable[tuple[FoundValue, ...]]]
"""Reads what every writable point holds now; what cannot be read is in it as not known."""


class Restoring:
    """Enters both, and the difference."""

    def __init__(
        self,
        site: Site,
        clock: Clock,
        live: LiveSource,
        journal: RecordWriter,
        points: Sequence[str],
        read_writable: ReadWritable | None = None,
        tell: Callable[[str], None] | None = None,
    ) -> None:
        """``points``: the ones that are tested; ``read_writable``: None where farend writes nothing.

        ``tell``: called with what a person must know now.
        """
        self._site = site
        self._clock = clock
        self._live = live
        self._journal = journal
        self._points = points
        self._read_writable = read_writable
        self._tell = tell
        self._writable: tuple[FoundValue, ...] = ()
        self.standing: list[str] = []
        """Points that were on before anything was raised."""

    async def as_found(self) -> tuple[FoundValue, ...]:
        """Before anything is raised. Returns the writable points of which nobody can say what they hold."""
        states = self._live.states
        self.standing = [point for point in self._points if point in states and states[point].on]
        self._writable = await self._read()
        on: list[Json] = [*self.standing]
        held: list[Json] = [dict(it.to_data()) for it in self._writable]
        self._journal.event(AS_FOUND_EVENT, self._clock(), {"on": on, "writable": held})
        return tuple(it for it in self._writable if it.why and not it.may_differ)

    async def as_left(self, open_alarms: Iterable[str]) -> tuple[Difference, ...]:
        """After everything was put back; ``open_alarms``: what could not be cleared.

        Returns the writable points that are not proven to hold what they held before.
        """
        live, clock, site = self._live, self._clock, self._site
        found = set(self.standing)
        polled = {point for point in self._points if live.up[site.points[point].link]}
        await live.wait_until(
            lambda: all(live.is_off(point) or point in found for point in polled), clock() + READY_MAX_NS
        )
        left = {point for point in self._points if point in live.states and live.states[point].on}
        differs: list[Json] = [*sorted(found ^ left)]
        still: list[Json] = [*sorted(open_alarms)]
        for alarm, shown, text in left_shown(site, live, found, [str(name) for name in still]):
            enter_still_shown(self._journal, clock(), alarm, shown)
            if self._tell is not None:
                self._tell(text)
        after = await self._read()
        changed = differences(self._writable, after)
        self._journal.event(
            AS_LEFT_EVENT,
            clock(),
            {
                "on": sorted(left),
                "differs": differs,
                "not_cleared": still,
                "writable": [dict(it.to_data()) for it in after],
                "changed": [{"name": it.name, "found": it.found, "left": it.left} for it in changed],
            },
        )
        return changed

    async def _read(self) -> tuple[FoundValue, ...]:
        return () if self._read_writable is None else await self._read_writable()
