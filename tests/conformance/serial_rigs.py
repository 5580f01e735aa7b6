"""Rigs of links that run over a serial port: a pseudo-terminal that can be unplugged."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Final

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.server import ModbusSerialServer, ModbusTcpServer

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BusWay, LineEnd, ModbusRtuLink, SerialPort, TextLink
from harness.core.places import ModbusPlace, Place, Table, TextPlace
from tests.conformance.pty_wire import PtyWire
from tests.conformance.rig import DEADLINE_NS, LINK, ORIGIN, Ears, Rig, clock
from tests.conformance.tcp_rigs import DELAY_NS, check_rtu_sent, devices, rtu_link
from tests.peers.recorder import eventually

BAUD: Final = 115_200
LINE_BYTES_PER_S: Final = BAUD // 11


class SerialRig(Rig):
    """The faults of a serial line. Subclasses bring what is behind it."""

    flood_bytes = 20 * LINE_BYTES_PER_S  # as much as the line can carry in 20 s

    def __init__(self) -> None:
        self.wire = PtyWire(self.from_listener)
        self.passage = self.wire.passage
        self.shown = []

    def from_listener(self, data: bytes) -> None:
        """What the listener sends, where it may."""

    def port(self) -> SerialPort:
        """The port as it is opened."""
        return SerialPort(port=self.wire.path, baud=BAUD, parity="even")

    async def refuse(self) -> None:
        self.wire.refuse()

    async def admit(self) -> None:
        self.wire.admit()

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
        return self.wire.opened_ns

    def sent_by_listener(self) -> bytes:
        return bytes(self.wire.sent_by_listener)

    def forget(self) -> None:
        super().forget()
        self.wire.opened_ns.clear()
        self.wire.sent_by_listener.clear()

    def held_by_wire(self) -> int:
        return self.wire.waiting_bytes

    async def until_left(self) -> None:
        await eventually(lambda: not self.wire.is_open())


class RtuPtyRig(SerialRig):
    """A discrete input of unit 1 on a bus, served by pymodbus on a pseudo-terminal of its own. Unit 2 is nobody."""

    name = "modbus-rtu+pty"

    def __init__(self) -> None:
        super().__init__()
        self._unit_asked = 1
        self._far = -1
        self._server: ModbusSerialServer | None = None

    def from_listener(self, data: bytes) -> None:
        os.write(self._far, data)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        with _bridge(self.wire) as (self._far, port):
            self._server = ModbusSerialServer(devices(), framer=FramerType.RTU, port=port, baudrate=BAUD)
            await self._server.serve_forever(background=True)
            self.wire.start()
            try:
                yield
            finally:
                self.wire.stop()
                await self._server.shutdown()  # type: ignore[no-untyped-call]

    def spec(self) -> ModbusRtuLink:
        return rtu_link(serial=self.port())

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
        check_rtu_sent(sent)


class RtuTapRig(SerialRig):
    """Receive-only on a bus: pymodbus is its master and its unit 1, and what both send comes in through a tap."""

    name = "modbus-rtu+tap"
    stays_silent = True
    slow_s = 0.000_2
    cycles = 15  # its master polls on all the while

    def __init__(self) -> None:
        super().__init__()
        self._unit_asked = 1
        self._server: ModbusTcpServer | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        server = self._server = ModbusTcpServer(devices(), framer=FramerType.RTU, address=("127.0.0.1", 0))
        await server.serve_forever(background=True)
        unit_port = server.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]
        self.wire.start()
        ways: list[asyncio.Task[None]] = []

        async def tapped(near: asyncio.StreamReader, near_out: asyncio.StreamWriter) -> None:
            far, far_out = await asyncio.open_connection("127.0.0.1", unit_port)
            ways.append(asyncio.create_task(self._pass_on(near, far_out), name="wire: to the unit"))
            ways.append(asyncio.create_task(self._pass_on(far, near_out), name="wire: to the master"))

        bus = await asyncio.start_server(tapped, "127.0.0.1", 0)
        master = asyncio.create_task(self._poll(bus.sockets[0].getsockname()[1]), name="wire: master of the bus")
        try:
            yield
        finally:
            master.cancel()
            await asyncio.wait([master])
            bus.close()
            await bus.wait_closed()
            await asyncio.wait(ways)
            self.wire.stop()
            await server.shutdown()  # type: ignore[no-untyped-call]

    async def _poll(self, port: int) -> None:
        """The master: it reads every 10 ms."""
        client = AsyncModbusTcpClient("127.0.0.1", port=port, framer=FramerType.RTU, timeout=1, retries=0)
        try:
            assert await client.connect()
            while True:
                await client.read_discrete_inputs(3, count=1, device_id=1)
                await asyncio.sleep(0.01 if self.wire.is_plugged else 0.5)
        finally:
            client.close()

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(1000):
                self.wire.to_listener(data)
                writer.write(data)
        finally:
            writer.close()
            await writer.wait_closed()

    def spec(self) -> ModbusRtuLink:
        return rtu_link(serial=self.port(), way=BusWay.RECEIVE_ONLY)

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


class TextPtyRig(SerialRig):
    """A printed log on a serial port. Another alarm's lines are somebody else's."""

    name = "text+pty"
    is_pushed = True
    stays_silent = True
    faults = ("refuse", "slow", "garbage", "cut")
    unnoticed = {  # noqa: RUF012 - as declared by Rig
        "hold": "who only receives cannot tell a cable that is out from a printer that is silent: 'promises every "
        "change' promises the cable too",
        "tear": "a byte that a serial line loses leaves a line that reads like one of another alarm: 'promises every "
        "change' promises the line too",
    }

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        self.wire.start()
        try:
            yield
        finally:
            self.wire.stop()

    def spec(self) -> TextLink:
        return TextLink(
            name=LINK,
            serial=self.port(),
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
        self.wire.to_listener(word + b" " + text + b"\r\n")


@contextmanager
def _bridge(wire: PtyWire) -> Iterator[tuple[int, str]]:
    """A pseudo-terminal whose near end is ``wire``: where to write for it, and the port that a peer opens."""
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    loop = asyncio.get_running_loop()
    loop.add_reader(ours, lambda: wire.to_listener(os.read(ours, 1000)))
    try:
        yield ours, os.ttyname(theirs)
    finally:
        loop.remove_reader(ours)
        os.close(ours)
        os.close(theirs)
