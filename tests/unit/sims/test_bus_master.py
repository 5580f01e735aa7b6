"""The bus's own master in virtual time: whom it asks, when, and how it goes on."""

import itertools

from sims.bus_master import ANSWERS_WITHIN_NS, MASTER, REQUESTS, BusMaster
from sims.line import UNITS, Line
from sims.rtu import framed, unframed

ROUND_NS = 200_000_000


class Bus:
    """A line whose units answer with nine bytes, but for those that are dead."""

    def __init__(self, *dead: int) -> None:
        self.asked: list[tuple[int, int]] = []
        self.dead = dead
        self.now_ns = 0
        self.line = Line(19_200, self._passed, self._requested)
        self.master = BusMaster(self.line, ROUND_NS, 0)

    def _passed(self, talker: int, data: bytes, end_ns: int) -> None:
        if talker != MASTER:
            self.master.heard(talker, end_ns)

    def _requested(self, frame: bytes, at_ns: int) -> None:
        request = unframed(frame)
        assert request is not None
        self.asked.append((request[0], at_ns))
        if request[0] not in self.dead:
            self.line.put(UNITS, framed(request[0], bytes(6)), at_ns)

    def run(self, until_ns: int) -> None:
        while self.now_ns <= until_ns:
            self.line.advance(self.now_ns)
            self.master.advance(self.now_ns)
            dues = [self.master.due_ns] if self.line.due_ns is None else [self.master.due_ns, self.line.due_ns]
            self.now_ns = max(self.now_ns + 1, min(dues))


def test_every_unit_in_turn_once_a_round() -> None:
    bus = Bus()
    bus.run(3 * ROUND_NS - 1)
    assert [unit for unit, _ in bus.asked] == [1, 2, 3, 4, 5] * 3
    firsts = [at_ns for unit, at_ns in bus.asked if unit == 1]
    assert [b - a for a, b in itertools.pairwise(firsts)] == [ROUND_NS] * 2
    assert (bus.master.answers, bus.master.unanswered) == (15, 0)


def test_the_next_request_comes_when_the_answer_is_over() -> None:
    bus = Bus()
    bus.run(ROUND_NS - 1)
    line = bus.line
    apart_ns = line.wire_ns(9) + line.gap_ns + line.wire_ns(len(REQUESTS[0])) + line.gap_ns
    ends = [at_ns for _, at_ns in bus.asked]
    assert all(abs(b - a - apart_ns) <= 2 for a, b in itertools.pairwise(ends))


def test_a_dead_unit_costs_its_time_and_no_more() -> None:
    bus = Bus(3)
    bus.run(10 * ROUND_NS)
    asked = [unit for unit, _ in bus.asked]
    assert asked[:10] == [1, 2, 3, 4, 5] * 2
    assert bus.master.unanswered == asked.count(3) or bus.master.unanswered == asked.count(3) - 1
    third, fourth = bus.asked[2][1], bus.asked[3][1]
    assert fourth - third >= ANSWERS_WITHIN_NS
