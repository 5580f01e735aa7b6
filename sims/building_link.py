"""The UDP socket of a simulated BACnet/IP device, in place of bacpypes3's own.

It is bound before anything starts, so that a port of 0 is known and a taken one is an error; it sends to every address,
where bacpypes3 takes any 127.x address at its own port for itself; and it sends at once, so that an instant of sending
means something. Received datagrams are served one after the other.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from typing import Any, Final

from bacpypes3.comm import Server
from bacpypes3.pdu import PDU, IPv4Address

RECEIVED_MAX: Final = 4096  # datagrams not yet served: over a second of the fastest client. More is lost, as in UDP

_log = logging.getLogger(__name__)


class _Protocol(asyncio.DatagramProtocol):
    def __init__(self, received: asyncio.Queue[tuple[bytes, tuple[str, int]]]) -> None:
        self._received = received
        self.closed = asyncio.Event()

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        with contextlib.suppress(asyncio.QueueFull):
            self._received.put_nowait((data, addr))

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self.closed.set()


class UdpServer(Server[PDU]):  # type: ignore[misc]
    """The lowest layer of a bacpypes3 stack. Raises OSError where the port is taken."""

    def __init__(self, host: str, port: int) -> None:
        super().__init__()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._socket.settimeout(0)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            self._socket.bind((host, port))
        except OSError:
            self._socket.close()
            raise
        self.address: tuple[str, int] = self._socket.getsockname()
        self._received: asyncio.Queue[tuple[bytes, tuple[str, int]]] = asyncio.Queue(RECEIVED_MAX)
        self._protocol = _Protocol(self._received)
        self._transport: asyncio.DatagramTransport | None = None
        self._serving: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin to serve."""
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.create_datagram_endpoint(lambda: self._protocol, sock=self._socket)
        self._serving = asyncio.create_task(self._serve(), name=f"sims BACnet port {self.address[1]}")

    async def stop(self) -> None:
        """Close the socket; nothing is left running."""
        if self._serving is not None:
            self._serving.cancel()
            await asyncio.gather(self._serving, return_exceptions=True)
        if self._transport is None:
            self._socket.close()
            return
        transport, self._transport = self._transport, None  # a timer of the layers above may still want to send
        transport.close()
        await self._protocol.closed.wait()

    def send(self, data: bytes, recipient: tuple[str, int]) -> None:
        """Hand a datagram to the socket, now."""
        if self._transport is not None:
            self._transport.sendto(data, recipient)

    async def indication(self, pdu: Any) -> None:
        """Called by the layers above with an answer on its way down; a broadcast goes nowhere: there is none here."""
        address = pdu.pduDestination
        if isinstance(address, IPv4Address):
            self.send(bytes(pdu.pduData), address.addrTuple)

    async def _serve(self) -> None:
        own = IPv4Address(self.address)
        while True:
            data, sender = await self._received.get()
            try:
                await self.response(PDU(data, source=IPv4Address(sender), destination=own))
            except Exception:  # noqa: BLE001 - whatever a peer sent, the device goes on
                _log.debug("a datagram from %s could not be served", sender, exc_info=True)
