"""The listener of a printed alarm log: a serial port, or a serial device server over raw TCP. It never sends a byte.

Arrival. An event loop that was busy reads late, so a line's arrival is known within bounds only: by ``last_ns``,
when it was read, and not before ``first_ns``, the last time at which the loop would have read it had it been there.
A loop looks at every socket once a turn, and a timer notes its turns: what is read now was not there at the turn before
the last noted one. While more may be waiting than was read, that instant stays where it was.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterable
from typing import Final

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import Framing, TextLink
from harness.links.base import LISTENER_ENDED, LinkState, Observer
from harness.links.os_reasons import os_reason
from harness.links.seen import Message
from harness.links.text_framing import NoLine
from harness.links.text_gaps import Framer, framer_of

RECONNECT_FIRST_NS: Final = 100 * NS_PER_MS
RECONNECT_MAX_NS: Final = 2 * NS_PER_S
"""Back-off between attempts that came to nothing: short enough to lose little, long enough to spare a device server."""

CONNECT_TIMEOUT_S: Final = 5.0
CLOSE_TIMEOUT_S: Final = 2.0
TURN_NOTED_S: Final = 0.01
"""How often a turn of the loop is noted. It widens a line's arrival by twice this, and costs 100 turns a second."""

TURNS_A_GAP: Final = 5
"""Where a silence ends a message, turns are noted so often within it, as two of them widen each end of the silence."""

READ_BYTES: Final = 4096
"""Read at once: what a serial port's driver holds, and few enough lines that other links wait only milliseconds."""

INTAKE_BYTES_PER_S_MAX: Final = 256 * 1024
"""More than twice the fastest usual serial line (921,600 baud). A peer that sends faster is read no faster, so that it
cannot take the loop away from the other links."""

_INTAKE_WINDOW_S: Final = 0.02

KEEP_ALIVE: Final = (("TCP_KEEPIDLE", 5), ("TCP_KEEPINTVL", 2), ("TCP_KEEPCNT", 3))
"""A listener that sends nothing never learns that its peer's cable was pulled, unless TCP itself asks: within 11 s.
These probes are empty segments: the peer's program receives nothing."""


class TextListener:
    """Frames what one printed log sends, until cancelled; one of the links behind ``Link``."""

    def __init__(self, spec: TextLink, observer: Observer, clock: Clock) -> None:
        """ValueError where ``spec`` names both a host and a serial port, or neither, or its framing cannot work."""
        if (spec.host is None) == (spec.serial is None) or (spec.host is not None and spec.tcp_port is None):
            asked = f"host={spec.host} tcp_port={spec.tcp_port} serial={spec.serial}"
            raise ValueError(f"link {spec.name}: {asked}: expected a host with its TCP port, or a serial port")
        framer_of(spec, 0)
        self.name = spec.name
        self._spec = spec
        self._observer = observer
        self._clock = clock
        self._state: tuple[LinkState, str] | None = None

    async def run(self) -> None:
        """Listen until cancelled. A peer that is down is reported to the observer, never raised."""
        wait_ns = 0
        try:
            while True:
                intake = _Intake(self)
                try:
                    transport = await self._connect(intake)
                except LinkError as exc:
                    self.report(LinkState.DOWN, str(exc))
                else:
                    await self._listen(intake, transport)
                wait_ns = 0 if intake.heard else min(max(2 * wait_ns, RECONNECT_FIRST_NS), RECONNECT_MAX_NS)
                await asyncio.sleep(max(wait_ns, RECONNECT_FIRST_NS) / NS_PER_S)
        finally:
            self.report(LinkState.DOWN, LISTENER_ENDED)

    def report(self, state: LinkState, why: str) -> None:
        """Tell the observer where something changed; a peer that stays away for days is one report, not thousands."""
        if self._state != (state, why):
            self._state = (state, why)
            self._observer.link_state(self.name, self._clock(), state, why)

    async def _connect(self, intake: _Intake) -> asyncio.BaseTransport:
        host, tcp_port = self._spec.host, self._spec.tcp_port
        if host is None or tcp_port is None:
            from harness.links.serial_port import open_to_listen

            assert self._spec.serial is not None  # noqa: S101 - held by __init__
            return await open_to_listen(self._spec.serial, _SerialSide(intake))
        where = f"{host}:{tcp_port}"
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                transport, _ = await asyncio.get_running_loop().create_connection(
                    lambda: _TcpSide(intake), host, tcp_port
                )
        except TimeoutError as exc:
            raise LinkError(f"{where}: no answer within {CONNECT_TIMEOUT_S:g} s; look at address and cable") from exc
        except OSError as exc:
            raise LinkError(f"{where}: cannot connect: {os_reason(exc)}; look at address and port") from exc
        return transport

    async def _listen(self, intake: _Intake, transport: asyncio.BaseTransport) -> None:
        """Until the connection is lost; it is closed in any case."""
        try:
            why = await asyncio.shield(intake.lost)
        except asyncio.CancelledError:
            transport.close()
            await asyncio.wait([intake.lost], timeout=CLOSE_TIMEOUT_S)
            raise
        self.report(LinkState.DOWN, why)

    def frame(self) -> Framer:
        """A framer for a connection that begins now."""
        return framer_of(self._spec, self._clock())

    def turn_noted_s(self) -> float:
        """How often a turn of the loop is noted."""
        if self._spec.framing is not Framing.IDLE_GAP:
            return TURN_NOTED_S
        return min(TURN_NOTED_S, self._spec.idle_gap_ns / TURNS_A_GAP / NS_PER_S)

    def now(self) -> int:
        """The present instant."""
        return self._clock()

    def connected_to(self) -> str:
        """What the link is connected to, for a person."""
        return self._spec.serial.port if self._spec.serial else f"{self._spec.host}:{self._spec.tcp_port}"

    def tell(self, found: Iterable[Message | NoLine]) -> None:
        """Hand on lines, and what did not become one."""
        for it in found:
            if isinstance(it, Message):
                self._observer.message(self.name, it.first_ns, it.last_ns, it.data)
            else:
                self._observer.dropped(self.name, it.at_ns, it.why, it.head)


class _Intake:
    """One connection, whichever kind: stamps what comes in, frames it, and reads no faster than is bearable."""

    def __init__(self, listener: TextListener) -> None:
        self._listener = listener
        self._framer = listener.frame()
        self._turn_noted_s = listener.turn_noted_s()
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.ReadTransport | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._resume: asyncio.TimerHandle | None = None
        self._turn_before_ns = self._turn_ns = 0
        self._waiting_since_ns: int | None = None
        self._window_s = 0.0
        self._in_window = 0
        self.heard = False
        self.lost: asyncio.Future[str] = self._loop.create_future()

    def made(self, transport: asyncio.BaseTransport) -> None:
        """The connection is there."""
        assert isinstance(transport, asyncio.ReadTransport)  # noqa: S101 - told to the type checker
        self._transport = transport
        self._framer = self._listener.frame()
        peer = transport.get_extra_info("socket")
        if peer is not None:
            _keep_alive(peer)
        self._turn_before_ns = self._turn_ns = self._listener.now()
        self._timer = self._loop.call_later(self._turn_noted_s, self._note_turn)
        self._listener.report(LinkState.UP, f"connected to {self._listener.connected_to()}")

    def received(self, data: bytes) -> None:
        """Bytes came in."""
        at_ns = self._listener.now()
        self.heard = True
        since_ns = self._turn_before_ns if self._waiting_since_ns is None else self._waiting_since_ns
        self._listener.tell(self._framer.receive(data, since_ns, at_ns))
        held_back = self._hold_back(len(data))
        # A read that fills what one read takes may have left something behind; so does one after which we wait.
        self._waiting_since_ns = since_ns if held_back or len(data) >= READ_BYTES - 1 else None

    def gone(self, exc: Exception | None) -> None:
        """The connection is lost, or was closed."""
        for handle in (self._timer, self._resume):
            if handle is not None:
                handle.cancel()
        cut = self._framer.cut_off(self._listener.now())
        if cut is not None:
            self._listener.tell([cut])
        if not self.lost.done():
            reason = "the other end closed it" if exc is None else str(exc)
            self.lost.set_result(f"{self._listener.connected_to()}: connection lost: {reason}")

    def _note_turn(self) -> None:
        """All that had come in at the turn noted before was read by now: the loop has looked at every socket since."""
        self._turn_before_ns, self._turn_ns = self._turn_ns, self._listener.now()
        if self._waiting_since_ns is None:
            self._listener.tell(self._framer.quiet(self._turn_before_ns))
        self._timer = self._loop.call_later(self._turn_noted_s, self._note_turn)

    def _hold_back(self, count: int) -> bool:
        """Count what was read; stop reading until the window ends where it was too much. True where it did."""
        now_s = self._loop.time()
        if now_s - self._window_s >= _INTAKE_WINDOW_S:
            self._window_s, self._in_window = now_s, 0
        self._in_window += count
        if self._in_window < INTAKE_BYTES_PER_S_MAX * _INTAKE_WINDOW_S or self._transport is None:
            return False
        self._transport.pause_reading()
        self._resume = self._loop.call_at(self._window_s + _INTAKE_WINDOW_S, self._read_on)
        return True

    def _read_on(self) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.resume_reading()


class _SerialSide(asyncio.Protocol):
    """What serialx calls."""

    def __init__(self, intake: _Intake) -> None:
        self._intake = intake

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._intake.made(transport)

    def data_received(self, data: bytes) -> None:
        self._intake.received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._intake.gone(exc)


class _TcpSide(asyncio.BufferedProtocol):
    """What asyncio calls; the buffer is ours, so that one read is never more than ``READ_BYTES``."""

    def __init__(self, intake: _Intake) -> None:
        self._intake = intake
        self._buffer = bytearray(READ_BYTES)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._intake.made(transport)

    def get_buffer(self, sizehint: int) -> bytearray:  # noqa: ARG002 - the interface is asyncio's
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        self._intake.received(bytes(self._buffer[:nbytes]))

    def connection_lost(self, exc: Exception | None) -> None:
        self._intake.gone(exc)


def _keep_alive(peer: socket.socket) -> None:
    """Let TCP ask whether the peer is still there, as often as this platform can be told."""
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in KEEP_ALIVE:
        option = getattr(socket, name, None)
        if option is not None:
            peer.setsockopt(socket.IPPROTO_TCP, option, value)
