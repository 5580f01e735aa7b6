"""The client against a device made by hand, on a real socket. Nothing wrong is ever credited."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager

import pytest

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.places import Table
from harness.links import modbus_client
from harness.links.modbus_client import (
    AnswerTimeoutError,
    ConnectionLostError,
    MalformedAnswerError,
    ModbusClient,
    RequestRefusedError,
)
from harness.links.modbus_pdu import ReadRequest
from tests.peers.hostile_modbus import RESET, Answerer, Hostile, frame, good_answer, hostile_device
from tests.peers.recorder import eventually

LONG_NS = 20 * NS_PER_S
SHORT_NS = 30 * NS_PER_MS
REGISTER = ReadRequest(unit=1, table=Table.HOLDING_REGISTER, address=7, count=1)
INPUTS = ReadRequest(unit=1, table=Table.DISCRETE_INPUT, address=0, count=100)

Drop = tuple[int, str, bytes]


@asynccontextmanager
async def connected(answer: Answerer) -> AsyncIterator[tuple[ModbusClient, Hostile, list[Drop]]]:
    drops: list[Drop] = []
    async with hostile_device(answer) as device:
        client = ModbusClient("127.0.0.1", device.port, time.monotonic_ns, dropped=lambda *drop: drops.append(drop))
        await client.connect()
        try:
            yield client, device, drops
        finally:
            client.close()
            await client.wait_closed()


def value_of(payload: bytes) -> int:
    return int.from_bytes(payload[:2], "big")


async def test_answers_come_stamped() -> None:
    async with connected(lambda number, request: [good_answer(request, number)]) as (client, device, drops):
        before_ns = time.monotonic_ns()
        for number in range(20):
            answer = await client.read(REGISTER, LONG_NS)
            assert before_ns <= answer.asked_ns <= answer.told_ns <= (before_ns := time.monotonic_ns())
            assert value_of(answer.payload) == number
        assert (await client.read(INPUTS, LONG_NS)).payload == bytes((20,)) * 13
        assert [request[2:] for request in device.requests[:20]] == [REGISTER.tail] * 20
        assert len({request[:2] for request in device.requests}) == 21
    assert client.counts.answered == 21
    assert drops == []


async def test_one_byte_at_a_time() -> None:
    def drip(number: int, request: bytes) -> Iterable[bytes]:
        answer = good_answer(request, number)
        return [answer[at : at + 1] for at in range(len(answer))]

    async with connected(drip) as (client, _, drops):
        for number in range(5):
            assert (await client.read(INPUTS, LONG_NS)).payload == bytes((number,)) * 13
    assert drops == []


async def test_several_in_flight_answered_in_any_order() -> None:
    held: list[bytes] = []

    def backwards(number: int, request: bytes) -> Iterable[bytes]:
        held.append(request)
        if len(held) < 8:
            return []
        return [b"".join(good_answer(one, int.from_bytes(one[8:10], "big")) for one in reversed(held))]

    async with connected(backwards) as (client, _, drops):
        requests = [ReadRequest(unit=1, table=Table.INPUT_REGISTER, address=at, count=1) for at in range(8)]
        answers = await asyncio.gather(*(client.read(request, LONG_NS) for request in requests))
        assert [value_of(answer.payload) for answer in answers] == list(range(8))
    assert drops == []


@pytest.mark.parametrize("behind", [1, 2, 3])
async def test_a_late_answer_is_dropped_and_never_credited(behind: int) -> None:
    """Each request is answered only once ``behind`` newer ones have come: all time out until the device catches up."""
    held: list[bytes] = []

    def late(number: int, request: bytes) -> Iterable[bytes]:
        held.append(good_answer(request, number))
        if number >= 10:
            now, held[:] = held[:], []
            return now
        return [held.pop(0)] if len(held) > behind else []

    async with connected(late) as (client, _, drops):
        for _ in range(10):
            with pytest.raises(AnswerTimeoutError, match="no answer within 30 ms"):
                await client.read(REGISTER, SHORT_NS)
        assert value_of((await client.read(REGISTER, LONG_NS)).payload) == 10
        assert client.counts.timed_out == client.counts.late == 10
        assert all("late answer to transaction" in what for _, what, _ in drops)


async def test_a_transaction_whose_answer_is_owed_is_not_used_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """With only eight identifiers, the one that was given up is left out round after round, until its answer came."""
    monkeypatch.setattr(modbus_client, "TRANSACTIONS", 8)
    owed: list[bytes] = []

    def answer(number: int, request: bytes) -> Iterable[bytes]:
        if number == 2:
            owed.append(good_answer(request, 999))
            return []
        return [good_answer(request, number), *owed] if number == 40 else [good_answer(request, number)]

    async with connected(answer) as (client, device, _drops):
        for number in range(60):
            if number == 2:
                with pytest.raises(AnswerTimeoutError):
                    await client.read(REGISTER, SHORT_NS)
            else:
                assert value_of((await client.read(REGISTER, LONG_NS)).payload) == number
        used = [int.from_bytes(request[:2], "big") for request in device.requests]
        owing = used[2]
        assert owing not in used[3:41]
        assert owing in used[42:]
        assert client.counts.late == 1


async def test_an_exception_is_an_error_with_its_name_and_instants() -> None:
    async with connected(lambda _, request: [frame(request[:2], 1, bytes((request[7] | 0x80, 2)))]) as (
        client,
        _,
        drops,
    ):
        with pytest.raises(RequestRefusedError, match=r"exception 02 \(illegal data address\)") as caught:
            await client.read(REGISTER, LONG_NS)
        assert caught.value.code == 2
        assert caught.value.asked_ns < caught.value.given_up_ns
        assert client.is_open
    assert drops == []


WRONG = {
    "unit": lambda r: frame(r[:2], 2, b"\x03\x02\x00\x63"),
    "function": lambda r: frame(r[:2], 1, b"\x04\x02\x00\x63"),
    "fewer registers": lambda r: frame(r[:2], 1, b"\x03\x00"),
    "more registers": lambda r: frame(r[:2], 1, b"\x03\x04\x00\x63\x00\x63"),
    "byte count": lambda r: frame(r[:2], 1, b"\x03\x04\x00\x63"),
    "bare function": lambda r: frame(r[:2], 1, b"\x03"),
}


@pytest.mark.parametrize("wrong", list(WRONG))
async def test_an_answer_that_does_not_fit_is_an_error(wrong: str) -> None:
    async with connected(lambda _, request: [WRONG[wrong](request)]) as (client, _, drops):
        with pytest.raises(MalformedAnswerError):
            await client.read(REGISTER, LONG_NS)
        assert client.counts.malformed == len(drops) == 1
        assert client.counts.answered == 0
        assert client.is_open is (wrong not in {"byte count", "bare function"})


async def test_what_looks_like_an_answer_inside_another_frame_is_none() -> None:
    """The middle of a long frame that nobody asked for is, chunk for chunk, the answer that is waited for."""
    async with connected(lambda *_: []) as (client, device, drops):
        future = client.read(REGISTER, LONG_NS)
        await eventually(lambda: len(device.requests) == 1)
        lookalike = good_answer(device.requests[0], 0xDEAD)
        long = frame(b"\xff\xff", 1, bytes((3, 60)) + lookalike + bytes(60 - len(lookalike)))
        for chunk in (long[:9], lookalike, long[9 + len(lookalike) :]):
            client.data_received(chunk)
        assert client.counts.unasked == len(drops) == 1
        client.data_received(good_answer(device.requests[0], 7))
        assert value_of((await future).payload) == 7


@pytest.mark.parametrize("shift", [-2, -1, 1, 2, 0x8000])
async def test_another_transaction_is_never_credited(shift: int) -> None:
    def answer(number: int, request: bytes) -> Iterable[bytes]:
        other = (int.from_bytes(request[:2], "big") + shift) % 65_536
        wrong = frame(other.to_bytes(2, "big"), 1, b"\x03\x02\x03\xe7")
        return [wrong, good_answer(request, number)]

    async with connected(answer) as (client, _, drops):
        for number in range(10):
            assert value_of((await client.read(REGISTER, LONG_NS)).payload) == number
        assert client.counts.unasked == len(drops) == 10


@pytest.mark.parametrize(
    ("chunk", "why"),
    [
        (b"\x00\x01\x00\x01\x00\x05\x01\x03\x02\x00\x07", "protocol identifier 1 in the MBAP header"),
        (b"\x00\x01\x00\x00\xff\xff\x01\x03\x02\x00\x07", "length 65535 in the MBAP header"),
        (b"\x00\x01\x00\x00\x00\x00\x01\x03\x02\x00\x07", "length 0 in the MBAP header"),
        (b"GET / HTTP/1.1\r\n\r\n", "protocol identifier 21536 in the MBAP header"),
        (bytes(range(1, 256)) * 200, "protocol identifier 772 in the MBAP header"),
    ],
)
async def test_a_stream_that_is_no_modbus_ends_the_connection(chunk: bytes, why: str) -> None:
    async with connected(lambda *_: [chunk]) as (client, _, drops):
        with pytest.raises(ConnectionLostError, match=why):
            await client.read(REGISTER, LONG_NS)
        assert why in await client.wait_closed()
        assert len(drops) == 1
        with pytest.raises(ConnectionLostError, match=why):
            await client.read(REGISTER, LONG_NS)


@pytest.mark.parametrize("cut", range(11))
async def test_a_reset_in_the_middle_of_an_answer_is_seen_at_once(cut: int) -> None:
    """The time-out is far longer than the test may take: only the reset itself can end the wait."""
    async with connected(lambda _, request: [good_answer(request, 1)[:cut], RESET][not cut :]) as (client, _, _drops):
        waiting = [client.read(REGISTER, 1000 * NS_PER_S) for _ in range(3)]
        for future in waiting:
            with pytest.raises(ConnectionLostError) as caught:
                await future
            assert caught.value.asked_ns < caught.value.given_up_ns
        assert not client.is_open


async def test_a_device_that_closes_politely() -> None:
    async with hostile_device(lambda *_: []) as device:
        client = ModbusClient("127.0.0.1", device.port, time.monotonic_ns)
        await client.connect()
        future = client.read(REGISTER, LONG_NS)
    with pytest.raises(ConnectionLostError):
        await future
    assert await client.wait_closed() != ""


async def test_answers_that_nobody_asked_for_end_the_connection_at_a_limit() -> None:
    flood = frame(b"\xff\xff", 1, b"\x03\x02\x00\x63") * 5000
    async with connected(lambda *_: [flood]) as (client, _, drops):
        with pytest.raises(ConnectionLostError, match="more than 256 answers that nobody asked for"):
            await client.read(REGISTER, LONG_NS)
        assert len(drops) == 257
        assert all(len(data) <= 64 for _, _, data in drops)


async def test_a_device_that_never_answers_ends_at_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_client, "OWED_MAX", 20)
    async with connected(lambda *_: []) as (client, _, _drops):
        while client.is_open:
            with pytest.raises(LinkError):
                await client.read(REGISTER, NS_PER_MS)
        assert "more than 20 answers owed" in await client.wait_closed()


async def test_in_flight_has_a_limit() -> None:
    async with connected(lambda *_: []) as (client, _, _drops):
        futures = [client.read(REGISTER, LONG_NS) for _ in range(64)]
        with pytest.raises(LinkError, match="64 requests in flight, at most 64"):
            client.read(REGISTER, LONG_NS)
        for future in futures:
            future.cancel()


async def test_deadlines_are_each_requests_own() -> None:
    def third(number: int, request: bytes) -> Iterable[bytes]:
        return [good_answer(request, 5)] if number == 2 else []

    async with connected(third) as (client, _, _drops):
        slow = client.read(REGISTER, LONG_NS)
        quick = client.read(REGISTER, SHORT_NS)
        with pytest.raises(AnswerTimeoutError):
            await quick
        assert not slow.done()
        assert value_of((await client.read(REGISTER, LONG_NS)).payload) == 5
        slow.cancel()


async def test_a_cancelled_wait_leaves_no_answer_for_another() -> None:
    async with connected(lambda number, request: [good_answer(request, number)]) as (client, _, drops):
        client.read(REGISTER, LONG_NS).cancel()
        assert value_of((await client.read(REGISTER, LONG_NS)).payload) == 1
    assert drops == []


async def test_no_connection_is_an_error_that_says_what_to_look_at() -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    client = ModbusClient("127.0.0.1", port, time.monotonic_ns)
    with pytest.raises(LinkError, match=rf"127\.0\.0\.1:{port}: no connection: .*; check the address"):
        await client.connect()
    with pytest.raises(LinkError, match="good for one connection"):
        await client.connect()
    with pytest.raises(ConnectionLostError, match="not connected"):
        client.read(REGISTER, LONG_NS)
