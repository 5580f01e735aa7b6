"""The rig of a person who watches. There is no wire: the faults are those of a person."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.links import PersonLink
from harness.core.places import PersonPlace, Place, Sign
from harness.links.base import Link
from harness.links.person import PersonListener
from harness.links.person_reports import Reports
from tests.conformance.rig import LINK, ORIGIN, POINT, Passage, Rig, clock

REACTION_MIN_NS: Final = 100 * NS_PER_MS
REACTION_MAX_NS: Final = 500 * NS_PER_MS
REACTS_S: Final = 0.25
NO_BYTES: Final = "a person's report is one of two states, handed over whole; there are no bytes that could be bad"
NO_CONNECTION: Final = "nobody connects to a person, so no connection is lost and no attempt is made"


class PersonRig(Rig):
    """A lamp in sight of a person. While it is held, the person does not look; while it is refused, nobody is there."""

    name = "person"
    is_pushed = True
    stays_silent = True
    proves_quiet = False
    faults = ("refuse", "hold")
    left_out = {  # noqa: RUF012 - as declared by Rig
        "test_quiet_is_proved_while_the_link_lives": "a person who says nothing proves nothing, at any time",
        "test_a_lost_connection_comes_back_and_the_time_between_is_blind": NO_CONNECTION,
        "test_attempts_to_connect_are_spaced_and_the_spacing_is_capped": NO_CONNECTION,
        "test_a_slow_peer_is_waited_for": NO_BYTES,
        "test_garbage_is_no_value": NO_BYTES,
        "test_half_a_message_is_no_value": NO_BYTES,
        "test_a_flood_costs_no_memory_and_is_outlived": NO_BYTES,
        "test_not_a_byte_more_than_declared": "there is nowhere a byte could be sent to",
    }

    def __init__(self) -> None:
        self.passage = Passage()
        self.shown = []
        self._reports: Reports | None = None
        self._is_there = True
        self._looks = True
        self._says_other = False

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        yield

    def meet(self, link: Link) -> None:
        assert isinstance(link, PersonListener)
        self._reports = link.reports
        if self._is_there:
            self._reports.attach("keys of the test")
        if self._says_other:
            try:
                self._reports.report("horn", on=True, at_ns=clock())
            except ValueError as refused:
                assert "horn" in str(refused)  # noqa: PT017 - it may also be passed over

    def spec(self) -> PersonLink:
        return PersonLink(name=LINK, reaction_min_ns=REACTION_MIN_NS, reaction_max_ns=REACTION_MAX_NS, origin=ORIGIN)

    def place(self) -> Place:
        return PersonPlace(sign=Sign.LAMP, label="TANK HIGH")

    async def set_output(self, *, on: bool) -> Bounds:
        at_ns = clock()
        await asyncio.sleep(REACTS_S)
        if self._is_there and self._looks and self._reports is not None:
            self._reports.report(POINT, on, clock())
        return Bounds(at_ns, at_ns)

    async def refuse(self) -> None:
        if self._is_there:
            self._is_there = False
            self.passage.shut("nobody there")
            if self._reports is not None:
                self._reports.detach("the keys of the test ended")

    async def admit(self) -> None:
        if not self._is_there:
            self._is_there = True
            self.passage.open("nobody there")
            if self._reports is not None:
                self._reports.attach("keys of the test")

    def cut(self) -> None:
        raise NotImplementedError(NO_CONNECTION)

    def hold(self) -> None:
        self._looks = False
        self.passage.shut("looks away")

    def release(self) -> None:
        """Who looks again was not looking since the report before: what is said next is a state."""
        if not self._looks:
            self._looks = True
            self.passage.open("looks away")
            if self._reports is not None:
                self._reports.rest()

    def slow(self, seconds: float) -> None:
        assert not seconds, NO_BYTES

    def tear(self) -> None:
        raise NotImplementedError(NO_BYTES)

    def inject(self, data: bytes) -> None:
        raise NotImplementedError(NO_BYTES)

    async def be_somebody_else(self) -> None:
        """The person speaks of a sign that is not on this link."""
        self._says_other = True

    def attempts_ns(self) -> list[int]:
        return []

    def sent_by_listener(self) -> bytes:
        return b""

    async def until_left(self) -> None:
        """The keys go with the listener."""
        if self._reports is not None:
            self._reports.detach("the keys of the test ended")
            self._reports = None
