"""The wire in front of a Modbus device: a TCP relay that passes whole frames on, one request at a time.

It stands in front of every device, healthy or not, so that the way of an answer is the same in both cases, and so that
a client may send several requests before the first answer: pymodbus's server would lose the second one.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import sys
from collections.abc import Awaitable, Callable
from typing import Final

HEADER_SIZE: Final = 7  # transaction, protocol, length, unit: Modbus Messaging on TCP/IP V1.0b, 3.1.3
LENGTH_MAX: Final = 254  # unit and PDU: the PDU has at most 253 bytes (Application Protocol V1.1b3, 4.1)
CONNECTIONS_MAX: Final = 64  # more than a test opens; a flood of connections must not exhaust the descriptors
DEVICE_ANSWERS_WITHIN_S: Final = 5.0  # on loopback; later means that the device does not answer this request at all

_RESET_ON_CLOSE: Final = struct.pack(
    "hh" if sys.platform == "win32" else "ii", 1, 0
)  # SO_LINGER on, with no time: closing sends RST in place of FIN

# Given an answer, sends to the client whatever should arrive of it.
Deliver = Callable[[bytes, asyncio.StreamWriter], Awaitable[None]]


class NotModbusError(Exception):
    """Bytes that cannot be a Modbus TCP frame: there is no way to find the next one."""


async def read_frame(reader: asyncio.StreamReader) -> bytes:
    """The next whole frame. Raises NotModbusError, or EOFError at the end of the stream."""
    header = await reader.readexactly(HEADER_SIZE)
    length = int.from_bytes(header[4:6], "big")
    if header[2:4] != b"\0\0" or not 2 <= length <= LENGTH_MAX:
        raise NotModbusError(header.hex(" "))
    return header + await reader.readexactly(length - 1)


async def deliver_whole(answer: bytes, client: asyncio.StreamWriter) -> None:
    """Send the answer as it is."""
    client.write(answer)
    await client.drain()


def reset(transport: asyncio.WriteTransport) -> None:
    """End a TCP connection with a reset."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
    transport.abort()


class Relay:
    """Listens for clients of one device, and passes their requests on to it."""

    def __init__(self, device_port: int, deliver: Deliver = deliver_whole) -> None:
        self._device_port = device_port
        self._deliver = deliver
        self._server: asyncio.Server | None = None
        self._connections: set[asyncio.Task[None]] = set()

    async def start(self, host: str, port: int) -> int:
        """Listen, and return the port. Raises OSError if the port is taken."""
        self._server = await asyncio.start_server(self._serve, host, port)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Close the port and all connections."""
        if self._server is not None:
            self._server.close()
        for connection in self._connections:
            connection.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)

    async def _serve(self, client_reader: asyncio.StreamReader, client: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - asyncio runs each connection in a task
        self._connections.add(task)
        device: asyncio.StreamWriter | None = None
        try:
            if len(self._connections) > CONNECTIONS_MAX:
                return
            device_reader, device = await asyncio.open_connection("127.0.0.1", self._device_port)
            await self._relay(client_reader, client, device_reader, device)
        except (EOFError, OSError, NotModbusError, asyncio.CancelledError):
            pass  # the connection is over, whichever side ended it
        finally:
            self._connections.discard(task)
            for writer in (client, device):
                if writer is not None:
                    writer.close()
            for writer in (client, device):
                if writer is not None:
                    with contextlib.suppress(OSError, asyncio.CancelledError):
                        await writer.wait_closed()

    async def _relay(
        self,
        client_reader: asyncio.StreamReader,
        client: asyncio.StreamWriter,
        device_reader: asyncio.StreamReader,
        device: asyncio.StreamWriter,
    ) -> None:
        while True:
            request = await read_frame(client_reader)
            device.write(request)
            try:
                async with asyncio.timeout(DEVICE_ANSWERS_WITHIN_S):
                    answer = await read_frame(device_reader)
            except TimeoutError:
                continue
            await self._deliver(answer, client)
