"""The polled bus against units made by hand, behind a socket: what is asked, what is credited, what is left alone."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable
from itertools import pairwise

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BusWay, ModbusRtuLink, SerialPort
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table
from harness.links import modbus_rtu_client, modbus_rtu_session
from harness.links.base import LinkState
from harness.links.modbus_rtu import ModbusRtuListener
from harness.links.modbus_rtu_session import NOT_ASKED, UNIT_BACK_OFF_MAX_NS, Units
from tests.peers.recorder import ORIGIN, Recorder, listening, point
from tests.peers.rtu_bus import Bus, answer_to, closed, refusal_of, rtu_over_tcp

HOLDING = Table.HOLDING_REGISTER
Chunks = Iterable[bytes | float]


def rtu_link(port: int, **rest: object) -> ModbusRtuLink:
    asked: dict[str, object] = {
        "poll_period_ns": 20 * NS_PER_MS,
        "timeout_ns": 5 * NS_PER_S,
        "quiet_ns": 5 * NS_PER_MS,
        **rest,
    }
    return ModbusRtuLink(
        name="bus",
        host="127.0.0.1",
        tcp_port=port,
        numbering=Numbering.FROM_ZERO,
        origin=ORIGIN,
        **asked,  # type: ignore[arg-type]
    )


def registers(*addresses: int, unit: int = 1) -> list[Point]:
    return [
        point(f"{unit}.{address}", ModbusPlace(unit=unit, table=HOLDING, address=address), "bus")
        for address in addresses
    ]


def inputs(*addresses: int, unit: int = 1) -> list[Point]:
    table = Table.DISCRETE_INPUT
    return [
        point(f"{unit}.i{address}", ModbusPlace(unit=unit, table=table, address=address), "bus")
        for address in addresses
    ]


def listener(spec: ModbusRtuLink, points: Iterable[Point], recorder: Recorder) -> ModbusRtuListener:
    return ModbusRtuListener(spec, points, recorder, time.monotonic_ns, recorder.next_id)


def told_value(number: int, request: bytes) -> bytes:
    """An answer whose first value says which request it answers, and in its upper four bits which address."""
    return answer_to(request, request[3] % 16 << 12 | number % 4096)


async def test_every_answer_is_handed_on_once_with_its_bounds() -> None:
    recorder = Recorder()
    async with rtu_over_tcp(lambda number, request: [answer_to(request, number)]) as bus:
        points = registers(0, 1, unit=1) + registers(5, unit=3) + inputs(0, 15, unit=3)
        async with listening(listener(rtu_link(bus.port), points, recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 30)
    assert {(block.unit, block.table, block.address, block.count) for block in recorder.blocks.values()} == {
        (1, HOLDING, 0, 2),
        (3, HOLDING, 5, 1),
        (3, Table.DISCRETE_INPUT, 0, 16),
    }
    for number, (block_id, asked_ns, told_ns, payload) in enumerate(recorder.polls):
        assert asked_ns <= bus.heard_ns[number] <= told_ns
        block, request = recorder.blocks[block_id], bus.requests[number]
        assert (request[0], request[1]) == (block.unit, block.table.read_function)
        assert payload == answer_to(request, number)[3:-2]
    assert recorder.failures == []
    assert recorder.drops == []
    assert recorder.states[0][2] is LinkState.UP


# --- what does not fit ------------------------------------------------------------------------------

FORGERIES: dict[str, Callable[[bytes], bytes]] = {
    "unit 2 answered, unit 1 was asked": lambda request: closed(bytes((2,)) + answer_to(request, 9)[1:-2]),
    "function 4 answered, function 3 was asked": lambda request: closed(bytes((1, 4)) + answer_to(request, 9)[2:-2]),
    "4 bytes of values, expected 2": lambda request: closed(bytes((1, 3, 4, 0, 9, 0, 9))),
    "function 6 answered, which reads nothing": lambda request: closed(bytes((1, 6, 0, 0, 0, 9))),
    "CRC": lambda request: answer_to(request, 9)[:-1] + bytes((answer_to(request, 9)[-1] ^ 1,)),
    "2 bytes after the answer": lambda request: answer_to(request, 9) + b"\x00\x00",
    "7 bytes after the answer": lambda request: answer_to(request, 9) * 2,
    "what was sent came back": lambda request: request + answer_to(request, 9),
    "the answer ended after 4 bytes": lambda request: answer_to(request, 9)[:4],
    "exception 04 (server device failure)": lambda request: refusal_of(request, 4),
    "no answer of unit 1 within 60 ms": lambda request: b"",
}


@pytest.mark.parametrize("why", FORGERIES)
@pytest.mark.parametrize("piece", [1, 3, 256])
async def test_what_does_not_fit_is_a_failure_and_never_a_value(why: str, piece: int) -> None:
    """Whole, byte by byte, and in pieces. What comes after it is credited again."""
    recorder = Recorder()

    def answer(number: int, request: bytes) -> Chunks:
        data = FORGERIES[why](request) if number == 1 else answer_to(request, 5)
        size = len(data) if "after the answer" in why else piece
        return [data[at : at + size] for at in range(0, len(data), size or 1)]

    async with rtu_over_tcp(answer) as bus:
        spec = rtu_link(bus.port, timeout_ns=60 * NS_PER_MS, gap_max_registers=0)
        async with listening(listener(spec, registers(0), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 4)
    assert [why in text for *_, text in recorder.failures if text != NOT_ASKED] == [True]
    assert recorder.payloads(1) == [b"\x00\x05"] * len(recorder.polls)
    if not why.startswith(("no answer", "exception")):
        assert recorder.drops, "what did not fit is on record"


async def test_what_nobody_asked_for_is_dropped_and_the_line_drained() -> None:
    recorder = Recorder()
    spoken: list[int] = []

    async with rtu_over_tcp(lambda number, request: [answer_to(request, 5)]) as bus:
        spec = rtu_link(bus.port, quiet_ns=40 * NS_PER_MS, poll_period_ns=50 * NS_PER_MS)
        async with listening(listener(spec, registers(0), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 2)
            bus.send(closed(bytes((1, 3, 2, 0, 9))))
            spoken.append(time.monotonic_ns())
            await recorder.until(lambda: bool(recorder.drops))
            heard = len(bus.requests)
            await recorder.until(lambda: len(recorder.polls) >= 4)
    assert set(recorder.payloads(1)) == {b"\x00\x05"}
    assert [drop[2] for drop in recorder.drops] == ["an unasked answer"]
    assert bus.heard_ns[heard] - recorder.drops[0][1] >= spec.quiet_ns


async def test_a_line_that_is_never_quiet_is_down(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_rtu_client, "NOISE_MAX_NS", 100 * NS_PER_MS)
    recorder = Recorder()

    def babble(number: int, request: bytes) -> Chunks:
        yield answer_to(request)
        while True:
            yield closed(bytes((9, 3, 2, 0, 9)))
            yield 0.002

    async with rtu_over_tcp(babble) as bus:
        async with listening(listener(rtu_link(bus.port), registers(0), recorder)):
            await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN if recorder.states else False)
        assert "another master? then let farend only receive" in recorder.states[-1][3]
        for writer in bus.writers:
            writer.transport.abort()


# --- late answers -----------------------------------------------------------------------------------


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Units that do not answer are asked again at once, so that much happens in little time."""
    monkeypatch.setattr(modbus_rtu_session, "UNIT_BACK_OFF_MAX_NS", NS_PER_MS)


def check_attribution(recorder: Recorder, bus: Bus) -> None:
    """Every value is of the address that was read, and of a request that was heard within the sample's bounds."""
    for block_id, asked_ns, told_ns, payload in recorder.polls:
        value = int.from_bytes(payload[:2], "big")
        number = next(
            at for at in range(value % 4096, len(bus.requests), 4096) if bus.requests[at][3] % 16 == value >> 12
        )
        block, request = recorder.blocks[block_id], bus.requests[number]
        assert int.from_bytes(request[2:4], "big") == block.address, "a value of another address"
        assert int.from_bytes(request[4:6], "big") == block.count
        assert request[0] == block.unit
        assert asked_ns <= bus.heard_ns[number] <= told_ns


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("late", [1, 2, 3])
@pytest.mark.parametrize("gap_max", [0, 16])
@pytest.mark.parametrize("addresses", [(1,), (1, 40), (1, 40, 83)])
async def test_a_unit_that_answers_late_by_requests_for_ever(
    late: int, gap_max: int, addresses: tuple[int, ...]
) -> None:
    """Each request is answered with the answer to the one ``late`` before. Reads of one register at several addresses:
    nothing in an answer tells which it belongs to.
    """
    recorder = Recorder()
    unanswered: list[bytes] = []

    def answer(number: int, request: bytes) -> Chunks:
        unanswered.append(told_value(number, request))
        return [unanswered.pop(0)] if len(unanswered) > late else []

    async with rtu_over_tcp(answer) as bus:
        spec = rtu_link(bus.port, timeout_ns=15 * NS_PER_MS, quiet_ns=2 * NS_PER_MS, gap_max_registers=gap_max)
        async with listening(listener(spec, registers(*addresses), recorder)):
            await recorder.until(lambda: len(bus.requests) >= 14)
    check_attribution(recorder, bus)
    assert recorder.failures


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("late", [1, 2, 3])
@pytest.mark.parametrize("gap_max", [0, 16])
@pytest.mark.parametrize("addresses", [(1,), (1, 40), (1, 40, 83)])
async def test_a_unit_that_falls_behind_and_catches_up(late: int, gap_max: int, addresses: tuple[int, ...]) -> None:
    """It leaves ``late`` requests unanswered, then answers them one by one in the place of later ones, then two for one
    until it has caught up.
    """
    recorder = Recorder()
    unanswered: list[bytes] = []

    def answer(number: int, request: bytes) -> Chunks:
        unanswered.append(told_value(number, request))
        if 3 <= number < 3 + late:
            return []
        if number < 10:
            return [unanswered.pop(0)]
        chunks: list[bytes | float] = [unanswered.pop(0)]
        if unanswered:
            chunks += [0.004, unanswered.pop(0)]
        return chunks

    async with rtu_over_tcp(answer) as bus:
        spec = rtu_link(bus.port, timeout_ns=15 * NS_PER_MS, quiet_ns=2 * NS_PER_MS, gap_max_registers=gap_max)
        async with listening(listener(spec, registers(*addresses), recorder)):
            await recorder.until(lambda: len(bus.requests) >= 40)
    check_attribution(recorder, bus)
    assert {block_id for block_id, *_ in recorder.polls} == set(recorder.blocks), "every block is read again"


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("seed", range(6))
async def test_a_unit_that_is_late_at_random(seed: int) -> None:
    """In order, once, by up to five time-outs and three requests late; what would be later still is lost."""
    rng = random.Random(seed)
    recorder = Recorder()
    asked: dict[int, int] = {1: 0, 2: 0}
    queues: dict[int, list[int]] = {1: [], 2: []}

    def answer(number: int, request: bytes) -> Chunks:
        unit = request[0]
        asked[unit] += 1
        mine, queue = asked[unit], queues[unit]
        queue.append(mine)
        yield rng.choice((0, 0, 0, 12, 25, 50)) / 1000
        while queue[0] != mine:
            yield 0.001
        queue.pop(0)
        if asked[unit] - mine <= 3:
            yield told_value(number, request)

    async with rtu_over_tcp(answer) as bus:
        spec = rtu_link(bus.port, timeout_ns=10 * NS_PER_MS, quiet_ns=1 * NS_PER_MS, gap_max_registers=seed % 2)
        points = registers(1, 40, 83) + registers(1, 40, unit=2)
        async with listening(listener(spec, points, recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 15)
    check_attribution(recorder, bus)
    assert any("no answer" in why for *_, why in recorder.failures)


async def test_after_a_time_out_the_line_is_kept_quiet() -> None:
    recorder = Recorder()
    spec_ns = 30 * NS_PER_MS
    async with rtu_over_tcp(lambda number, request: [] if number % 3 == 1 else [answer_to(request)]) as bus:
        spec = rtu_link(bus.port, timeout_ns=20 * NS_PER_MS, quiet_ns=spec_ns, poll_period_ns=NS_PER_MS)
        points = registers(0) + registers(0, unit=2) + registers(0, unit=3)
        async with listening(listener(spec, points, recorder)):
            await recorder.until(lambda: len(recorder.failures) >= 3)
            await recorder.until(lambda: len(recorder.polls) >= 6)
    for _, _, given_up_ns, why in recorder.failures:
        if why != NOT_ASKED:
            after = [heard_ns for heard_ns in bus.heard_ns if heard_ns > given_up_ns]
            assert not after or after[0] - given_up_ns >= spec_ns


# --- a unit that is not there -----------------------------------------------------------------------


async def test_a_dead_unit_costs_the_others_little_and_its_time_is_blind() -> None:
    recorder = Recorder()
    async with rtu_over_tcp(lambda number, request: [] if request[0] == 2 else [answer_to(request)]) as bus:
        spec = rtu_link(bus.port, timeout_ns=30 * NS_PER_MS, poll_period_ns=20 * NS_PER_MS)
        points = registers(0) + registers(0, 500, unit=2) + registers(0, unit=3)
        async with listening(listener(spec, points, recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 120)
    asked = [request[0] for request in bus.requests]
    assert asked.count(2) < asked.count(1) / 4, "back-off"
    dead = [block_id for block_id, block in recorder.blocks.items() if block.unit == 2]
    for block_id in dead:
        blind = [(lo, hi) for one, lo, hi, _ in recorder.failures if one == block_id]
        assert len(blind) > 10
        for (_, before_hi), (lo, hi) in pairwise(blind):
            assert before_hi <= lo <= hi
    why = {why for one, *_, why in recorder.failures if one in dead}
    assert why == {NOT_ASKED, "no answer of unit 2 within 30 ms"}
    assert {one for one, *_ in recorder.failures} == set(dead)


async def test_a_unit_that_comes_back_is_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_rtu_session, "UNIT_BACK_OFF_MAX_NS", 100 * NS_PER_MS)
    recorder = Recorder()
    there = False

    def answer(number: int, request: bytes) -> Chunks:
        return [answer_to(request, 7)] if there or request[0] == 1 else []

    async with rtu_over_tcp(answer) as bus:
        spec = rtu_link(bus.port, timeout_ns=10 * NS_PER_MS)
        async with listening(listener(spec, registers(0) + registers(0, unit=2), recorder)):
            await recorder.until(lambda: len(recorder.failures) >= 8)
            there = True
            (block_id,) = (one for one, block in recorder.blocks.items() if block.unit == 2)
            await recorder.until(lambda: len(recorder.payloads(block_id)) >= 5)
    assert set(recorder.payloads(block_id)) == {b"\x00\x07"}


def test_back_off_doubles_up_to_its_limit_and_ends_with_an_answer() -> None:
    units, first_ns = Units(NS_PER_S), NS_PER_S
    assert not units.is_left_alone(5, 0)
    for number in range(60):
        units.timed_out(5, 7)
        until_ns = 7 + min(first_ns << number, UNIT_BACK_OFF_MAX_NS)
        assert units.is_left_alone(5, until_ns - 1)
        assert not units.is_left_alone(5, until_ns)
    assert not units.is_left_alone(6, 0)
    units.answered(5)
    assert not units.is_left_alone(5, 0)


# --- the link ---------------------------------------------------------------------------------------


async def test_a_refused_address_splits_the_block() -> None:
    recorder = Recorder()

    def answer(number: int, request: bytes) -> Chunks:
        count = int.from_bytes(request[4:6], "big")
        return [refusal_of(request, 2) if count > 1 else answer_to(request, 3)]

    async with rtu_over_tcp(answer) as bus, listening(listener(rtu_link(bus.port), registers(0, 4), recorder)):
        await recorder.until(lambda: len(recorder.polls) >= 6)
    assert [(block.address, block.count) for block in recorder.blocks.values()] == [(0, 5), (0, 1), (4, 1)]
    assert [why for *_, why in recorder.failures] == ["exception 02 (illegal data address)"]


async def test_a_lost_connection_is_down_and_comes_back() -> None:
    recorder = Recorder()
    async with (
        rtu_over_tcp(lambda number, request: [answer_to(request)]) as bus,
        listening(listener(rtu_link(bus.port), registers(0), recorder)),
    ):
        await recorder.until(lambda: len(recorder.polls) >= 2)
        for writer in tuple(bus.writers):
            writer.transport.abort()
        await recorder.until(lambda: len(recorder.states) >= 3)
        polls = len(recorder.polls)
        await recorder.until(lambda: len(recorder.polls) >= polls + 2)
    assert [state for _, _, state, _ in recorder.states] == [LinkState.UP, LinkState.DOWN, LinkState.UP]
    assert bus.connections == 2


async def test_a_device_server_that_is_not_there() -> None:
    recorder = Recorder()
    async with rtu_over_tcp(lambda number, request: []) as bus:
        port = bus.port
    async with listening(listener(rtu_link(port), registers(0), recorder)):
        await recorder.until(lambda: len(recorder.states) >= 1)
    assert recorder.states[0][2] is LinkState.DOWN
    assert "look at address and port" in recorder.states[0][3]


async def test_a_device_server_that_swallows_everything_is_connected_to_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_rtu_session, "UNIT_BACK_OFF_MAX_NS", 10 * NS_PER_MS)
    monkeypatch.setattr(modbus_rtu_session, "SILENT_POLLS_MAX", 4)
    recorder = Recorder()
    async with rtu_over_tcp(lambda number, request: []) as bus:
        spec = rtu_link(bus.port, timeout_ns=5 * NS_PER_MS, poll_period_ns=5 * NS_PER_MS)
        async with listening(listener(spec, registers(0), recorder)):
            await recorder.until(lambda: len(recorder.states) >= 3)
    assert "nor of any other, 4 times in a row" in recorder.states[1][3]


async def test_bus_time_behind_a_device_server_is_not_known_but_what_was_lost_is() -> None:
    recorder = Recorder()
    async with rtu_over_tcp(lambda number, request: [] if number == 2 else [answer_to(request)]) as bus:
        spec = rtu_link(bus.port, timeout_ns=20 * NS_PER_MS)
        link = listener(spec, registers(0), recorder)
        assert link.bus_time.polls == 0
        async with listening(link):
            await recorder.until(lambda: len(recorder.polls) >= 6)
            spent = link.bus_time
    assert spent.wire_ns is None
    assert spent.polls >= 6
    assert spec.timeout_ns + spec.quiet_ns <= spent.lost_ns <= spent.elapsed_ns


@pytest.mark.parametrize(
    ("rest", "message"),
    [
        ({"serial": SerialPort(port="x")}, "expected a host with its TCP port, or a serial port"),
        ({"timeout_ns": 0}, "expected times above 0"),
        ({"poll_period_ns": 0}, "expected times above 0"),
        (
            {"host": None, "tcp_port": None, "serial": SerialPort(port="x", data_bits=7)},
            "data_bits=7: RTU frames have 8",
        ),
    ],
)
def test_links_that_cannot_be(rest: dict[str, object], message: str) -> None:
    spec = rtu_link(1)
    from dataclasses import replace

    with pytest.raises(ValueError, match=message):
        listener(replace(spec, **rest), registers(0), Recorder())  # type: ignore[arg-type]


def test_receive_only_needs_no_period() -> None:
    listener(rtu_link(1, way=BusWay.RECEIVE_ONLY, poll_period_ns=0), registers(0), Recorder())
