"""Rigs of links that run over one TCP connection."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from crccheck.crc import CrcModbus
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import LineEnd, ModbusLink, ModbusRtuLink, ModbusTcpLink, TextLink
from harness.core.places import ModbusPlace, Numbering, Place, Table, TextPlace
from tests.conformance.rig import DEADLINE_NS, LINK, ORIGIN, Ears, Rig, clock
from tests.conformance.wire import TcpWire
from tests.peers.recorder import eventually

DELAY_NS: Final = 300 * NS_PER_MS
"""Longest delay of pushed paths here: what a busy machine takes from printing a line to having read it, and more."""


class TcpRig(Rig):
    """The faults of a TCP wire. Subclasses bring the peer: it has to listen on ``peer_port`` while running."""

    peer_port: int

    def __init__(self) -> None:
        self.wire = TcpWire(lambda: self.peer_port)
        self.passage = self.wire.passage
        self.shown = []

    async def refuse(self) -> None:
        await self.wire.refuse()

    async def admit(self) -> None:
        await self.wire.admit()

    def cut(self) -> None:
        self.wire.cut()

    def hold(self) -> None:
        self.wire.hold()

    def release(self) -> None:
        self.wire.release()

    def slow(self, seconds: float) -> None:
        self.wire.slow(seconds)

    def tear(self) -> None:
        self.wire.tear()

    def inject(self, data: bytes) -> None:
        self.wire.inject(data)

    def attempts_ns(self) -> list[int]:
        return [it.accepted_ns for it in self.wire.connections]

    def sent_by_listener(self) -> bytes:
        return self.wire.sent_by_listener

    def forget(self) -> None:
        super().forget()
        self.wire.connections = self.wire.open()

    def held_by_wire(self) -> int:
        return sum(it.near.transport.get_write_buffer_size() for it in self.wire.connections)

    def lost_unnoticed(self) -> bool:
        return any(it.lost_bytes for it in self.wire.open())

    async def until_left(self) -> None:
        await self.wire.until(lambda: not self.wire.open())


class ModbusTcpRig(TcpRig):
    """A discrete input of unit 1 of a Modbus TCP device, served by pymodbus. Unit 2 is somebody else."""

    name = "modbus-tcp"
    framer = FramerType.SOCKET

    def __init__(self) -> None:
        super().__init__()
        self._unit_asked = 1
        self._server: ModbusTcpServer | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        self._server = ModbusTcpServer(devices(), framer=self.framer, address=("127.0.0.1", 0))
        await self._server.serve_forever(background=True)
        self.peer_port = self._server.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]
        await self.wire.start()
        try:
            yield
        finally:
            await self.wire.stop()
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def spec(self) -> ModbusLink:
        return ModbusTcpLink(
            name=LINK,
            host="127.0.0.1",
            port=self.wire.port,
            numbering=Numbering.FROM_ZERO,
            poll_period_ns=10 * NS_PER_MS,
            timeout_ns=300 * NS_PER_MS,
            origin=ORIGIN,
        )

    def place(self) -> Place:
        return ModbusPlace(unit=self._unit_asked, table=Table.DISCRETE_INPUT, address=3)

    async def set_output(self, *, on: bool) -> Bounds:
        assert self._server is not None
        before = clock()
        await self._server.async_setValues(1, 2, 3, [on])
        return Bounds(before, clock())

    async def be_somebody_else(self) -> None:
        await self.show(on=True)
        self._unit_asked = 2

    async def until_well(self, ears: Ears) -> None:
        await ears.until_heard_since(clock())

    def check_sent(self, sent: bytes) -> None:
        """Requests of 12 bytes each, functions 1 to 4 only (Application Protocol V1.1b3, 6.1 to 6.4)."""
        assert sent
        assert len(sent) % 12 == 0
        assert {sent[at + 7] for at in range(0, len(sent), 12)} <= {1, 2, 3, 4}


class RtuTcpRig(ModbusTcpRig):
    """The same behind a serial device server: RTU frames over TCP."""

    name = "modbus-rtu+tcp"
    framer = FramerType.RTU

    def spec(self) -> ModbusLink:
        return rtu_link(host="127.0.0.1", tcp_port=self.wire.port)

    def check_sent(self, sent: bytes) -> None:
        check_rtu_sent(sent)


class TextTcpRig(TcpRig):
    """A printed log behind a serial device server. Another alarm's lines are somebody else's."""

    name = "text+tcp"
    is_pushed = True
    stays_silent = True
    flood_bytes = 1024 * 1024  # it is read no faster than the fastest serial line

    def __init__(self) -> None:
        super().__init__()
        self._server: asyncio.Server | None = None
        self._writers: list[asyncio.StreamWriter] = []

    async def until_joined(self, ears: Ears) -> None:
        await eventually(lambda: bool(self._writers) and len(self._writers) >= len(self.wire.open()) > 0)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.peer_port = self._server.sockets[0].getsockname()[1]
        await self.wire.start()
        try:
            yield
        finally:
            await self.wire.stop()
            self._server.close()
            for writer in self._writers:
                writer.transport.abort()
            await self._server.wait_closed()
            await eventually(lambda: not self._writers)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        with contextlib.suppress(OSError):
            while await reader.read(1000):
                pass
        self._writers.remove(writer)
        writer.close()

    def spec(self) -> TextLink:
        return TextLink(
            name=LINK,
            host="127.0.0.1",
            tcp_port=self.wire.port,
            line_end=LineEnd.CRLF,
            longest_delay_ns=DELAY_NS,
            promises_every_change=True,
            origin=ORIGIN,
        )

    def place(self) -> Place:
        return TextPlace(raised="RAISED TANK HIGH", cleared="CLEARED TANK HIGH")

    async def set_output(self, *, on: bool) -> Bounds:
        before = clock()
        self._print(b"RAISED" if on else b"CLEARED", b"TANK HIGH")
        return Bounds(before, clock())

    def inject(self, data: bytes) -> None:
        super().inject(data + b"\r\n")  # else the next line would be part of it, and lost with it

    async def prove_alive(self, ears: Ears, instant: int) -> None:
        await asyncio.sleep((DELAY_NS + 50 * NS_PER_MS) / NS_PER_S)  # an arrival is known to two turns of the loop
        self._print(b"LINE", b"OK")
        heard = ears.live
        assert await heard.wait_until(lambda: heard.last_message_ns(LINK) > instant + DELAY_NS, clock() + DEADLINE_NS)

    async def be_somebody_else(self) -> None:
        self._print(b"RAISED", b"TANK HIGH HIGH")

    def _print(self, word: bytes, text: bytes) -> None:
        for writer in self._writers:
            writer.write(word + b" " + text + b"\r\n")


def devices() -> list[SimDevice]:
    """Unit 1 as pymodbus serves it: all is off."""
    bits = [SimData(0, values=[False] * 32, datatype=DataType.BITS) for _ in range(2)]
    registers = [SimData(0, values=0, count=8, datatype=DataType.REGISTERS) for _ in range(2)]
    return [SimDevice(id=1, simdata=([bits[0]], [bits[1]], [registers[0]], [registers[1]]))]


def rtu_link(**way: object) -> ModbusRtuLink:
    """A bus that is polled every 10 ms."""
    return ModbusRtuLink(
        name=LINK,
        numbering=Numbering.FROM_ZERO,
        poll_period_ns=10 * NS_PER_MS,
        timeout_ns=300 * NS_PER_MS,
        quiet_ns=5 * NS_PER_MS,
        origin=ORIGIN,
        **way,  # type: ignore[arg-type]
    )


def check_rtu_sent(sent: bytes) -> None:
    """Requests of 8 bytes each, functions 1 to 4 only, with a right CRC (MODBUS over Serial Line V1.02, 2.5.1.2)."""
    assert sent
    assert len(sent) % 8 == 0
    for at in range(0, len(sent), 8):
        request = sent[at : at + 8]
        assert request[1] in {1, 2, 3, 4}, request
        assert CrcModbus.calc(request[:6]).to_bytes(2, "little") == request[6:], request
