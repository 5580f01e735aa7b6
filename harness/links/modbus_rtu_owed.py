"""Which request an RTU answer belongs to, where an earlier one may still be owed its own. Pure; time is handed in.

An RTU answer names its unit, its function and how many bytes it has: not the address, and no transaction. So after a
request that was given up, the next answer may be its late one. What is assumed, and all that is assumed: a unit
answers in the order in which it was asked, at most once for each request; an answer is late by at most ``OWED_MAX``
requests to its unit; and one that has not come for ``forget_ns`` never comes. No other time comes into it: an answer
may be late by any time, and may come only when the next request wakes the unit.

From that follows, for an answer that fits the request which is waiting:
- It fits no owed request: it is this one's, and those before it will not be answered any more.
- It fits owed requests too, all of them for the very same places: it is one of these, so the value was true at some
  instant since the *oldest* of them was asked. That widens the sample's bounds, and the newest may now be owed.
- It fits an owed request for other places: whose it is cannot be told. It is dropped, and the request asked again at
  once: after as many repetitions as answers are owed, all that can come is of these places.

A shorter read of the same places, which no owed answer fits, ends the doubt where there is one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, unique
from typing import Final

from harness.core.places import Table
from harness.links.modbus_pdu import TABLE_SIZE, ReadRequest
from harness.links.modbus_rtu_frames import BusRequest, RtuAnswer

OWED_MAX: Final = 8
"""By so many requests to its unit an answer can be late. A serial unit has one receive buffer of 256 bytes and one
program that empties it, and most drop what comes while they are busy (common practice, no source). With the back-off
between them, so many requests without an answer take a minute where the time-out is 1 s."""
PROBES_MAX: Final = 4
"""Shorter reads in a row that end no doubt; then the unit is asked as planned, and its bounds stay wide."""


@unique
class Whose(Enum):
    """To which request an answer belongs."""

    OWN = "own"
    """To the one that waits, or to an earlier one for the same places: asked at ``Match.asked_ns`` at the earliest."""
    LATE = "late"
    """To one that was given up; the one that waits goes on waiting."""
    UNSURE = "unsure"
    """It cannot be told."""
    NOBODY = "nobody"
    """To none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What an answer is taken for."""

    whose: Whose
    asked_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Owed:
    request: BusRequest
    asked_ns: int
    number: int


class OwedAnswers:
    """The requests to each unit of one bus whose answers may still come. Outlives connections: units know of none."""

    __slots__ = ("_asked", "_forget_ns", "_probes", "_units", "echoes")

    def __init__(self, forget_ns: int) -> None:
        """``forget_ns``: a request that was not answered for so long never is."""
        self._forget_ns = forget_ns
        self._units: dict[int, deque[_Owed]] = {}
        self._probes: dict[int, int] = {}
        self._asked: dict[int, int] = {}
        self.echoes: set[int] = set()
        """The functions of requests so far whose answers repeat them: such answers may come, late ones too."""

    def asking(self, unit: int) -> None:
        """The next request to a unit goes out."""
        self._asked[unit] = self._asked.get(unit, 0) + 1

    def give_up(self, request: BusRequest, asked_ns: int) -> None:
        """The last request to its unit was given up without an answer that was certainly its own."""
        number = self._asked.get(request.unit, 0)
        owed = self._units.setdefault(request.unit, deque())
        owed.append(_Owed(request=request, asked_ns=asked_ns, number=number))

    def count(self, unit: int, now_ns: int) -> int:
        """How many answers of a unit may still come."""
        return len(self._of(unit, now_ns))

    def take(self, answer: RtuAnswer, request: BusRequest | None, asked_ns: int, now_ns: int) -> Match:
        """Whose ``answer`` is, where ``request`` waits since ``asked_ns`` (None: nobody waits). And remember."""
        owed = self._of(answer.unit, now_ns)
        fitting = [it for it in owed if answer.fits(it.request)]
        own = request is not None and answer.fits(request)
        if not fitting:
            if not own:
                return Match(whose=Whose.NOBODY)
            owed.clear()
            self._probes.pop(answer.unit, None)
            return Match(whose=Whose.OWN, asked_ns=asked_ns)
        oldest = fitting[0]
        while owed.popleft() is not oldest:
            pass
        if request is None or not own:
            return Match(whose=Whose.LATE)
        self.give_up(request, asked_ns)
        if answer.code is None and all(it.request == request for it in fitting):
            return Match(whose=Whose.OWN, asked_ns=oldest.asked_ns)
        return Match(whose=Whose.UNSURE)

    def probe_for(self, request: ReadRequest, gap_max: int | None, now_ns: int) -> ReadRequest | None:
        """A read that ends the doubt about whose the answer to ``request`` would be; None where there is none.

        It reads fewer of the same places, or up to ``gap_max`` more (None: any number), so that nothing is read that
        the site file does not allow.
        """
        owed = self._of(request.unit, now_ns)
        reads = [it.request for it in owed if isinstance(it.request, ReadRequest)]
        taken = {it.payload_bytes for it in reads if it.function == request.function}
        if request.payload_bytes not in taken or self._probes.get(request.unit, 0) >= PROBES_MAX:
            return None
        for count in _other_counts(request, gap_max):
            probe = ReadRequest(unit=request.unit, table=request.table, address=request.address, count=count)
            if probe.payload_bytes not in taken:
                self._probes[request.unit] = self._probes.get(request.unit, 0) + 1
                return probe
        return None

    def _of(self, unit: int, now_ns: int) -> deque[_Owed]:
        owed = self._units.setdefault(unit, deque())
        oldest = self._asked.get(unit, 0) - OWED_MAX
        while owed and (owed[0].number < oldest or now_ns - owed[0].asked_ns > self._forget_ns):
            owed.popleft()
        return owed


def _other_counts(request: ReadRequest, gap_max: int | None) -> Iterator[int]:
    """Counts for which the answer has another length: the shorter ones from the longest, then the longer ones."""
    table, count = request.table, request.count
    step = _step(table)
    longest = (count - 1) // step * step
    yield from range(longest, 0, -step)
    allowed = min(table.count_max, TABLE_SIZE - request.address)
    if gap_max is not None:
        allowed = min(allowed, count + gap_max)
    first_longer = (longest + step) + 1
    yield from range(first_longer, allowed + 1, step)


def _step(table: Table) -> int:
    """So many places share a byte, or take whole registers."""
    return 8 if table.is_bits else 1
