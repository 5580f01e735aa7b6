"""A device that misbehaves at random, in every way: nothing crashes, nothing wrong is credited, memory is bounded.

Right answers carry the number of the request that they answer; everything else carries ``POISON``. So a value that was
handed on tells which request it belongs to, and the device's own notes tell when it heard that request.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterable

import pytest

from harness.core.places import ModbusPlace, Table, ValueType
from harness.links import modbus_tcp
from harness.links.modbus_client import DROPPED_MAX
from harness.links.modbus_tcp import ModbusTcpListener
from tests.peers.hostile_modbus import RESET, frame, good_answer, hostile_device
from tests.peers.recorder import Recorder, listening, modbus_link, point

POISON = 0xDEAD
POISONED = POISON.to_bytes(2, "big")


class Tormentor:
    """Gives each request one answer out of many, most of them wrong; seeded."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.held: list[bytes] = []
        self.answered: set[int] = set()

    def __call__(self, number: int, request: bytes) -> Iterable[bytes | float]:
        name = self.random.choice(
            ["right"] * 6 + ["late", "late", "drip", "twice", "transaction", "unit", "function", "short", "torn"]
            + ["length", "protocol", "garbage", "reset", "half", "nothing", "exception", "huge", "ahead", "foreign"]
        )  # fmt: skip
        return list(getattr(self, name)(number, request))

    def good(self, number: int, request: bytes) -> bytes:
        self.answered.add(number)
        return good_answer(request, number)

    def pdu(self, request: bytes) -> bytes:
        return good_answer(request, POISON)[7:]

    def right(self, number: int, request: bytes) -> Iterable[bytes]:
        yield self.good(number, request)

    def late(self, number: int, request: bytes) -> Iterable[bytes]:
        """The answer comes one to three requests later, perhaps on another connection."""
        self.held.append(good_answer(request, POISON))
        if len(self.held) > self.random.randint(1, 3):
            yield self.held.pop(0)
        yield self.good(number, request)

    def drip(self, number: int, request: bytes) -> Iterable[bytes]:
        answer = self.good(number, request)
        return [answer[at : at + 1] for at in range(len(answer))]

    def twice(self, number: int, request: bytes) -> Iterable[bytes]:
        yield self.good(number, request) + good_answer(request, POISON)

    def transaction(self, number: int, request: bytes) -> Iterable[bytes]:
        shift = self.random.choice([-3, -2, -1, 2, 3, 256, 0x8000])
        other = (int.from_bytes(request[:2], "big") + shift) % 65_536
        yield frame(other.to_bytes(2, "big"), request[6], self.pdu(request))
        yield self.good(number, request)

    def unit(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(request[:2], (request[6] + 1) % 256, self.pdu(request))

    def function(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(request[:2], request[6], bytes((request[7] ^ 7,)) + self.pdu(request)[1:])

    def short(self, number: int, request: bytes) -> Iterable[bytes]:
        fewer = self.pdu(request)[2:-2]
        yield frame(request[:2], request[6], bytes((request[7], len(fewer))) + fewer)

    def torn(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(request[:2], request[6], self.pdu(request)[: self.random.randint(1, 3)])

    def length(self, number: int, request: bytes) -> Iterable[bytes]:
        said = self.random.choice([0, 1, 2, 4, 254, 255, 65_535])
        yield frame(request[:2], request[6], self.pdu(request), length=said)

    def protocol(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(request[:2], request[6], self.pdu(request), protocol=self.random.randint(1, 65_535))

    def garbage(self, number: int, request: bytes) -> Iterable[bytes]:
        yield self.random.randbytes(self.random.randint(1, 2000))

    def reset(self, number: int, request: bytes) -> Iterable[bytes]:
        yield RESET

    def half(self, number: int, request: bytes) -> Iterable[bytes]:
        yield good_answer(request, POISON)[: self.random.randint(1, 10)]
        yield RESET

    def nothing(self, number: int, request: bytes) -> Iterable[bytes]:
        return []

    def exception(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(
            request[:2], request[6], bytes((request[7] | 0x80, self.random.choice([1, 3, 4, 6, 10, 11, 0, 255])))
        )

    def huge(self, number: int, request: bytes) -> Iterable[bytes]:
        yield frame(b"\xff\xfe", request[6], bytes((3, 250)) + POISONED * 125) * 400

    def ahead(self, number: int, request: bytes) -> Iterable[bytes]:
        """The answer to this request, and in the same breath one to a request that was not made yet."""
        coming = ((int.from_bytes(request[:2], "big") + 1) % 65_536).to_bytes(2, "big")
        yield self.good(number, request) + frame(coming, request[6], self.pdu(request))

    def foreign(self, number: int, request: bytes) -> Iterable[bytes]:
        yield b"\x1b[2J<script>alert(1)</script>\r\nHTTP/1.1 200 OK\r\n\r\n"


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("in_flight", [1, 4])
async def test_nothing_wrong_is_ever_credited(seed: int, in_flight: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus_tcp, "RECONNECT_FIRST_NS", 1_000_000)
    monkeypatch.setattr(modbus_tcp, "RECONNECT_MAX_NS", 1_000_000)
    recorder, tormentor = Recorder(), Tormentor(seed)
    # Blocks of one shape: then only the transaction identifier tells their answers apart.
    places = [
        ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=address, value_type=ValueType.U16)
        for address in (0, 7, 200, 207, 400, 407, 600, 607)
    ]
    points = [point(f"p{place.address}", place) for place in places]
    async with hostile_device(tormentor) as device:
        spec = modbus_link(device.port, period_ms=2, timeout_ms=15, in_flight=in_flight)
        link = ModbusTcpListener(spec, points, recorder, time.monotonic_ns, recorder.next_id)
        async with listening(link) as task:
            await recorder.until(lambda: task.done() or len(device.requests) >= 250)
            assert not task.done()
    assert len(recorder.polls) >= 30
    assert len(recorder.failures) >= 30
    credited = []
    for block_id, asked_ns, told_ns, payload in recorder.polls:
        block = recorder.blocks[block_id]
        number = int.from_bytes(payload[:2], "big")
        assert payload == payload[:2] * block.count
        assert number in tormentor.answered
        request = device.requests[number]
        assert int.from_bytes(request[8:10], "big") == block.address
        assert asked_ns <= device.heard_ns[number] <= told_ns
        credited.append(number)
    assert len(set(credited)) == len(credited)
    assert all(len(data) <= 64 for *_, data in recorder.drops)
    assert len(recorder.drops) <= device.connections * (DROPPED_MAX + 2)
