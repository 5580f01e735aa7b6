"""A master of its own on the bus: it polls every unit in turn, so that a listener need only overhear it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from sims.line import UNITS, Line
from sims.points import LOOP_UNIT, REMOTE, TANKS, Table
from sims.points import UNITS as UNIT_PLACES
from sims.rtu import read_request

MASTER: Final = 1  # the talker number of this master
ANSWERS_WITHIN_NS: Final = 200_000_000  # after the end of its request; it goes on to the next unit then

REQUESTS: Final = tuple(
    read_request(unit, Table.INPUT_REGISTER, 0, len(TANKS))
    if unit == LOOP_UNIT
    else read_request(unit, Table.DISCRETE_INPUT, 0, len(REMOTE))
    for unit in UNIT_PLACES
)


@dataclass(slots=True)
class BusMaster:
    """Sends the requests in turn, one round every ``round_ns``; the next request follows when the answer is over."""

    line: Line
    round_ns: int
    due_ns: int
    answers: int = 0
    unanswered: int = 0
    _round_due_ns: int = 0
    _next: int = 0
    _gives_up_ns: int | None = None

    def heard(self, talker: int, end_ns: int) -> None:
        """A character has passed: of an answer, or of somebody else."""
        if talker == UNITS and self._gives_up_ns is not None:
            if self.due_ns == self._gives_up_ns:
                self.answers += 1
            self.due_ns = end_ns + self.line.gap_ns

    def advance(self, now_ns: int) -> None:
        """Send the next request if it is time."""
        if now_ns < self.due_ns:
            return
        if self._gives_up_ns is not None:
            self.unanswered += self.due_ns == self._gives_up_ns
            self._gives_up_ns = None
            self._next = (self._next + 1) % len(REQUESTS)
            if self._next == 0:
                self._round_due_ns = max(self._round_due_ns + self.round_ns, now_ns)
                self.due_ns = self._round_due_ns
                return
        elif self._round_due_ns == 0:
            self._round_due_ns = now_ns
        sent_ns = self.line.put(MASTER, REQUESTS[self._next], now_ns)
        self._gives_up_ns = self.due_ns = sent_ns + ANSWERS_WITHIN_NS
