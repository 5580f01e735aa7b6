"""What is remembered while a run goes on: the newest state of each point, waiting for news, and judging from memory."""

from __future__ import annotations

import asyncio
import struct
import time
from dataclasses import replace
from random import Random

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.model import Point
from harness.core.places import CurrentLoop, ModbusPlace, OnWhen, Table, ValueType
from harness.links.base import Block, LinkState
from harness.links.seen import Dropped, Failure, StateChange
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from harness.results.evidence import evidence_of
from harness.run import live as live_module
from harness.run.live import LiveMemory, LiveSource, PointState
from tests.peers.sites import site_of
from tests.unit.results.test_evidence import bits, samples

INPUTS = Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=5)
REGISTERS = Block(id=2, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=1)
DEADLINE_NS = 20 * NS_PER_S
"""Far more than anything here takes; only a broken test runs into it."""


def source(**rest: object) -> LiveSource:
    live = LiveSource(site_of(), time.monotonic_ns, **rest)  # type: ignore[arg-type]
    live.block(INPUTS)
    live.block(REGISTERS)
    return live


def inputs(*on: int) -> bytes:
    return bits(*on, count=5)


def test_the_newest_state_of_every_point_and_when_it_may_have_changed() -> None:
    live = source()
    assert live.states == {}
    live.poll(1, 100, 110, inputs())
    live.poll(1, 200, 210, inputs())
    live.poll(1, 300, 310, inputs(1))
    live.poll(1, 400, 410, inputs(1, 3))
    assert live.states["high"] == PointState(on=True, asked_ns=400, told_ns=410, changed_lo_ns=201)
    assert live.states["leak"] == PointState(on=True, asked_ns=400, told_ns=410, changed_lo_ns=301)
    assert live.states["hh"] == PointState(on=False, asked_ns=400, told_ns=410, changed_lo_ns=0)
    assert "low" not in live.states, "its register was not read yet"
    assert live.polls_total == 4


def test_changes_are_told_once() -> None:
    told: list[tuple[str, bool, int]] = []

    def changed(point: Point, state: PointState) -> None:
        told.append((point.name, state.on, state.told_ns))

    live = source(changed=changed)
    for at, payload in ((1, inputs(1)), (2, inputs(1)), (3, inputs()), (4, inputs())):
        live.poll(1, at, at, payload)
    assert [one for one in told if one[0] == "high"] == [("high", True, 1), ("high", False, 3)]


def test_a_value_that_is_none_changes_nothing() -> None:
    changes = ('address: "100.2", behaviour', "address: 100, type: f32, on when: above 7, behaviour")
    live = LiveSource(site_of(changes), time.monotonic_ns)
    live.block(Block(id=1, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=2))
    live.poll(1, 1, 2, struct.pack(">f", 8))
    live.poll(1, 3, 4, struct.pack(">f", float("nan")))
    assert live.states["low"] == PointState(on=True, asked_ns=1, told_ns=2, changed_lo_ns=0)


def test_a_reading_that_says_nothing_is_no_news_however_often_it_comes() -> None:
    """A NaN again and again is not the state before it, told anew."""
    changes = ('address: "100.2", behaviour', "address: 100, type: f32, on when: above 7, behaviour")
    live = LiveSource(site_of(changes), time.monotonic_ns)
    live.block(Block(id=1, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=2))
    live.poll(1, 1, 2, struct.pack(">f", 8))
    for at in (3, 5, 7):
        live.poll(1, at, at + 1, struct.pack(">f", float("nan")))
    assert live.states["low"].told_ns == 2


def test_a_loop_has_failed_only_once_its_current_lasted() -> None:
    """As the judge will say: off while the persistence cannot be over, on once it must be."""
    site = site_of()
    loop = CurrentLoop(
        name="level", raw_at_4=4000, raw_at_20=20_000, value_at_4=0, value_at_20=100, input_min_ma=0, input_max_ma=24,
        resolution_ma=0.001, persistence_ns=4 * NS_PER_S,
    )  # fmt: skip
    place = ModbusPlace(
        unit=1,
        table=Table.HOLDING_REGISTER,
        address=100,
        value_type=ValueType.U16,
        on_when=OnWhen.FAILURE_LOW,
        loop=loop,
    )
    live = LiveSource(
        replace(site, points={**site.points, "low": replace(site.points["low"], place=place)}), time.monotonic_ns
    )
    live.block(REGISTERS)
    on = []
    for tenth in range(60):
        failed = tenth >= 10
        live.poll(
            2, tenth * 100 * NS_PER_MS, tenth * 100 * NS_PER_MS + 1, struct.pack(">H", 3500 if failed else 12_000)
        )
        on.append(live.states["low"].on)
    assert on.index(True) == 51, "told at 1 s and a little, so surely on from the reading after 5 s on"
    assert live.states["low"].changed_lo_ns > 4800 * NS_PER_MS


def test_printed_lines() -> None:
    live = source()
    assert live.is_off("high-printed"), "a line that said nothing yet is not on"
    live.message("log", 10, 20, b"ON A HIGH HIGH")
    assert live.is_off("high-printed"), "the line of another alarm"
    live.message("log", 30, 40, b"ON A HIGH")
    assert not live.is_off("high-printed")
    assert live.was_on_since("high-printed", 40)
    assert not live.was_on_since("high-printed", 41)
    live.message("log", 50, 60, b"OFF A HIGH")
    assert live.is_off("high-printed")
    assert live.was_on_since("high-printed", 40), "that it was on stays true"
    assert live.last_message_ns("log") == 60
    assert live.last_message_ns("bms") == -1


def test_a_polled_point_that_was_never_read_is_not_off() -> None:
    """Not known is not off: nothing is raised on the strength of it."""
    live = source()
    assert not live.is_off("high")
    live.poll(1, 1, 2, inputs())
    assert live.is_off("high")
    assert live.polled_points() == {"hh", "high", "leak", "due", "low"}


def test_links_and_failures() -> None:
    live = source()
    assert live.up == {"panel": False, "bms": False, "log": False}
    live.link_state("bms", 5, LinkState.UP, "connected")
    assert live.up["bms"]
    live.link_state("bms", 9, LinkState.DOWN, "reset")
    assert not live.up["bms"]
    assert live.why_down["bms"] == "reset"
    live.poll_failed(1, 6, 8, "no answer")
    assert live.failures_total == 1
    memory = LiveMemory(live)
    assert memory.failures(1) == (Failure(asked_ns=6, given_up_ns=8, why="no answer"),)
    assert [it.state for it in memory.link_states("bms")] == [LinkState.UP, LinkState.DOWN]


async def test_waiting_ends_with_the_news_that_it_waits_for() -> None:
    live = source()
    deadline = time.monotonic_ns() + DEADLINE_NS
    waiting = asyncio.create_task(live.wait_until(lambda: live.was_on_since("high", 0), deadline))
    await asyncio.sleep(0)
    live.poll(1, 1, 2, inputs())
    await asyncio.sleep(0)
    assert not waiting.done()
    live.poll(1, 3, 4, inputs(1))
    assert await waiting
    waiting = asyncio.create_task(
        live.wait_until(lambda: live.last_message_ns("log") == 6 and live.up["log"], deadline)
    )
    await asyncio.sleep(0)
    live.message("log", 5, 6, b"ON A HIGH")
    await asyncio.sleep(0)
    assert not waiting.done()
    live.link_state("log", 7, LinkState.UP, "")
    assert await waiting


async def test_waiting_gives_up_at_its_deadline_and_never_before_it() -> None:
    live = source()
    deadline = time.monotonic_ns() + 5 * NS_PER_MS
    assert not await live.wait_until(lambda: False, deadline)
    assert time.monotonic_ns() >= deadline
    assert not await live.wait_until(lambda: False, deadline), "a deadline that has passed is no wait at all"
    assert await live.wait_until(lambda: True, 0), "what holds already needs no time"


async def test_waiting_for_news_wants_samples_asked_since() -> None:
    live = source()
    live.poll(1, 100, 110, inputs())
    live.poll(2, 90, 120, b"\x00\x00")
    past = time.monotonic_ns()
    assert await live.wait_for_news(["high", "high-printed"], 100, past), "a printed line says nothing when nothing is"
    assert not await live.wait_for_news(["high"], 101, past)
    assert not await live.wait_for_news(["high", "low"], 100, past), "told later, but asked before"


def test_memory_is_let_go_of_but_the_sample_before_is_kept() -> None:
    """The sample before an instant bounds what happened after it."""
    live = source()
    for at in range(10):
        live.poll(1, 100 * at, 100 * at + 10, inputs(*([1] if at >= 5 else [])))
    live.poll_failed(1, 300, 350, "early")
    live.poll_failed(1, 700, 750, "late")
    live.forget_before(510)
    polls = LiveMemory(live).polls(1)
    assert polls.asked.tolist() == [400, 500, 600, 700, 800, 900]
    assert polls.starts.tolist() == [0, 1]
    assert [it.why for it in LiveMemory(live).failures(1)] == ["late"]
    live.forget_before(10**18)
    assert LiveMemory(live).polls(1).asked.tolist() == [900], "the newest is never let go of"


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "KEPT_POLLS_MAX", 5)
    monkeypatch.setattr(live_module, "KEPT_DROPPED_MAX", 3)
    live = source()
    for at in range(20):
        live.poll(1, at, at, inputs(at % 5))
        live.dropped("bms", at, "unasked", b"x")
    polls = LiveMemory(live).polls(1)
    assert polls.asked.tolist() == [15, 16, 17, 18, 19]
    assert polls.starts.tolist() == [0, 1, 2, 3, 4]
    assert LiveMemory(live).dropped("bms") == tuple(Dropped(at_ns=at, what="unasked", data=b"x") for at in range(3))


def test_who_needs_more_polls_says_so() -> None:
    live = source(polls_max=3)
    for at in range(20):
        live.poll(1, at, at, inputs(at % 5))
    assert LiveMemory(live).polls(1).asked.tolist() == [17, 18, 19]


def test_events_of_one_stimulus() -> None:
    live = source()
    live.event("step", 1, {"stimulus": "0001"})
    live.event("plan", 2, {})
    live.event("step", 3, {"stimulus": "0002"})
    live.event("step", 4, {"stimulus": "0001"})
    assert [it.at_ns for it in live.events_of("0001")] == [1, 4]


@pytest.mark.parametrize("seed", range(10))
def test_memory_gives_the_same_evidence_as_the_record(seed: int, tmp_path: object) -> None:
    """A live result may differ from the judged one only where memory was let go of; here it was not."""
    random, site = Random(seed), site_of()
    path = tmp_path / "run.farend"  # type: ignore[operator]
    clock = time.monotonic_ns
    writer = RecordWriter.create(path, Header.now(clock, site="ashby"), {}, clock)
    live = LiveSource(site, clock)
    writer.subscribe(live)
    writer.block(INPUTS)
    writer.block(REGISTERS)
    writer.link_state("bms", 1, LinkState.UP, "")
    writer.link_state("log", 2, LinkState.UP, "")
    now = 10
    for _ in range(random.randrange(5, 80)):
        now += random.randrange(1, 20)
        choice = random.randrange(8)
        if choice < 4:
            writer.poll(1, now, now + 5, inputs(*random.sample(range(5), random.randrange(3))))
        elif choice < 6:
            writer.poll(2, now, now + 5, random.choice([b"\x00\x00", b"\x00\x04", b"\x80\x01"]))
        elif choice == 6:
            writer.message("log", now, now + 3, random.choice([b"ON A HIGH", b"OFF A HIGH", b"hello"]))
        else:
            writer.poll_failed(1, now, now + 9, "no answer")
        now += 10
    writer.close()
    with RecordReader.open(path) as reader:
        recorded = evidence_of(reader, site, [], 0, now)
    remembered = evidence_of(LiveMemory(live), site, [], 0, now)
    assert remembered.blind == recorded.blind
    assert set(remembered.traces) == set(recorded.traces)
    for name, trace in recorded.traces.items():
        other = remembered.traces[name]
        for column in ("lo", "hi", "starts", "edges"):
            assert getattr(other, column).tolist() == getattr(trace, column).tolist(), (seed, name, column)
        assert other.first_on == trace.first_on
    pairs = zip(remembered.neighbours, recorded.neighbours, strict=True)
    assert all(one.place == two.place and samples(one.trace) == samples(two.trace) for one, two in pairs)


def test_state_changes_are_values() -> None:
    assert StateChange(at_ns=1, state=LinkState.UP, why="") == StateChange(at_ns=1, state=LinkState.UP, why="")
