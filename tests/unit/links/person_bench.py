"""A person who watches two lamps and a display, an observer that keeps what it is told, and a clock set by hand."""

from __future__ import annotations

from dataclasses import replace

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import PersonLink
from harness.core.model import Point
from harness.core.places import PersonPlace, Sign
from harness.core.trace import Trace
from harness.links.base import AnyBlock, LinkState
from harness.links.person_reports import Reports
from harness.links.person_trace import person_trace
from harness.links.seen import Message

AT = Origin(file="site.yaml", line=9)
MS, S = NS_PER_MS, NS_PER_S
ALARM, FAULT, TEXT = "lamp ALARM", "lamp FAULT", "text BULK A HIGH"
PLACES = {
    ALARM: PersonPlace(sign=Sign.LAMP, label="ALARM"),
    FAULT: PersonPlace(sign=Sign.LAMP, label="FAULT"),
    TEXT: PersonPlace(sign=Sign.TEXT, label="BULK A HIGH"),
}
POINTS = [Point(name=name, link="door", place=place, origin=AT) for name, place in PLACES.items()]
END = 10**15


def link(*, name: str = "door", in_sight: bool = True, least_ns: int = 200 * MS, most_ns: int = 800 * MS) -> PersonLink:
    """The person's link."""
    return PersonLink(
        name=name,
        where="the door",
        in_sight=in_sight,
        reaction_min_ns=least_ns,
        reaction_max_ns=most_ns,
        origin=AT,
    )


class Person:
    """Reports at instants of a clock set by hand, in seconds; :meth:`trace` is what becomes of them."""

    def __init__(self, spec: PersonLink | None = None) -> None:
        self.spec = spec or link()
        self.now = 100 * S
        self.clock: Clock = lambda: self.now
        self.messages: list[Message] = []
        self.states: list[tuple[LinkState, str]] = []
        self.reports = Reports(self.spec, [replace(it, link=self.spec.name) for it in POINTS], self, self._clock)
        self.reports.attach("test")

    def at(self, seconds: float) -> int:
        """Set the clock."""
        self.now = round((100 + seconds) * S)
        return self.now

    def says(self, point: str, on: bool | str, seconds: float) -> None:  # a state
        """One report."""
        self.reports.report(point, on, self.at(seconds))

    def trace(self, point: str = ALARM) -> Trace:
        """The trace of one of the signs."""
        return person_trace(point, PLACES[point], self.spec, self.messages, 0, END)

    def _clock(self) -> int:
        return self.clock()

    # --- the observer ---------------------------------------------------------------------------------

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        assert link == self.spec.name
        self.messages.append(Message(first_ns=first_ns, last_ns=last_ns, data=data))

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        assert link == self.spec.name
        assert at_ns == self.clock()
        self.states.append((state, why))

    def block(self, block: AnyBlock) -> None:
        raise AssertionError(block)

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        raise AssertionError((block_id, asked_ns, told_ns, payload))

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        raise AssertionError((block_id, asked_ns, given_up_ns, why))

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        raise AssertionError((link, due_ns, begun_ns))

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        raise AssertionError((link, at_ns, what, data))
