"""From recorded polls to traces, against a plain loop over every single poll; neighbours, and blind times."""

from __future__ import annotations

import struct
from collections import defaultdict
from collections.abc import Mapping, Sequence
from random import Random

import numpy as np
import pytest

from harness.core.instants import Bounds
from harness.core.links import ModbusTcpLink
from harness.core.model import Site, Stimulus
from harness.core.places import ModbusPlace, OnWhen, Order, Table, ValueType
from harness.core.trace import Trace
from harness.links.base import LISTENER_ENDED, Block, LinkState
from harness.links.decoding import state_in_poll
from harness.links.modbus_values import is_on
from harness.links.polled_trace import polled_trace
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.results.evidence import CHANGES_SPARE, blind_times, evidence_of
from tests.peers.sites import site_of

Poll = tuple[int, int, bytes]


class Found:
    """A source of evidence made of lists of polls."""

    def __init__(self, polls: Mapping[Block, Sequence[Poll]]) -> None:
        self._polls = {block.id: list(mine) for block, mine in polls.items()}
        self._blocks = tuple(polls)
        self.failed: dict[int, list[Failure]] = defaultdict(list)
        self.states: dict[str, list[StateChange]] = defaultdict(list)
        self.printed: dict[str, list[Message]] = defaultdict(list)

    def blocks(self) -> tuple[Block, ...]:
        return self._blocks

    def polls(self, block_id: int) -> Polls:
        mine = self._polls[block_id]
        starts = [at for at in range(len(mine)) if at == 0 or mine[at][2] != mine[at - 1][2]]
        return Polls(
            asked=np.array([it[0] for it in mine], dtype=np.int64),
            told=np.array([it[1] for it in mine], dtype=np.int64),
            starts=np.array(starts, dtype=np.int64),
            payloads=[mine[at][2] for at in starts],
        )

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        return tuple(self.failed[block_id])

    def messages(self, link: str) -> tuple[Message, ...]:
        return tuple(self.printed[link])

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        return tuple(self.states[link])

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        return ()


def block(number: int, table: Table, address: int, count: int, unit: int = 1, link: str = "bms") -> Block:
    return Block(id=number, link=link, unit=unit, table=table, address=address, count=count)


def samples(trace: Trace | None) -> list[tuple[int, int, bool]]:
    """(asked, told, on) of every sample of a trace, after proving that it is well formed."""
    if trace is None:
        return []
    assert not trace.edges.any()
    assert trace.sealed is None
    found = []
    for run in range(len(trace.starts)):
        first, last = int(trace.starts[run]), trace.run_last(run)
        assert first <= last
        found += [(int(trace.lo[at]), int(trace.hi[at]), trace.run_is_on(run)) for at in range(first, last + 1)]
    assert len(found) == len(trace)
    return found


def plain(place: ModbusPlace, polls: Mapping[Block, Sequence[Poll]]) -> list[tuple[int, int, bool]]:
    """The same by a plain loop: every poll that has a value, in the order of asking, without those that overlap."""
    found = []
    for one, mine in polls.items():
        inside = one.address <= place.address and place.address + place.count <= one.address + one.count
        if inside and one.table is place.table and one.unit == place.unit:
            found += [(asked, told, is_on(place, one, payload)) for asked, told, payload in mine]
    kept: list[tuple[int, int, bool]] = []
    latest = -1
    for asked, told, on in sorted(found, key=lambda it: it[0]):
        if on is not None and asked >= latest:
            kept.append((asked, told, on))
        latest = max(latest, told)
    return kept


INPUTS = block(1, Table.DISCRETE_INPUT, 10, 20)


def bits(*on: int, count: int = 20) -> bytes:
    number = sum(1 << at for at in on)
    return number.to_bytes((count + 7) // 8, "little")


def test_runs_of_equal_payload_become_runs_of_equal_state() -> None:
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=13)
    polls = {INPUTS: [(0, 5, bits()), (10, 15, bits(1)), (20, 25, bits(1, 3)), (30, 35, bits(3)), (40, 45, bits(1))]}
    found = Found(polls)
    trace = polled_trace("p", place, found.blocks(), found.polls, state_in_poll)
    assert trace is not None
    assert trace.starts.tolist() == [0, 2, 4], "the bit beside it moved in between, and that is no news of this one"
    assert not trace.first_on
    assert samples(trace) == [(0, 5, False), (10, 15, False), (20, 25, True), (30, 35, True), (40, 45, False)]


def test_samples_without_a_value_are_left_out_and_leave_a_gap() -> None:
    place = ModbusPlace(unit=1, table=Table.INPUT_REGISTER, address=5, value_type=ValueType.F32, on_when=OnWhen.ABOVE,
                        threshold=10.0)  # fmt: skip
    registers = block(1, Table.INPUT_REGISTER, 4, 4)

    def value(number: float) -> bytes:
        return b"\x00\x01" + struct.pack(">f", number) + b"\x00\x02"

    nan, inf = float("nan"), float("inf")
    numbers = [nan, 5.0, nan, 5.0, 20.0, inf, 20.0, nan, 5.0, nan]
    polls = {registers: [(10 * at, 10 * at + 4, value(number)) for at, number in enumerate(numbers)]}
    found = Found(polls)
    trace = polled_trace("p", place, found.blocks(), found.polls, state_in_poll)
    expected = [(10, 14, False), (30, 34, False), (40, 44, True), (60, 64, True), (80, 84, False)]
    assert samples(trace) == expected
    assert trace is not None
    assert trace.starts.tolist() == [0, 2, 4]
    only_nan = Found({registers: [(0, 1, value(nan)), (2, 3, value(nan))]})
    assert samples(polled_trace("p", place, only_nan.blocks(), only_nan.polls, state_in_poll)) == []


def test_a_place_in_several_blocks_has_all_their_samples_but_not_those_that_overlap() -> None:
    """A planner that split a block goes on with smaller ones; both held the place, at different times."""
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=13)
    small = block(2, Table.DISCRETE_INPUT, 12, 4)
    polls = {
        INPUTS: [(0, 5, bits()), (20, 25, bits(3)), (40, 60, bits(3))],
        small: [(10, 15, bits(count=4)), (22, 28, bits(count=4)), (50, 55, bits(count=4)), (60, 61, bits(count=4))],
    }
    found = Found(polls)
    trace = polled_trace("p", place, found.blocks(), found.polls, state_in_poll)
    assert samples(trace) == [(0, 5, False), (10, 15, False), (20, 25, True), (40, 60, True), (60, 61, False)]
    assert samples(trace) == plain(place, polls)


def test_a_place_that_no_block_holds_has_no_trace() -> None:
    found = Found({INPUTS: [(0, 5, bits())]})
    for address, table, unit in (
        (9, Table.DISCRETE_INPUT, 1),
        (30, Table.DISCRETE_INPUT, 1),
        (13, Table.COIL, 1),
        (13, Table.DISCRETE_INPUT, 2),
    ):
        place = ModbusPlace(unit=unit, table=table, address=address)
        assert polled_trace("p", place, found.blocks(), found.polls, state_in_poll) is None
    across = ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=3, value_type=ValueType.U32)
    halves = Found({block(1, Table.HOLDING_REGISTER, 0, 4): [(0, 1, bytes(8))]})
    assert polled_trace("p", across, halves.blocks(), halves.polls, state_in_poll) is None, (
        "half of a number is no number"
    )


PLACES = (
    ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=13),
    ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=29, on_when=OnWhen.CLEAR),
    ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=7, value_type=ValueType.BIT, bit=9),
    ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=7, value_type=ValueType.BITS, bit=2, bit_count=3,
                on_when=OnWhen.EQUAL, threshold=5.0),
    ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=8, value_type=ValueType.S16, byte_order=Order.LITTLE,
                on_when=OnWhen.BELOW, threshold=0.0),
    ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=8, value_type=ValueType.F32, word_order=Order.LITTLE,
                on_when=OnWhen.ABOVE, threshold=0.0),
)  # fmt: skip


@pytest.mark.parametrize("seed", range(60))
def test_traces_equal_a_plain_loop_over_every_poll(seed: int) -> None:
    random = Random(seed)
    blocks = [INPUTS, block(2, Table.HOLDING_REGISTER, 6, 5)]
    if seed % 3 == 0:
        blocks += [block(3, Table.DISCRETE_INPUT, 12, 18), block(4, Table.HOLDING_REGISTER, 7, 3)]
    polls: dict[Block, list[Poll]] = {}
    for one in blocks:
        size = (one.count + 7) // 8 if one.table.is_bits else 2 * one.count
        values = [bytes(random.choice([0, 4, 20, 127, 255]) for _ in range(size)) for _ in range(4)]
        if not one.table.is_bits:
            values.append(b"\xff" * size)  # a float's NaN
        now, mine = random.randrange(30), []
        for _ in range(random.randrange(40)):
            asked = now + random.randrange(20)
            now = asked + random.randrange(15)
            mine.append((asked, now, random.choice(values)))
        polls[one] = mine
    found = Found(polls)
    for place in PLACES:
        assert samples(polled_trace("p", place, found.blocks(), found.polls, state_in_poll)) == plain(place, polls), (
            seed,
            place,
        )


# --- a whole site ---------------------------------------------------------------------------------


def stimulus(number: int) -> Stimulus:
    return Stimulus(id=str(number), alarm="a.low", raised=Bounds(number, number))


def site_polls(site: Site) -> dict[Block, list[Poll]]:
    inputs, registers = block(1, Table.DISCRETE_INPUT, 0, 10), block(2, Table.HOLDING_REGISTER, 100, 2)
    panel = block(3, Table.DISCRETE_INPUT, 1, 1, link="panel")
    return {
        inputs: [(at * 10, at * 10 + 5, bits(*([7] if at >= 2 else []), count=10)) for at in range(5)],
        registers: [
            (at * 10, at * 10 + 5, bytes([0x80 if at == 1 else 0, 0, at % 2, 4 if at > 2 else 0])) for at in range(5)
        ],
        panel: [],
    }


def test_points_have_traces_by_name_and_unread_ones_have_none() -> None:
    site = site_of()
    found = Found(site_polls(site))
    evidence = evidence_of(found, site, [stimulus(1)], 0, 100)
    assert set(evidence.traces) == {"hh", "high", "leak", "due", "low"}
    assert evidence.stimuli == (stimulus(1),)


def test_neighbours_are_bits_that_changed_and_that_nothing_maps() -> None:
    site = site_of()
    evidence = evidence_of(Found(site_polls(site)), site, [stimulus(1)], 0, 100)
    places = {(it.place.table, it.place.address, it.place.bit): samples(it.trace) for it in evidence.neighbours}
    on_from_20 = [(0, 5, False), (10, 15, False), (20, 25, True), (30, 35, True), (40, 45, True)]
    assert places == {
        (Table.DISCRETE_INPUT, 7, 0): on_from_20,
        # Register 100 has a mapped bit 2; its other bits, and those of register 101, are neighbours.
        (Table.HOLDING_REGISTER, 100, 15): [(at * 10, at * 10 + 5, at == 1) for at in range(5)],
        (Table.HOLDING_REGISTER, 101, 8): [(at * 10, at * 10 + 5, at % 2 == 1) for at in range(5)],
        (Table.HOLDING_REGISTER, 101, 2): [(at * 10, at * 10 + 5, at > 2) for at in range(5)],
    }  # fmt: skip
    assert {it.link for it in evidence.neighbours} == {"bms"}


@pytest.mark.parametrize(("changes", "is_kept"), [(2 + CHANGES_SPARE, True), (3 + CHANGES_SPARE, False)])
def test_a_bit_that_changes_too_often_is_part_of_a_number(changes: int, is_kept: bool) -> None:
    inputs = block(1, Table.DISCRETE_INPUT, 0, 10)
    found = Found({inputs: [(at, at, bits(*([9] if at % 2 else []), count=10)) for at in range(changes + 1)]})
    evidence = evidence_of(found, site_of(), [stimulus(1)], 0, 100)
    assert len(evidence.neighbours) == is_kept


def test_padding_bits_of_an_answer_are_no_neighbours() -> None:
    inputs = block(1, Table.DISCRETE_INPUT, 0, 10)
    found = Found({inputs: [(0, 1, b"\x00\x00"), (2, 3, b"\x00\xfc")]})
    assert evidence_of(found, site_of(), [], 0, 100).neighbours == ()


def test_bits_of_a_mapped_number_are_no_neighbours() -> None:
    site = site_of(('address: "100.2", behaviour', "address: 100, type: u32, on when: above 7, behaviour"))
    registers = block(2, Table.HOLDING_REGISTER, 100, 3)
    found = Found({registers: [(0, 1, bytes(6)), (2, 3, b"\xff" * 4 + b"\x00\x01")]})
    evidence = evidence_of(found, site, [], 0, 100)
    assert [(it.place.address, it.place.bit) for it in evidence.neighbours] == [(102, 0)]


# --- blind times ----------------------------------------------------------------------------------


def blind(found: Found, site: Site, start: int = 0, end: int = 1000) -> list[tuple[str, int, int, str]]:
    return [(it.link, it.span.lo, it.span.hi, it.why) for it in blind_times(found, site, start, end)]


def change(at: int, state: LinkState, why: str = "") -> StateChange:
    return StateChange(at_ns=at, state=state, why=why)


def test_a_link_that_never_came_up_is_blind_throughout() -> None:
    found = Found({})
    assert blind(found, site_of()) == [(link, 0, 1000, "not connected yet") for link in ("panel", "bms", "log")]


def test_a_link_that_never_came_up_says_why() -> None:
    """The newest reason, and not that it was no longer listened to."""
    found = Found({})
    found.states["bms"] = [change(20, LinkState.DOWN, "no answer"), change(40, LinkState.DOWN, "refused")]
    found.states["log"] = [change(5, LinkState.DOWN, "no way there"), change(999, LinkState.DOWN, LISTENER_ENDED)]
    found.states["panel"] = [change(999, LinkState.DOWN, LISTENER_ENDED)]
    assert blind(found, site_of()) == [
        ("panel", 0, 1000, "not connected yet"),
        ("bms", 0, 1000, "not connected yet: refused"),
        ("log", 0, 1000, "not connected yet: no way there"),
    ]


def test_a_link_is_blind_until_it_is_up_and_while_it_is_down() -> None:
    site = site_of()
    found = Found({block(1, Table.DISCRETE_INPUT, 0, 1): []})
    found.states["panel"] = [change(10, LinkState.UP)]
    found.states["log"] = [change(5, LinkState.UP)]
    found.states["bms"] = [
        change(20, LinkState.DOWN, "refused"),
        change(30, LinkState.UP),
        change(100, LinkState.DOWN, "reset by peer"),
        change(150, LinkState.DOWN, "refused"),
        change(200, LinkState.UP),
        change(990, LinkState.DOWN, "the device closed the connection"),
    ]
    found.failed[1] = [Failure(asked_ns=400, given_up_ns=450, why="no answer within 50 ms")]
    assert blind(found, site) == [
        ("panel", 0, 10, "not connected yet"),
        ("bms", 0, 30, "not connected yet: refused"),
        ("bms", 100, 200, "reset by peer"),
        ("bms", 990, 1000, "the device closed the connection"),
        ("bms", 400, 450, "no answer within 50 ms"),
        ("log", 0, 5, "not connected yet"),
    ]


def test_a_link_that_was_up_before_the_start_is_not_turned_round() -> None:
    """Clocks of events and of the run's start may lie a little beside each other; a span never runs backwards."""
    found = Found({})
    for name in ("panel", "bms", "log"):
        found.states[name] = [change(40, LinkState.UP)]
    assert blind(found, site_of(), start=50) == [(n, 50, 50, "not connected yet") for n in ("panel", "bms", "log")]


def test_the_links_of_the_site_are_what_the_tests_think() -> None:
    site = site_of()
    assert isinstance(site.links["bms"], ModbusTcpLink)
    assert list(site.links) == ["panel", "bms", "log"]
