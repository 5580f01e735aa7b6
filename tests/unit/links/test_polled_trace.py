"""Samples of one place that several blocks held: nothing that was read to be on is forgotten."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS
from harness.core.links import BusWay, LinkSpec, ModbusRtuLink, ModbusTcpLink
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table
from harness.core.trace import Trace
from harness.links.base import Block
from harness.links.decoding import trace_of
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange

MS = NS_PER_MS
ORIGIN = Origin(file="site.yaml", line=1)
INPUT = Table.DISCRETE_INPUT
FIRST = Block(id=1, link="bus", unit=1, table=INPUT, address=0, count=16)
SECOND = Block(id=2, link="bus", unit=1, table=INPUT, address=8, count=16)
POINT = Point(name="p", link="bus", place=ModbusPlace(unit=1, table=INPUT, address=8), origin=ORIGIN)
BUS = ModbusRtuLink(
    name="bus", host="127.0.0.1", tcp_port=1, way=BusWay.RECEIVE_ONLY, numbering=Numbering.FROM_ZERO,
    poll_period_ns=0, timeout_ns=500 * MS, quiet_ns=100 * MS, origin=ORIGIN,
)  # fmt: skip
DEVICE = ModbusTcpLink(
    name="bus", host="127.0.0.1", port=1, numbering=Numbering.FROM_ZERO, poll_period_ns=MS, timeout_ns=MS, origin=ORIGIN
)


@dataclass
class Read:
    """A source of the two blocks: (asked, told, on) in ms."""

    first: list[tuple[int, int, bool]] = field(default_factory=list)
    second: list[tuple[int, int, bool]] = field(default_factory=list)

    def blocks(self) -> tuple[Block, ...]:
        return (FIRST, SECOND)

    def polls(self, block_id: int) -> Polls:
        mine = self.first if block_id == FIRST.id else self.second
        on = (bytes((0, 1)), bytes((0, 0))) if block_id == FIRST.id else (bytes((1, 0)), bytes((0, 0)))
        return Polls(
            asked=np.array([asked * MS for asked, _, _ in mine], dtype=np.int64),
            told=np.array([told * MS for _, told, _ in mine], dtype=np.int64),
            starts=np.arange(len(mine), dtype=np.int64),
            payloads=[on[0] if state else on[1] for _, _, state in mine],
        )

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        del block_id
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        del link
        return ()

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        del link
        return ()

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        del link
        return ()


def samples(source: Read, spec: LinkSpec = BUS) -> list[tuple[int, int, bool]]:
    """(lo, hi, on) in ms."""
    trace = trace_of(POINT, spec, source, source.blocks(), 0, 10_000 * MS)
    assert isinstance(trace, Trace)
    states = [trace.run_is_on(run) for run in range(len(trace.starts))]
    counts = np.diff(np.append(trace.starts, len(trace)))
    on = np.repeat(states, counts).tolist()
    return list(zip((trace.lo // MS).tolist(), (trace.hi // MS).tolist(), on, strict=True))


def test_on_a_bus_that_is_overheard_no_sample_is_left_out_because_it_overlaps() -> None:
    """What may hold bytes up on their way widens every sample, so that all of them overlap."""
    seen = Read(first=[(0, 30, False), (100, 130, False)], second=[(20, 50, True), (120, 150, False)])
    assert samples(seen) == [(0, 30, False), (20, 50, True), (100, 130, False), (120, 150, False)]


def test_where_the_order_is_not_known_a_sample_that_overlaps_is_left_out() -> None:
    seen = Read(first=[(0, 30, False), (100, 130, False)], second=[(20, 50, True), (120, 150, False)])
    assert samples(seen, DEVICE) == [(0, 30, False), (100, 130, False)]


def test_an_answer_that_may_be_an_older_one_is_still_behind_the_ones_before_it() -> None:
    seen = Read(first=[(50, 80, True)], second=[(10, 100, False)])
    assert samples(seen) == [(50, 80, True), (50, 100, False)]


@pytest.mark.parametrize("on_first", [False, True])
def test_of_two_that_one_read_brought_the_one_that_is_on_counts(on_first: bool) -> None:
    seen = Read(first=[(0, 50, on_first)], second=[(20, 50, not on_first)])
    assert [on for *_, on in samples(seen)] == [True]
    both = Read(first=[(0, 50, False)], second=[(20, 50, False)])
    assert len(samples(both)) == 2
