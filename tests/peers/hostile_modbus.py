"""A Modbus TCP device made by hand that answers as badly as it is told to."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

RESET = b""
"""Among the chunks of an answer: reset the connection here."""

Answerer = Callable[[int, bytes], Iterable[bytes | float]]
"""Takes the number of the request (from 0, over all connections) and its frame; gives the chunks to send. A number
among them is a time to wait, in seconds."""


def good_answer(request: bytes, value: int = 0) -> bytes:
    """A right answer to a read of registers, each of them ``value``; of bits, ``value`` in every byte."""
    function, count = request[7], int.from_bytes(request[10:12], "big")
    values = bytes((value & 0xFF,)) * ((count + 7) // 8) if function < 3 else value.to_bytes(2, "big") * count
    pdu = bytes((function, len(values))) + values
    return frame(request[:2], request[6], pdu)


def frame(transaction: bytes, unit: int, pdu: bytes, *, protocol: int = 0, length: int | None = None) -> bytes:
    """A frame, with a wrong protocol identifier or length where asked."""
    said = len(pdu) + 1 if length is None else length
    return transaction + protocol.to_bytes(2, "big") + said.to_bytes(2, "big") + bytes((unit,)) + pdu


@dataclass(slots=True, kw_only=True)
class Hostile:
    """The device: where it listens, and what it has heard, and when (time.monotonic_ns)."""

    port: int = 0
    requests: list[bytes] = field(default_factory=list)
    heard_ns: list[int] = field(default_factory=list)
    connections: int = 0


@asynccontextmanager
async def hostile_device(answer: Answerer) -> AsyncIterator[Hostile]:
    """Serve on a free port of 127.0.0.1. Each chunk is sent by itself; the event loop turns between two of them."""
    device = Hostile()
    writers: set[asyncio.StreamWriter] = set()
    handlers: set[asyncio.Task[None] | None] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.add(writer)
        handlers.add(asyncio.current_task())
        device.connections += 1
        try:
            while True:
                request = await reader.readexactly(12)
                number = len(device.requests)
                device.requests.append(request)
                device.heard_ns.append(time.monotonic_ns())
                for chunk in answer(number, request):
                    if isinstance(chunk, float):
                        await asyncio.sleep(chunk)
                        continue
                    if chunk == RESET:
                        writer.transport.abort()
                        return
                    writer.write(chunk)
                    await writer.drain()
                    await asyncio.sleep(0)
        except (OSError, asyncio.IncompleteReadError):
            return
        finally:
            writers.discard(writer)
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    device.port = server.sockets[0].getsockname()[1]
    try:
        yield device
    finally:
        server.close()
        for writer in tuple(writers):
            writer.transport.abort()
        await asyncio.gather(*(handler for handler in handlers if handler is not None))
        await server.wait_closed()
