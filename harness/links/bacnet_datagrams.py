"""The UDP sockets under a BACnet/IP stack: stamped as datagrams come in and go out, and closed to what is not for us.

Arrival. The socket is emptied on every turn that finds it readable, and by a timer besides, so that it is known when
nothing was waiting in it: a datagram that is read at ``last_ns`` came in after ``first_ns``, the last time at which
the socket was found empty. While more may be waiting than was read, that instant stays where it was.

bacpypes3 splits an APDU into its parts without a stamp, so the stamp travels in a context variable: every datagram is
handled by a task of its own, and a task keeps the context in which it was made.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import struct
import sys
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Final

from bacpypes3.comm import Server
from bacpypes3.ipv4 import IPv4DatagramProtocol
from bacpypes3.pdu import PDU, IPv4Address, LocalBroadcast, LocalStation

from harness.core.errors import LinkError
from harness.core.instants import Clock

EMPTIED_EVERY_S: Final = 0.01
"""How often the socket is emptied besides. It widens an arrival by so much, and costs 100 turns a second."""

DRAIN_MAX: Final = 64
"""Datagrams read in one turn: some 60 ms of decoding, so that a flood cannot take the loop away from other links."""

PENDING_MAX: Final = 512
"""Datagrams read and not handled yet. Beyond it they are dropped, and that is reported."""

RECEIVE_BUFFER_BYTES: Final = 1 << 20
"""Room for some thousand notifications while this computer is busy. The system may grant less."""

DATAGRAM_BYTES_MAX: Final = 2048
"""More than any BACnet/IP message: an APDU of 1476 octets and its headers (ASHRAE 135, Annex J)."""

_TAKEN: Final = frozenset((0x00, 0x04, 0x0A, 0x0B))
"""BVLC functions (Annex J.2) that concern a listener: Result, Forwarded, Original-Unicast, Original-Broadcast-NPDU. The
others would have bacpypes3 answer for tables that a listener does not keep."""

_SO_MEMINFO: Final = 55
_MEMINFO_DROPS_AT: Final = 8
"""Linux: what getsockopt(SO_MEMINFO) counts, and where in it the datagrams dropped for want of room are."""

HostPort = tuple[str, int]


@dataclass(slots=True)
class Arrival:
    """A datagram that came in between two instants. ``taken``: whether somebody knew what to do with it."""

    first_ns: int
    last_ns: int
    source: HostPort
    taken: bool = False


@dataclass(slots=True)
class Sent:
    """When the first datagram of a request went out; 0 while none did. ``why``: why it could not."""

    at_ns: int = 0
    why: str = ""


ARRIVAL: ContextVar[Arrival | None] = ContextVar("arrival", default=None)
"""The datagram that is being handled."""

SENT: ContextVar[Sent | None] = ContextVar("sent", default=None)
"""The request in whose task a datagram goes out."""


class _Protocol(IPv4DatagramProtocol):  # type: ignore[misc]  # bacpypes3 publishes no types
    """Hands each datagram on, and empties the socket behind it."""

    def __init__(self, server: DatagramServer, sock: socket.socket, destination: Any) -> None:
        self._server = server
        self.sock = sock
        self._destination = destination
        self.empty_ns = server.clock()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The socket is bound already."""

    def datagram_received(self, data: bytes, addr: HostPort) -> None:
        """One was read by the event loop; more may be waiting."""
        self._server.received(data, addr, self.empty_ns, self._destination)
        self.drain(DRAIN_MAX - 1)

    def drain(self, most: int = DRAIN_MAX) -> None:
        """Read what is waiting; where that is all of it, the socket was empty just now."""
        for _ in range(most):
            now_ns = self._server.clock()
            try:
                data, addr = self.sock.recvfrom(DATAGRAM_BYTES_MAX)
            except (BlockingIOError, InterruptedError):
                self.empty_ns = now_ns
                return
            except OSError:
                return  # an ICMP error of something sent before: the request that it belongs to times out
            self._server.received(data, addr, self.empty_ns, self._destination)


class DatagramServer(Server[PDU]):  # type: ignore[misc]  # as above
    """What bacpypes3 expects below its UDP multiplexer, on sockets that are ours.

    Unlike bacpypes3's own it does not share its port with another program, does not try for ever to open one, and
    takes no address but its own for itself (bacpypes3 takes every 127.x address on its own port).
    """

    def __init__(self, clock: Clock, dropped: Callable[[HostPort, int, str, bytes], None]) -> None:
        super().__init__()
        self.clock = clock
        self._dropped = dropped
        self._transports: list[asyncio.DatagramTransport] = []
        self._protocols: list[_Protocol] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._timer: asyncio.TimerHandle | None = None
        self._overflows = 0
        self.overflowed: Callable[[int], None] = lambda _since_ns: None
        self.broadcast: HostPort | None = None
        self.own: HostPort = ("", 0)

    async def open(self, host: str, port: int, local: str, prefix: int) -> None:
        """Bind. ``local``: the address by which others know this computer. LinkError where the port is not free."""
        try:
            sockets = [(_bound(host, port), None)]
        except OSError as exc:
            raise LinkError(
                f"listen on {host}:{port}: {exc.strerror or exc}; is another BACnet program running here? give this "
                "link another port, or this computer another address"
            ) from exc
        bound_port: int = sockets[0][0].getsockname()[1]
        self.own = (local, bound_port)
        network = ipaddress.ip_interface(f"{local}/{prefix}").network
        if network.num_addresses > 2 and not network.is_loopback:
            self.broadcast = (str(network.broadcast_address), bound_port)
            if not ipaddress.ip_address(host).is_unspecified:
                # On Linux a socket bound to a unicast address never receives a broadcast.
                try:
                    sockets.append((_bound(self.broadcast[0], bound_port), LocalBroadcast()))
                except OSError:
                    self.broadcast = None if sys.platform == "linux" else self.broadcast
        loop = asyncio.get_running_loop()
        for sock, destination in sockets:
            known = IPv4Address(self.own) if destination is None else destination
            protocol = _Protocol(self, sock, known)
            transport, _ = await loop.create_datagram_endpoint(lambda it=protocol: it, sock=sock)  # type: ignore[misc]
            self._transports.append(transport)
            self._protocols.append(protocol)
        self._empty_regularly()

    async def close(self) -> None:
        """Close the sockets and end what is still being handled."""
        if self._timer is not None:
            self._timer.cancel()
        for transport in self._transports:
            transport.close()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        # A transport closes its socket on the next turn of the loop.
        await asyncio.sleep(0)

    def received(self, data: bytes, source: HostPort, empty_ns: int, destination: Any) -> None:
        """One datagram: into a task of its own, with its stamp in the task's context."""
        now_ns = self.clock()
        if not _is_for_a_listener(data):
            self._dropped(source, now_ns, "no BACnet/IP message for a listener", data)
            return
        if len(self._tasks) >= PENDING_MAX:
            self._dropped(source, now_ns, f"more than {PENDING_MAX} datagrams waited to be handled", data)
            return
        arrival = Arrival(min(empty_ns, now_ns), now_ns, source)
        token = ARRIVAL.set(arrival)
        try:
            task = asyncio.get_running_loop().create_task(
                self._handle(data, arrival, destination), name="BACnet datagram"
            )
        finally:
            ARRIVAL.reset(token)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _handle(self, data: bytes, arrival: Arrival, destination: Any) -> None:
        pdu = PDU(data, source=IPv4Address(arrival.source), destination=destination)
        try:
            await self.response(pdu)
        except Exception as exc:  # noqa: BLE001 - whatever a stranger's bytes do to a decoder
            self._dropped(arrival.source, arrival.last_ns, f"cannot be decoded: {type(exc).__name__}", data)
            return
        if not arrival.taken:
            self._dropped(arrival.source, arrival.last_ns, "cannot be decoded, or answers nothing that was asked", data)

    async def indication(self, pdu: Any) -> None:
        """A datagram to send. Its instant is entered in the request in whose context it goes out."""
        sent = SENT.get()
        target = self._target(pdu.pduDestination)
        if target is None or not self._transports or self._transports[0].is_closing():
            if sent is not None:
                sent.why = "this network has no broadcast address" if target is None else "the socket is closed"
            return
        if sent is not None and not sent.at_ns:
            sent.at_ns = self.clock()
        self._transports[0].sendto(bytes(pdu.pduData), target)

    def _target(self, destination: Any) -> HostPort | None:
        if isinstance(destination, LocalBroadcast):
            return self.broadcast
        if isinstance(destination, IPv4Address):
            target: HostPort = destination.addrTuple
            return target
        if isinstance(destination, LocalStation):
            station: HostPort = IPv4Address(destination.addrAddr).addrTuple
            return station
        raise ValueError(f"no BACnet/IP destination: {destination!r}")

    def _empty_regularly(self) -> None:
        for protocol in self._protocols:
            before_ns = protocol.empty_ns
            protocol.drain()
            overflows = _overflows(protocol.sock)
            if overflows > self._overflows:
                self._overflows = overflows
                self.overflowed(before_ns)
        self._timer = asyncio.get_running_loop().call_later(EMPTIED_EVERY_S, self._empty_regularly)


def local_address(host: str, target: HostPort) -> str:
    """The address by which ``target`` knows this computer: ``host`` itself, or what the routing table says.

    Nothing is sent: connecting a datagram socket only chooses a route. LinkError where there is none.
    """
    if not ipaddress.ip_address(host).is_unspecified:
        return host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(target)
        except OSError as exc:
            raise LinkError(f"{target[0]}:{target[1]}: no way there: {exc.strerror or exc}") from exc
        name: HostPort = probe.getsockname()
        return name[0]


def _is_for_a_listener(data: bytes) -> bool:
    """The header of a BACnet/IP message (Annex J.2): type, function, length of the whole."""
    if len(data) < 4 or data[0] != 0x81 or data[1] not in _TAKEN:
        return False
    return int.from_bytes(data[2:4], "big") == len(data)


def _bound(host: str, port: int) -> socket.socket:
    """A socket that no other program shares: two that share a port would each get a part of the notifications."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        sock.settimeout(0)
        sock.bind((host, port))
    except OSError:
        sock.close()
        raise
    return sock


def _overflows(sock: socket.socket) -> int:
    """How many datagrams the system dropped because the socket's buffer was full; 0 where it does not tell."""
    if sys.platform != "linux":
        return 0
    try:
        counts = sock.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 36)
    except OSError:
        return 0
    return struct.unpack_from("=I", counts, 4 * _MEMINFO_DROPS_AT)[0] if len(counts) >= 36 else 0
