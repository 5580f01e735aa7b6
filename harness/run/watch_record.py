"""A record of a watch: what was listened to, and nothing raised.

``farend rates`` and ``farend clocks`` read it like that of a test; ``farend judge`` finds nothing in it to judge.
"""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.core.errors import IdentityError
from harness.core.instants import Clock
from harness.core.model import Site
from harness.links.base import Link, LinkState, Observer
from harness.links.person import PersonListener
from harness.links.person_reports import Attend
from harness.record.header import WATCH, Header, Json
from harness.record.writer import RecordWriter
from harness.results.judging import END_EVENT, ENTRY_KEY, MAP_KEY, RESUMES_KEY, WATCHED_EVENT
from harness.run.watching import Watcher, watch
from harness.site.reading import Documents


class Shown(Watcher):
    """A watcher as the second observer, behind the record: where nobody reads any more, the record goes on."""

    def event(self, kind: str, at_ns: int, data: object) -> None:
        """What the record notes is nothing to show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchOptions:
    """What the user asked for. ``for_ns``: None until interrupted."""

    record: Path
    for_ns: int | None
    who: str
    command: tuple[str, ...]


async def watch_into_record(
    site: Site,
    documents: Documents,
    options: WatchOptions,
    clock: Clock,
    watcher: Shown,
    listeners_of: Callable[[Observer], Sequence[Link]],
    trouble: Callable[[str], None],
    attend: Attend | None = None,
    beat: Callable[[], None] | None = None,
) -> None:
    """Watch into ``options.record`` until the time is over, or until cancelled. Nothing is written to any device.

    ``listeners_of`` makes the listeners, which tell the observer that it is given. ``trouble`` is told once where the
    record cannot be written, and of a listener that crashed: its link is blind from then on, and the others go on.

    RecordError where the record exists already, cannot be made, or its end cannot be written. IdentityError as
    ``watch`` raises it; the record has its end then.
    """
    header = Header.now(
        clock,
        site=site.name,
        title=site.title,
        kind=WATCH,
        command=options.command,
        operator=options.who,
        extra=_extra(documents),
    )
    journal = RecordWriter.create(options.record, header, documents.files, clock)
    journal.subscribe(watcher)
    journal.event(WATCHED_EVENT, clock(), {})
    why = "stopped by an error"
    try:
        links = [_kept_apart(link, journal, clock, trouble) for link in listeners_of(journal)]
        await watch(links, options.for_ns, attend, _Beat(journal, trouble, beat))
        why = ""
    except asyncio.CancelledError:
        why = ""  # who watches without an end ends it like this
        raise
    except IdentityError as exc:
        why = str(exc)
        raise
    finally:
        journal.event(END_EVENT, clock(), {"why": why})
        await asyncio.to_thread(journal.close)


def _extra(documents: Documents) -> dict[str, Json]:
    return {ENTRY_KEY: documents.entry, MAP_KEY: documents.point_map, RESUMES_KEY: []}


def _kept_apart(link: Link, journal: RecordWriter, clock: Clock, trouble: Callable[[str], None]) -> Link:
    """The same link; one that crashes ends neither the record nor the others.

    A person's link stays as it is: who reports is asked through it.
    """
    return link if isinstance(link, PersonListener) else _KeptApart(link, journal, clock, trouble)


class _KeptApart:
    def __init__(self, link: Link, journal: RecordWriter, clock: Clock, trouble: Callable[[str], None]) -> None:
        self.name = link.name
        self._link = link
        self._journal = journal
        self._clock = clock
        self._trouble = trouble

    async def run(self) -> None:
        """See ``Link.run``."""
        try:
            await self._link.run()
        except IdentityError:
            raise
        except Exception as exc:  # noqa: BLE001  # whatever it is, it must not end the record
            why = f"the listener crashed: {exc!r}"
            self._journal.link_state(self.name, self._clock(), LinkState.DOWN, why)
            self._journal.event("crash", self._clock(), {"link": self.name, "traceback": traceback.format_exc()})
            self._trouble(f"link {self.name}: {why}; what it should see stays unknown")


class _Beat:
    """Every second: the screen's own beat, and whether the record can still be written."""

    def __init__(self, journal: RecordWriter, trouble: Callable[[str], None], then: Callable[[], None] | None) -> None:
        self._journal = journal
        self._trouble = trouble
        self._then = then
        self._told = ""

    def __call__(self) -> None:
        failing = self._journal.failing
        if failing and not self._told:
            self._trouble(f"the record cannot be written: {failing}; it is tried again")
        elif self._told and not failing:
            self._trouble("the record is written again")
        self._told = failing
        if self._then is not None:
            try:
                self._then()
            except BrokenPipeError:
                self._then = None  # nobody reads the screen any more; the record goes on
