"""Modbus RTU units made by hand: with paced characters on a pseudo-terminal, and behind a socket as bad as told to."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from fractions import Fraction

from crccheck.crc import CrcModbus

REQUEST_BYTES = 8
WRITES_WITH_VALUES = (15, 16)
"""Their requests have a byte count and values behind address and quantity (V1.1b3, 6.11 and 6.12)."""


def closed(body: bytes) -> bytes:
    """A frame: its body and its CRC, low byte first."""
    crc: int = CrcModbus.calc(body)
    return body + crc.to_bytes(2, "little")


def answer_to(request: bytes, value: int = 0) -> bytes:
    """A right answer to a read: ``value`` in every register, its low byte in every byte of bits."""
    function, count = request[1], int.from_bytes(request[4:6], "big")
    values = bytes((value & 0xFF,)) * ((count + 7) // 8) if function < 3 else value.to_bytes(2, "big") * count
    return closed(bytes((request[0], function, len(values))) + values)


def echo_of(request: bytes) -> bytes:
    """A right answer to a write: where and what, or where and how many (V1.1b3, 6.5, 6.6, 6.11 and 6.12)."""
    return closed(request[:6])


def refusal_of(request: bytes, code: int = 2) -> bytes:
    """An exception."""
    return closed(bytes((request[0], request[1] | 0x80, code)))


Answerer = Callable[[int, bytes], Iterable[bytes | float]]
"""Takes the number of the request (from 0, over all connections) and its frame; gives the chunks to send. A number
among them is a time to wait, in seconds."""


@dataclass(slots=True, kw_only=True)
class Bus:
    """The units: where they are, what they have heard, and when (time.monotonic_ns)."""

    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    heard_ns: list[int] = field(default_factory=list)
    connections: int = 0
    writers: set[asyncio.StreamWriter] = field(default_factory=set)

    def send(self, data: bytes) -> None:
        """Send something that nobody asked for, on every connection."""
        for writer in self.writers:
            writer.write(data)


@asynccontextmanager
async def rtu_over_tcp(answer: Answerer) -> AsyncIterator[Bus]:
    """Units behind a serial device server on a free port of 127.0.0.1. Requests are answered as they come, side by
    side, so that an answer may be sent after a later request was heard.
    """
    bus = Bus()

    async def reply(number: int, request: bytes, writer: asyncio.StreamWriter) -> None:
        for chunk in answer(number, request):
            if isinstance(chunk, float):
                await asyncio.sleep(chunk)
                continue
            writer.write(chunk)
            await asyncio.sleep(0)

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        bus.connections += 1
        bus.writers.add(writer)
        try:
            async with asyncio.TaskGroup() as group:
                while True:
                    try:
                        request = await reader.readexactly(REQUEST_BYTES - 1)
                        more = request[6] + 2 if request[1] in WRITES_WITH_VALUES else 1
                        request += await reader.readexactly(more)
                    except (OSError, asyncio.IncompleteReadError):
                        break
                    assert closed(request[:-2]) == request
                    number = len(bus.requests)
                    bus.requests.append(request)
                    bus.heard_ns.append(time.monotonic_ns())
                    group.create_task(reply(number, request, writer))
        finally:
            bus.writers.discard(writer)
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    bus.port = server.sockets[0].getsockname()[1]
    try:
        yield bus
    finally:
        server.close()
        for writer in tuple(bus.writers):
            writer.transport.abort()
        await server.wait_closed()


@dataclass(slots=True, kw_only=True)
class Exchange:
    """One request and its answer on the paced line: when each began and ended (time.monotonic_ns)."""

    heard_ns: int
    request_end_ns: int
    answer_due_ns: int
    answer_end_ns: int


class PacedBus:
    """Units on a pseudo-terminal whose characters take the time that a real line would need.

    A request that was written is on the line for its own length from the moment it was seen; the answer begins a
    silence of 3.5 characters after it, and its characters become readable one by one as they end.
    """

    def __init__(self, baud: int, bits: int, answer: Callable[[bytes], bytes]) -> None:
        self.character_s = Fraction(bits, baud)
        self.gap_s = Fraction(1750, 1_000_000) if baud > 19_200 else Fraction(7, 2) * self.character_s
        self.exchanges: list[Exchange] = []
        self._answer = answer
        self._device, self._held = os.openpty()
        self.name = os.ttyname(self._held)
        self._stop_r, self._stop_w = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="paced bus")

    def _serve(self) -> None:
        import select
        import tty

        tty.setraw(self._device)
        data = b""
        while True:
            ready, _, _ = select.select([self._device, self._stop_r], [], [])
            if self._stop_r in ready:
                return
            data += os.read(self._device, 256)
            heard_ns = time.monotonic_ns()
            while len(data) >= REQUEST_BYTES:
                request, data = data[:REQUEST_BYTES], data[REQUEST_BYTES:]
                self._exchange(heard_ns, request)

    def _exchange(self, heard_ns: int, request: bytes) -> None:
        character_ns = self.character_s * 1_000_000_000
        request_end_ns = heard_ns + round(REQUEST_BYTES * character_ns)
        begin_ns = request_end_ns + round(self.gap_s * 1_000_000_000)
        answer = self._answer(request)
        for number, byte in enumerate(answer, 1):
            _sleep_until(begin_ns + round(number * character_ns))
            os.write(self._device, bytes((byte,)))
        end_ns = time.monotonic_ns()
        due_ns = begin_ns + round(len(answer) * character_ns)
        self.exchanges.append(
            Exchange(heard_ns=heard_ns, request_end_ns=request_end_ns, answer_due_ns=due_ns, answer_end_ns=end_ns)
        )

    def start(self) -> None:
        """Serve from now on."""
        self._thread.start()

    def unplug(self) -> None:
        """End the thread and close the pseudo-terminal: whoever has the port open loses it."""
        if self._thread.is_alive():
            os.write(self._stop_w, b".")
            self._thread.join()
            os.close(self._held)
            os.close(self._device)

    def stop(self) -> None:
        """End what there is left."""
        self.unplug()
        os.close(self._stop_r)
        os.close(self._stop_w)


def _sleep_until(at_ns: int) -> None:
    left_ns = at_ns - time.monotonic_ns()
    if left_ns > 0:
        time.sleep(left_ns / 1e9)


@contextmanager
def paced_bus(baud: int, bits: int, answer: Callable[[bytes], bytes]) -> Iterator[PacedBus]:
    """Units on a pseudo-terminal at ``baud``, with ``bits`` a character."""
    bus = PacedBus(baud, bits, answer)
    bus.start()
    try:
        yield bus
    finally:
        bus.stop()
