"""A loop's failure from its readings: what is certain, by hand, on the screen and in the trace alike."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import ModbusTcpLink
from harness.core.model import Hold, Point
from harness.core.places import BacnetPlace, CurrentLoop, ModbusPlace, Numbering, ObjectType, OnWhen, Table, ValueType
from harness.core.trace import Trace
from harness.links import bacnet_values, modbus_values
from harness.links.bacnet_values import ObjectReading, Status
from harness.links.base import Block
from harness.links.current_loop import Lasting, failure_trace, lasting_loop
from harness.links.decoding import trace_of
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange

S, MS = NS_PER_S, NS_PER_MS
HERE = Origin(file="site.yaml", line=1)
LOOP = CurrentLoop(
    name="level", raw_at_4=682.5, raw_at_20=3412.5, value_at_4=0, value_at_20=100, units="%",
    input_min_ma=0, input_max_ma=24, resolution_ma=0.006, accuracy_ma=0.006,
)  # fmt: skip
PLACE = ModbusPlace(
    unit=2, table=Table.INPUT_REGISTER, address=0, value_type=ValueType.U16, on_when=OnWhen.FAILURE_LOW, loop=LOOP
)
BLOCK = Block(id=1, link="bus", unit=2, table=Table.INPUT_REGISTER, address=0, count=1)


def trace(
    readings: Sequence[tuple[int, int, int]], persistence_ns: int = 4 * S, off_ns: int = S
) -> list[tuple[int, int, bool, bool]]:
    """(lo, hi, on, sealed) of each sample, from (asked, told, state) of each reading."""
    asked, told = (np.array([it[n] for it in readings], dtype=np.int64) for n in (0, 1))
    found = failure_trace("p", persistence_ns, off_ns, asked, told, np.array([it[2] for it in readings], dtype=np.int8))
    return samples(found)


def samples(found: Trace) -> list[tuple[int, int, bool, bool]]:
    sealed = found.sealed if found.sealed is not None else np.zeros(len(found), dtype=np.bool_)
    on = [found.run_is_on(int(np.searchsorted(found.starts, at, side="right")) - 1) for at in range(len(found))]
    return list(zip(found.lo.tolist(), found.hi.tolist(), on, sealed.tolist(), strict=True))


def test_an_onset_lies_one_persistence_after_the_current_went_there() -> None:
    readings = [(0, 2, 0), (10, 12, 0), (20, 22, 1), (30, 32, 1), (40, 42, 1), (50, 52, 1), (60, 62, 0)]
    assert trace(readings, 25, 12) == [
        (0, 2, False, False),
        (10, 12, False, True),  # 12 - 0 is less than the persistence
        (35, 35, False, True),  # out of the range at 10 or later: off until 35 at least
        (47, 47, True, False),  # in the range at 22 or before, and all the time since
        (50, 52, True, False),
        (60, 62, False, False),
    ]


@pytest.mark.parametrize(("lasts_ms", "failed"), [(3900, False), (4100, True)])
def test_four_seconds(lasts_ms: int, failed: bool) -> None:
    """3.5 mA for 3.9 s is no failure, for 4.1 s it is one (NAMUR NE 43, as given in trade literature)."""
    raised = 1000
    readings = [(at * MS, at * MS, int(raised <= at < raised + lasts_ms)) for at in range(0, 8000, 50)]
    found = trace(readings)
    assert any(on for *_, on, _ in found) is failed
    if failed:
        first = next(at for at, it in enumerate(found) if it[2])
        assert found[first - 1][:2] == (4950 * MS, 4950 * MS)
        assert found[first][:2] == (5000 * MS, 5000 * MS)
    else:
        window = [it for it in found if raised * MS <= it[1] <= 6000 * MS]
        assert window[0][3], "a failure of 4 s cannot have hidden between the readings around 3.9 s"


def test_a_gap_in_which_it_may_have_recovered_begins_anew() -> None:
    readings = [
        (0, 1, 0),
        *((at, at + 1, 1) for at in range(10, 60, 10)),
        *((at, at + 1, 1) for at in range(90, 150, 10)),
    ]
    found = trace(readings, 25, 12)
    assert [it[:2] for it in found if it[2]] == [
        (36, 36),
        (40, 41),
        (50, 51),
        (116, 116),
        (120, 121),
        (130, 131),
        (140, 141),
    ]


def test_a_reading_that_tells_nothing_is_a_gap() -> None:
    readings = [(at, at + 1, -1 if at == 40 else 1) for at in range(0, 120, 10)]
    assert next(it[0] for it in trace(readings, 25, 12) if it[2]) == 26
    assert next(it[0] for it in trace(readings, 45, 12) if it[2]) == 96, "by 30 and 50 alone it may have left the range"


def test_nothing_but_failure_has_no_sample_before_the_persistence() -> None:
    assert trace([(0, 1, 1), (10, 11, 1)], 25, 12) == []
    assert trace([], 25, 12) == []
    assert trace([(0, 1, -1)], 25, 12) == []


def test_slow_polls_still_prove_the_persistence_off() -> None:
    assert trace([(0, 2, 0), (100, 102, 0), (200, 202, 0)], 25, 12) == [
        (0, 2, False, False), (25, 25, False, True), (100, 102, False, False), (125, 125, False, True),
        (200, 202, False, False),
    ]  # fmt: skip


def test_the_screen_says_what_the_trace_says() -> None:
    rng = np.random.default_rng(20)
    compared = 0
    for _ in range(300):
        asked = np.cumsum(rng.integers(3, 14, 60)).astype(np.int64)
        told = asked + rng.integers(1, 3, 60)
        states = (rng.random(60) < rng.choice([0.5, 0.9, 0.97])).astype(np.int8)
        states[rng.random(60) < 0.05] = -1
        lasting = Lasting(25, 12)
        found = {(lo, hi): on for lo, hi, on, _ in samples(failure_trace("p", 25, 12, asked, told, states))}
        for at in range(60):
            said = lasting.take(None if states[at] < 0 else bool(states[at]), int(asked[at]), int(told[at]))
            span = (int(asked[at]), int(told[at]))
            if span in found:
                assert said is found[span], (at, span)
                compared += 1
            else:
                assert said is not True
    assert compared > 5000


def test_the_bytes_of_a_register_are_read_through_the_loop() -> None:
    high = replace(PLACE, on_when=OnWhen.ABOVE, threshold=90.0)
    counts = {ma: round(ma / 24 * 4095) for ma in (0.0, 3.5, 12.0, 18.4, 18.39, 18.5, 20.7, 21.5)}
    states = {ma: modbus_values.is_on(high, BLOCK, struct.pack(">H", it)) for ma, it in counts.items()}
    assert states == {0.0: None, 3.5: None, 12.0: False, 18.39: None, 18.4: None, 18.5: True, 20.7: True, 21.5: None}
    assert modbus_values.is_on(PLACE, BLOCK, struct.pack(">H", counts[3.5])) is True
    assert modbus_values.is_on(PLACE, BLOCK, struct.pack(">H", counts[12.0])) is False


def test_a_register_may_be_scaled_before_the_loop() -> None:
    """A module that gives microamperes: 0.001 makes mA of them."""
    loop = replace(LOOP, raw_at_4=4, raw_at_20=20, resolution_ma=0.001, accuracy_ma=0)
    place = replace(PLACE, scale=0.001, loop=loop)
    states = [modbus_values.is_on(place, BLOCK, struct.pack(">H", it)) for it in (3599, 3600, 3601)]
    assert states == [True, None, False]


def test_a_value_of_an_object_is_read_through_the_loop() -> None:
    loop = replace(LOOP, raw_at_4=4, raw_at_20=20)
    place = BacnetPlace(
        object_type=ObjectType.ANALOG_INPUT, instance=1, on_when=OnWhen.FAILURE_HIGH, threshold=None, loop=loop
    )
    assert bacnet_values.is_on(place, ObjectReading(value=21.5)) is True
    assert bacnet_values.is_on(place, ObjectReading(value=20.0)) is False
    assert bacnet_values.is_on(place, ObjectReading(value=21.0)) is None
    assert bacnet_values.is_on(place, ObjectReading(value=21.5, status=Status.OUT_OF_SERVICE)) is None
    assert bacnet_values.is_on(place, ObjectReading(value=float("nan"))) is None
    assert lasting_loop(place) is loop
    assert lasting_loop(replace(place, on_when=OnWhen.ABOVE, threshold=90.0)) is None


class Source:
    """One block's polls."""

    def __init__(self, polls: Polls) -> None:
        self._polls = polls

    def blocks(self) -> tuple[Block, ...]:
        return (BLOCK,)

    def polls(self, block_id: int) -> Polls:
        assert block_id == 1
        return self._polls

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        return ()

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        return ()

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        return ()


def test_from_the_record_to_the_trace() -> None:
    """Counts of a noisy 12-bit converter: 12 mA, then 3.5 mA from 2 s on for 6 s."""
    rng = np.random.default_rng(7)
    asked = np.arange(0, 10 * S, 200 * MS, dtype=np.int64)
    counts = [round((3.5 if 2 * S <= at < 8 * S else 12.0) / 24 * 4095 + int(rng.integers(-1, 2))) for at in asked]
    packed = [struct.pack(">H", it) for it in counts]
    polls = Polls(asked=asked, told=asked + 5 * MS, starts=np.arange(len(asked)), payloads=packed)
    point = Point(name="level-fault", link="bus", place=PLACE, hold=Hold(), origin=HERE)
    spec = ModbusTcpLink(
        name="bus", host="127.0.0.1", port=1, numbering=Numbering.FROM_ZERO, poll_period_ns=200 * MS,
        timeout_ns=S, origin=HERE,
    )  # fmt: skip
    found = trace_of(point, spec, Source(polls), [BLOCK], 0, 10 * S)
    assert found is not None
    seen = samples(found)
    first = next(at for at, it in enumerate(seen) if it[2])
    assert seen[first - 1][1] == 1800 * MS + 4 * S
    assert seen[first][:2] == (2005 * MS + 4 * S, 2005 * MS + 4 * S)
    last = max(at for at, it in enumerate(seen) if it[2])
    assert (seen[last][0], seen[last + 1][1]) == (7800 * MS, 8005 * MS), "it ends with the current, not later"
    assert trace_of(point, spec, Source(polls), [], 0, 10 * S) is None
