"""A way for datagrams between a listener and a BACnet/IP device that fails on demand, on real sockets.

It translates addresses as a router with NAT does, also where the device names the listener in its answers.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from typing import Final, cast

from tests.conformance.rig import Passage, clock

HostPort = tuple[str, int]
LOOPBACK: Final = "127.0.0.1"
INJECTED_BYTES: Final = 1024
"""What is injected goes out in datagrams of this size."""


class _End(asyncio.DatagramProtocol):
    def __init__(self, received: Callable[[bytes], None]) -> None:
        self._received = received
        self.transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: HostPort) -> None:
        self._received(data)

    def error_received(self, exc: Exception) -> None:
        """The other side is not there: what was sent is lost."""


class DatagramWire:
    """The listener talks to ``near``, the device to ``far``. ``near`` stays the same while the device is away."""

    def __init__(self, listener_port: int, device_port: Callable[[], int]) -> None:
        self._listener = (LOOPBACK, listener_port)
        self._device_port = device_port
        self.passage = Passage()
        self.from_listener: list[tuple[int, bytes]] = []
        self.near_port = self.far_port = 0
        self._near: _End | None = None
        self._far = _End(self._from_device)
        self._guard: socket.socket | None = None
        self._held = False
        self._torn = False
        self._torn_kind: int | None = None
        self._slow_s = 0.0
        self._busy_until_s = 0.0

    async def start(self) -> None:
        """Open both ends."""
        loop = asyncio.get_running_loop()
        await loop.create_datagram_endpoint(lambda: self._far, local_addr=(LOOPBACK, 0))
        assert self._far.transport is not None
        self.far_port = self._far.transport.get_extra_info("sockname")[1]
        await self.admit()

    async def stop(self) -> None:
        """Close what is open."""
        await self.refuse()
        if self._guard is not None:
            self._guard.close()
        assert self._far.transport is not None
        self._far.transport.close()
        await asyncio.sleep(0)

    # --- faults ---------------------------------------------------------------------------------------

    async def refuse(self) -> None:
        """Nobody is at the port: whoever sends to it gets an ICMP message, port unreachable. The port stays ours."""
        if self._near is None:
            return
        self.passage.shut("refused")
        near, self._near = self._near, None
        assert near.transport is not None
        near.transport.abort()
        await asyncio.sleep(0)
        # A socket that is connected elsewhere takes nothing from the listener, and keeps the port.
        self._guard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._guard.bind((LOOPBACK, self.near_port))
        self._guard.connect((LOOPBACK, self.far_port))

    async def admit(self) -> None:
        """The device is there (again)."""
        if self._near is not None:
            return
        if self._guard is not None:
            self._guard.close()
            self._guard = None
        near = _End(self._from_listener)
        loop = asyncio.get_running_loop()
        await loop.create_datagram_endpoint(lambda: near, local_addr=(LOOPBACK, self.near_port))
        assert near.transport is not None
        self.near_port = near.transport.get_extra_info("sockname")[1]
        self._near = near
        self.passage.open("refused")

    def hold(self) -> None:
        """Every datagram is lost, either way."""
        self._held = True
        self.passage.shut("held")

    def release(self) -> None:
        """No more are lost."""
        self._held = self._torn = False
        self.passage.open("held")

    def slow(self, seconds: float) -> None:
        """A datagram cannot come in pieces: each takes as long as its octets would, one by one."""
        self._slow_s = seconds

    def tear(self, kind: int | None = None) -> None:
        """Of the next datagram of the device only the first half arrives; ``kind``: the next with such an APDU."""
        self._torn, self._torn_kind = True, kind

    def inject(self, data: bytes) -> None:
        """Datagrams from the device's address that it never sent."""
        for at in range(0, len(data), INJECTED_BYTES):
            self._to_listener(data[at : at + INJECTED_BYTES])

    # --- inside -----------------------------------------------------------------------------------------

    def _from_listener(self, data: bytes) -> None:
        self.from_listener.append((clock(), data))
        if not self._held and self._far.transport is not None:
            self._far.transport.sendto(data, (LOOPBACK, self._device_port()))

    def _from_device(self, data: bytes) -> None:
        if self._held:
            return
        if self._torn and self._torn_kind in (None, data[6] >> 4):
            self._torn = False
            data = data[: len(data) // 2]
        data = data.replace(_octets(self.far_port), _octets(self._listener[1]))
        loop = asyncio.get_running_loop()
        self._busy_until_s = max(self._busy_until_s, loop.time()) + self._slow_s * len(data)
        if self._busy_until_s <= loop.time():
            self._to_listener(data)
        else:
            loop.call_at(self._busy_until_s, self._to_listener, data)  # in the order in which they were sent

    def _to_listener(self, data: bytes) -> None:
        if self._near is not None and self._near.transport is not None:
            self._near.transport.sendto(data, self._listener)


def _octets(port: int) -> bytes:
    """An address as BACnet/IP writes it (ASHRAE 135, Annex J)."""
    return socket.inet_aton(LOOPBACK) + port.to_bytes(2, "big")
