"""The listener against devices made by hand, on real sockets: what it asks, when, and what it does about failures."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Iterable
from itertools import pairwise

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import ModbusTcpLink
from harness.core.model import Point
from harness.core.places import ModbusPlace, Table
from harness.links import modbus_tcp
from harness.links.base import Block, LinkState
from harness.links.modbus_client import Counts
from harness.links.modbus_plan import BlockPlan
from harness.links.modbus_schedule import EARLY_MAX_NS
from harness.links.modbus_tcp import ModbusTcpListener, back_off_ns
from tests.peers.hostile_modbus import RESET, frame, good_answer, hostile_device
from tests.peers.recorder import Recorder, eventually, listening, modbus_link, point

HOLDING = Table.HOLDING_REGISTER
Chunks = Iterable[bytes | float]


def registers(*addresses: int, unit: int = 1, link: str = "bms") -> list[Point]:
    return [
        point(f"{link}.{unit}.{address}", ModbusPlace(unit=unit, table=HOLDING, address=address), link)
        for address in addresses
    ]


def listener(spec: ModbusTcpLink, points: Iterable[Point], recorder: Recorder) -> ModbusTcpListener:
    return ModbusTcpListener(spec, points, recorder, time.monotonic_ns, recorder.next_id)


def honest(number: int, request: bytes) -> Chunks:
    return [good_answer(request, number)]


def value_of(payload: bytes) -> int:
    return int.from_bytes(payload[:2], "big")


async def test_every_answer_is_handed_on_once_with_its_bounds() -> None:
    recorder = Recorder()
    async with hostile_device(honest) as device:
        points = registers(0, 1, 3) + registers(0, link="another")
        async with listening(listener(modbus_link(device.port), points, recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 20)
    assert list(recorder.blocks.values()) == [Block(id=1, link="bms", unit=1, table=HOLDING, address=0, count=4)]
    values = [value_of(payload) for payload in recorder.payloads(1)]
    assert values == list(range(len(values)))
    for value, (_, asked_ns, told_ns, _) in zip(values, recorder.polls, strict=True):
        assert asked_ns <= device.heard_ns[value] <= told_ns
    assert device.connections == 1
    assert recorder.states[0][2] is LinkState.UP
    assert recorder.drops == []
    assert recorder.failures == []


async def test_polls_keep_an_absolute_schedule() -> None:
    """Each poll is asked less than a period after it was due on t0 + n * period, or reported as an overrun."""
    recorder = Recorder()
    period_ns = 10 * NS_PER_MS

    def sometimes_slow(number: int, request: bytes) -> Chunks:
        return [0.025, good_answer(request)] if number % 7 == 3 else [good_answer(request)]

    async with (
        hostile_device(sometimes_slow) as device,
        listening(listener(modbus_link(device.port), registers(0), recorder)),
    ):
        await recorder.until(lambda: len(recorder.polls) >= 40)
    assert len(recorder.overruns) >= 5
    offsets = []
    for number, (_, asked_ns, _, _) in enumerate(recorder.polls):
        skipped = sum((begun - due) // period_ns for _, due, begun in recorder.overruns if begun <= asked_ns)
        offsets.append(asked_ns - (number + skipped) * period_ns)
    for _, due_ns, _ in recorder.overruns:
        assert (due_ns - recorder.overruns[0][1]) % period_ns == 0
    # All lie within one and a half periods of one grid: a schedule that drifted by its delays would leave it.
    assert max(offsets) - min(offsets) <= EARLY_MAX_NS + 3 * period_ns // 2


async def test_polls_of_one_block_never_overlap() -> None:
    recorder = Recorder()
    async with hostile_device(lambda number, request: [0.002, good_answer(request, number)]) as device:
        spec = modbus_link(device.port, period_ms=1, in_flight=8)
        async with listening(listener(spec, registers(0, 100, 200), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 30 and len(recorder.overruns) >= 3)
    assert len(recorder.blocks) == 3
    for block_id in recorder.blocks:
        bounds = [(asked_ns, told_ns) for one, asked_ns, told_ns, _ in recorder.polls if one == block_id]
        assert len(bounds) >= 5
        assert all(told_ns <= asked_ns for (_, told_ns), (asked_ns, _) in pairwise(bounds))


@pytest.mark.parametrize("in_flight", [1, 3])
async def test_requests_in_flight_are_those_declared(in_flight: int) -> None:
    """A device that takes requests as they come and answers all it holds every few milliseconds."""
    held: list[bytes] = []
    most = 0

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        async def take() -> None:
            nonlocal most
            while True:
                held.append(await reader.readexactly(12))
                most = max(most, len(held))

        taking = asyncio.create_task(take())
        while not taking.done():
            await asyncio.sleep(0.003)
            now, held[:] = held[:], []
            writer.write(b"".join(good_answer(one, int.from_bytes(one[8:10], "big")) for one in now))
        assert isinstance(taking.exception(), asyncio.IncompleteReadError | ConnectionResetError)
        writer.close()

    recorder = Recorder()
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        spec = modbus_link(server.sockets[0].getsockname()[1], period_ms=1, in_flight=in_flight)
        async with listening(listener(spec, registers(*range(0, 600, 100)), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 40)
        await eventually(lambda: len(asyncio.all_tasks()) == 1)
    assert most == in_flight
    for block_id, _, _, payload in recorder.polls:
        assert value_of(payload) == recorder.blocks[block_id].address


async def test_the_declared_request_rate_is_kept() -> None:
    recorder = Recorder()
    async with hostile_device(honest) as device:
        spec = modbus_link(device.port, period_ms=2, requests_per_s_max=200, in_flight=4)
        async with listening(listener(spec, registers(0, 100, 200), recorder)):
            await recorder.until(lambda: len(recorder.polls) >= 30)
    spacing_ns = 5 * NS_PER_MS
    assert recorder.polls[-1][1] - recorder.polls[0][1] >= (len(recorder.polls) - 2) * spacing_ns
    assert len(recorder.overruns) > 0
    assert {block_id for block_id, *_ in recorder.polls} == {1, 2, 3}


async def test_a_missing_answer_is_reported_and_the_connection_renewed() -> None:
    """With one unit, a device's late answer has nowhere to arrive: it would belong to a connection that is gone."""
    recorder = Recorder()

    def forgetful(number: int, request: bytes) -> Chunks:
        return [] if number == 5 else [good_answer(request, number)]

    async with (
        hostile_device(forgetful) as device,
        listening(listener(modbus_link(device.port, timeout_ms=200), registers(0), recorder)),
    ):
        await recorder.until(lambda: len(recorder.polls) >= 12)
    ((block_id, asked_ns, given_up_ns, why),) = recorder.failures
    assert (block_id, why) == (1, "no answer within 200 ms")
    assert asked_ns <= device.heard_ns[5] <= given_up_ns
    assert [state for _, _, state, _ in recorder.states][:3] == [LinkState.UP, LinkState.DOWN, LinkState.UP]
    assert "connection renewed" in recorder.states[1][3]
    assert device.connections == 2
    assert 5 not in [value_of(payload) for *_, payload in recorder.polls]


async def test_a_dead_unit_behind_a_gateway_leaves_the_others_alone() -> None:
    recorder = Recorder()

    def gateway(number: int, request: bytes) -> Chunks:
        return [] if request[6] == 9 else [good_answer(request, number)]

    async with hostile_device(gateway) as device:
        spec = modbus_link(device.port, timeout_ms=100, in_flight=2)
        async with listening(listener(spec, registers(0) + registers(0, unit=9), recorder)):
            await recorder.until(lambda: len(recorder.failures) >= 4)
    alive, dead = (next(b.id for b in recorder.blocks.values() if b.unit == unit) for unit in (1, 9))
    assert {block_id for block_id, *_ in recorder.failures[:4]} == {dead}
    assert len(recorder.payloads(alive)) > 4
    assert device.connections == 1


async def test_a_gateway_that_answers_nobody_is_reconnected() -> None:
    recorder = Recorder()
    async with hostile_device(lambda *_: []) as device:
        spec = modbus_link(device.port, timeout_ms=20)
        async with listening(listener(spec, registers(0) + registers(0, unit=9), recorder)):
            await recorder.until(lambda: len(recorder.states) >= 3)
    assert recorder.states[1][3] == "no answer within 20 ms, 3 times in a row"
    assert len(recorder.failures) >= 3
    assert recorder.polls == []


async def test_a_dead_device_does_not_disturb_another() -> None:
    recorder = Recorder()
    async with hostile_device(honest) as alive, hostile_device(lambda *_: []) as dead:
        good = listener(modbus_link(alive.port, "good"), registers(0, link="good"), recorder)
        bad = listener(modbus_link(dead.port, "bad", timeout_ms=20), registers(0, link="bad"), recorder)
        async with listening(good), listening(bad):
            await recorder.until(lambda: len(recorder.failures) >= 5 and len(recorder.polls) >= 50)
    bad_id = next(block.id for block in recorder.blocks.values() if block.link == "bad")
    assert {block_id for block_id, *_ in recorder.failures[:5]} == {bad_id}
    assert [state for link, _, state, _ in recorder.states if link == "good"] == [LinkState.UP]
    assert alive.connections == 1


async def test_a_reset_is_blind_time_and_polling_goes_on_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection that was of use for some time is renewed without waiting: any back-off would outlast the test."""
    monkeypatch.setattr(modbus_tcp, "STEADY_NS", 0)
    monkeypatch.setattr(modbus_tcp, "RECONNECT_FIRST_NS", 1000 * NS_PER_S)
    monkeypatch.setattr(modbus_tcp, "RECONNECT_MAX_NS", 1000 * NS_PER_S)
    recorder = Recorder()

    def brittle(number: int, request: bytes) -> Chunks:
        return [good_answer(request, number)[:6], RESET] if number % 4 == 3 else [good_answer(request, number)]

    async with (
        hostile_device(brittle) as device,
        listening(listener(modbus_link(device.port, timeout_ms=1e6), registers(0), recorder)),
    ):
        await recorder.until(lambda: len(recorder.failures) >= 3)
    assert len(recorder.polls) == 9
    assert [value_of(payload) for *_, payload in recorder.polls] == [0, 1, 2, 4, 5, 6, 8, 9, 10]
    ups = [state for _, _, state, _ in recorder.states]
    assert ups[:4] == [LinkState.UP, LinkState.DOWN] * 2


async def test_a_device_that_comes_up_later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused connections are one report, however many; then it is polled."""
    waits: list[int] = []

    def short(before_ns: int) -> int:
        waits.append(before_ns)
        return NS_PER_MS

    monkeypatch.setattr(modbus_tcp, "back_off_ns", short)
    recorder = Recorder()
    with socket.socket() as later:
        later.bind(("127.0.0.1", 0))
        port = later.getsockname()[1]
        async with listening(listener(modbus_link(port), registers(0), recorder)):
            await eventually(lambda: len(waits) >= 5)
            assert len(recorder.states) == 1
            assert recorder.states[0][2] is LinkState.DOWN
            assert f"127.0.0.1:{port}: no connection" in recorder.states[0][3]

            async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                while request := await reader.read(12):
                    writer.write(good_answer(request))
                writer.close()

            async with await asyncio.start_server(serve, sock=later):
                await recorder.until(lambda: len(recorder.polls) >= 3)
    assert [state for _, _, state, _ in recorder.states[:2]] == [LinkState.DOWN, LinkState.UP]


def test_back_off_grows_to_a_limit() -> None:
    waits, wait_ns = [], 0
    for _ in range(9):
        wait_ns = back_off_ns(wait_ns)
        waits.append(wait_ns // NS_PER_MS)
    assert waits == [50, 100, 200, 400, 800, 1600, 2000, 2000, 2000]


@pytest.mark.parametrize(
    ("counts", "useful"),
    [
        (Counts(), False),
        (Counts(timed_out=5, late=5), False),
        (Counts(answered=1), True),
        (Counts(refused=1), True),
        (Counts(answered=5, late=9), True),
        (Counts(answered=5, unasked=3, malformed=2), False),
    ],
)
def test_when_a_connection_was_of_use(counts: Counts, useful: bool) -> None:
    assert modbus_tcp.was_useful(counts) is useful


async def test_a_refused_gap_is_split_and_remembered() -> None:
    """Only registers 0, 1, 9 and 10 exist; 5 is in the point map by mistake. It alone goes on failing."""
    recorder = Recorder()
    existing = {0, 1, 9, 10}

    def partial(number: int, request: bytes) -> Chunks:
        address, count = int.from_bytes(request[8:10], "big"), int.from_bytes(request[10:12], "big")
        if not set(range(address, address + count)) <= existing:
            return [frame(request[:2], 1, b"\x83\x02")]
        return [good_answer(request, address)]

    async with hostile_device(partial) as device:
        polled = listener(modbus_link(device.port), registers(0, 1, 5, 9, 10), recorder)
        async with listening(polled):
            await recorder.until(lambda: len(recorder.polls) >= 6 and len(recorder.failures) >= 4)
    assert [(b.address, b.count) for b in recorder.blocks.values()] == [(0, 11), (0, 2), (5, 1), (9, 2)]
    ids = {(b.address, b.count): b.id for b in recorder.blocks.values()}
    assert [block_id for block_id, *_ in recorder.failures].count(ids[0, 11]) == 1
    assert {block_id for block_id, *_ in recorder.failures[1:]} == {ids[5, 1]}
    assert all(why == "exception 02 (illegal data address)" for *_, why in recorder.failures)
    assert {block_id for block_id, *_ in recorder.polls} == {ids[0, 2], ids[9, 2]}
    whole, single = (BlockPlan(unit=1, table=HOLDING, address=a, count=c) for a, c in ((0, 11), (5, 1)))
    assert polled.refused == {whole, single}


@pytest.mark.parametrize("code", [1, 3, 4, 6, 10, 11, 99])
async def test_other_exceptions_are_failures_by_name(code: int) -> None:
    recorder = Recorder()
    async with (
        hostile_device(lambda _, request: [frame(request[:2], 1, bytes((0x83, code)))]) as device,
        listening(listener(modbus_link(device.port), registers(0, 5), recorder)),
    ):
        await recorder.until(lambda: len(recorder.failures) >= 3)
    assert len(recorder.blocks) == 1
    assert recorder.failures[0][3].startswith(f"exception {code:02d} (")
    assert recorder.polls == []
    assert device.connections == 1


async def test_what_is_outstanding_at_the_end_is_on_record() -> None:
    recorder = Recorder()
    async with (
        hostile_device(lambda *_: []) as device,
        listening(listener(modbus_link(device.port), registers(0), recorder)),
    ):
        await eventually(lambda: len(device.requests) > 0)
    ((_, asked_ns, given_up_ns, _),) = recorder.stopped
    assert asked_ns <= device.heard_ns[0] <= given_up_ns


@pytest.mark.parametrize("call", ["poll", "overrun", "poll_failed"])
async def test_an_observer_that_cannot_go_on_ends_the_link(call: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk must not become a silent gap."""
    recorder = Recorder()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    def answer(number: int, request: bytes) -> Chunks:
        return [0.03, frame(request[:2], 1, b"\x83\x06")] if call == "poll_failed" else [0.03, good_answer(request)]

    monkeypatch.setattr(recorder, call, full)
    async with hostile_device(answer) as device:
        async with asyncio.timeout(20):
            with pytest.raises(OSError, match="No space left on device"):
                await listener(modbus_link(device.port), registers(0), recorder).run()


@pytest.mark.parametrize(
    ("rest", "message"),
    [
        ({"in_flight": 0}, "link bms: in_flight=0: expected 1 to 64"),
        ({"in_flight": 65}, "link bms: in_flight=65: expected 1 to 64"),
        ({"period_ms": 0}, "link bms: poll_period_ns=0 timeout_ns=5000000000: both must be above 0"),
    ],
)
def test_what_cannot_be_listened_to(rest: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        listener(modbus_link(502, **rest), registers(0), Recorder())  # type: ignore[arg-type]


async def test_a_link_without_points_asks_nothing() -> None:
    recorder = Recorder()
    await listener(modbus_link(1), registers(0, link="another"), recorder).run()
    assert recorder.states == []
