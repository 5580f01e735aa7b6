"""What a run works with and shows: handed in by whoever starts it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Final, Protocol

from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Result, Site
from harness.links.person_reports import Reports
from harness.record.writer import RecordWriter
from harness.run.guide import Guide
from harness.run.live import LiveSource
from harness.run.order import Item
from harness.run.raising import Hand
from harness.run.restoring import ReadWritable
from harness.run.spread import Spread
from harness.run.steering import Steering

WAITING_FOR_LINKS: Final = "waiting for the links"
"""The phase before anything is raised; entered again whenever something else is known of a link."""

CLEAR_FOR_NS: Final = 60 * NS_PER_S
"""For how long a clear that is not proven is tried again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a run is: ``number`` of ``total``, and how long the rest will take by what was measured so far."""

    number: int
    total: int
    left_ns: int


class View(Protocol):
    """Shows a run to a person. Calls are cheap and come from the event loop's thread."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Before anything is raised: points that are on already, and links that are not up."""

    def raising(self, item: Item, progress: Progress) -> None:
        """An alarm is raised now."""

    def phase(self, text: str) -> None:
        """What is being waited for."""

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """Results of one alarm so far: from memory, shown at once; the record is judged at the end."""

    def tried(self, text: str) -> None:
        """What became of an alarm that was held for a stated time."""

    def trouble(self, text: str) -> None:
        """Something a person should know now."""

    def urgent(self, text: str) -> None:
        """Something that a person must know now, in red and with the bell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools:
    """What a conductor works with; all handed in."""

    site: Site
    clock: Clock
    live: LiveSource
    journal: RecordWriter
    hand: Hand
    view: View
    random: Random
    spread: Spread
    """Over how long a time each raise is spread, by ``random``."""
    reports: Mapping[str, Reports] = field(default_factory=dict)
    """By link, of the persons who watch."""
    standing: Mapping[str, str] = field(default_factory=dict)
    """Points and alarms that are known to be on before anything is raised, and why."""
    standing_anything: str = ""
    """Of a simulated site: why whatever is on is known."""
    guide: Guide | None = None
    """Leads a person who raises by hand."""
    objection: Callable[[Item], str] | None = None
    """Why an alarm must not be raised any more, '' where nothing is against it; asked in a thread, before each."""
    clear_for_ns: int = CLEAR_FOR_NS
    steering: Steering | None = None
    """Decides by what came of an alarm which one is raised next; None: as planned."""
    read_writable: ReadWritable | None = None
    """None where farend writes nothing."""
