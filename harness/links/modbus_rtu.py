"""The listener of a Modbus RTU bus: a serial port, or RTU frames through a serial device server. It builds no write.

Two ways, declared and never guessed. *Poll*: farend is the only master, and reads the points of all units on an
absolute schedule. *Receive-only*: the bus has a master; farend sends nothing and pairs what it overhears
(``modbus_rtu_receive``).

A unit that does not answer costs the others one time-out and the silence after it; then it is asked only after a
back-off, by one request at a time. Meanwhile all its blocks are reported as failed polls: blind time, without a gap.

Not shown on hardware: a pseudo-terminal has no parity error, no RTS, and keeps no silence within or between frames.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Final

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_S, Clock
from harness.core.links import BusWay, ModbusRtuLink
from harness.core.model import Point
from harness.core.places import ModbusPlace
from harness.links.base import LinkState, Observer
from harness.links.fine_timer import FineTimer
from harness.links.modbus_client import Answer
from harness.links.modbus_plan import BlockPlan
from harness.links.modbus_polls import DevicePolls
from harness.links.modbus_rtu_client import LineTimes, RtuClient
from harness.links.modbus_rtu_frames import BusRequest
from harness.links.modbus_rtu_owed import OwedAnswers
from harness.links.modbus_rtu_receive import Reads, Receiver
from harness.links.modbus_rtu_session import BusSession, Units
from harness.links.modbus_rtu_timing import BusTime
from harness.links.modbus_tcp import back_off_ns, was_useful
from harness.links.os_reasons import os_reason

CONNECT_TIMEOUT_S: Final = 5.0
CLOSE_TIMEOUT_S: Final = 2.0
CARRY_WAIT_S: Final = 5.0
"""How long a request that is to be carried waits for the bus to be up."""
FORGET_MIN_NS: Final = 60 * NS_PER_S
"""An answer that did not come for a minute never comes; for longer, where a bus is polled more slowly than that."""


class ModbusRtuListener:
    """Polls, or overhears, the units of one bus until cancelled; one of the links behind ``Link``.

    ``next_block_id`` gives ids that are unique in a run.
    """

    def __init__(
        self,
        spec: ModbusRtuLink,
        points: Iterable[Point],
        observer: Observer,
        clock: Clock,
        next_block_id: Callable[[], int],
        *,
        carries: bool = False,
    ) -> None:
        """Points of other links are passed over; without points nothing is listened to, unless it ``carries`` requests
        of others. Raises ValueError where the spec asks for what cannot be done.
        """
        _check(spec)
        self._carries = carries
        self._session: BusSession | None = None
        self._is_up = asyncio.Event()
        self.name = spec.name
        self._spec = spec
        self._observer = observer
        self._clock = clock
        places = (point.place for point in points if point.link == spec.name)
        modbus_places = tuple(place for place in places if isinstance(place, ModbusPlace))
        self._polls = DevicePolls(spec, modbus_places, observer, clock, next_block_id)
        self._next_block_id = next_block_id
        slow_ns = 4 * (spec.poll_period_ns + spec.timeout_ns + spec.quiet_ns)
        self._owed = OwedAnswers(max(FORGET_MIN_NS, slow_ns))
        self._times = LineTimes(port=spec.serial)
        # So long at least that one dead unit takes no more than half of the time, however many blocks it has.
        self._units = Units(max(spec.poll_period_ns, spec.timeout_ns + spec.quiet_ns))
        self._client: RtuClient | None = None
        self._up_since_ns = 0
        self._state: tuple[LinkState, str] | None = None

    @property
    def refused(self) -> frozenset[BlockPlan]:
        """The requests that a unit answered with exception 02 (illegal data address): not sent again."""
        return frozenset(self._polls.refused)

    @property
    def bus_time(self) -> BusTime:
        """Where the time of the bus went since the link came up; nothing of it is known where farend does not poll."""
        if self._client is None:
            return BusTime(polls=0, elapsed_ns=0, wire_ns=None, lost_ns=0)
        spent = self._client.spent
        return BusTime(
            polls=spent.polls,
            elapsed_ns=self._clock() - self._up_since_ns,
            wire_ns=None if self._spec.serial is None else spent.wire_ns,
            lost_ns=spent.lost_ns,
        )

    async def run(self) -> None:
        """Listen until cancelled. A bus that is down is reported to the observer, never raised."""
        if self._spec.way is BusWay.RECEIVE_ONLY:
            await self._receive()
        if not self._polls.places and not self._carries:
            return
        self._polls.plan()
        with FineTimer(self._clock) as timer:
            await self._poll(timer)

    async def carry(self, request: BusRequest) -> Answer:
        """Send somebody else's request between two polls. Raises ExchangeError where it gets no good answer, any other
        LinkError where it was not sent: the bus is not up, or is only overheard, so that farend is no master there.
        """
        with suppress(TimeoutError):
            async with asyncio.timeout(CARRY_WAIT_S):
                await self._is_up.wait()
        if self._session is None:
            raise LinkError(f"{where(self._spec)}: the bus is not up, so nothing was sent")
        return await self._session.carry(request)

    async def _poll(self, timer: FineTimer) -> None:
        wait_ns = 0
        while True:
            client = self._client = RtuClient(
                where(self._spec),
                self._clock,
                times=self._times,
                quiet_ns=self._spec.quiet_ns,
                owed=self._owed,
                dropped=self._dropped,
            )
            try:
                await connect(self._spec, client, to_ask=True)
            except LinkError as exc:
                self._report(LinkState.DOWN, str(exc))
            else:
                self._up_since_ns = self._clock()
                self._report(LinkState.UP, f"connected to {where(self._spec)}")
                session = BusSession(self._polls, client, self._owed, self._units, timer)
                self._session = session
                self._is_up.set()
                try:
                    self._report(LinkState.DOWN, await session.run())
                finally:
                    self._is_up.clear()
                    self._session = None
                    client.close()
                    with suppress(TimeoutError):
                        async with asyncio.timeout(CLOSE_TIMEOUT_S):
                            await client.wait_closed()
            if was_useful(client.counts):
                wait_ns = 0
            wait_ns = back_off_ns(wait_ns)
            await asyncio.sleep(wait_ns / NS_PER_S)

    async def _receive(self) -> None:
        wait_ns = 0
        reads = Reads(self.name, self._observer, self._next_block_id)
        while True:
            receiver = Receiver(self._spec, reads, self._clock, self._report)
            try:
                await connect(self._spec, receiver, to_ask=False)
            except LinkError as exc:
                self._report(LinkState.DOWN, str(exc))
            else:
                self._report(LinkState.UP, f"connected to {where(self._spec)}, receive-only")
                try:
                    self._report(LinkState.DOWN, await receiver.wait_closed())
                finally:
                    receiver.close()
                    with suppress(TimeoutError):
                        async with asyncio.timeout(CLOSE_TIMEOUT_S):
                            await receiver.wait_closed()
            wait_ns = back_off_ns(0 if receiver.heard else wait_ns)
            await asyncio.sleep(wait_ns / NS_PER_S)

    def _report(self, state: LinkState, why: str) -> None:
        """Tell the observer where something changed; a port that stays away for days is one report, not thousands."""
        if self._state != (state, why):
            self._state = (state, why)
            self._observer.link_state(self.name, self._clock(), state, why)

    def _dropped(self, at_ns: int, what: str, data: bytes) -> None:
        self._observer.dropped(self.name, at_ns, what, data)


def where(spec: ModbusRtuLink) -> str:
    """The port or the device server of a bus, for a person."""
    return spec.serial.port if spec.serial is not None else f"{spec.host}:{spec.tcp_port}"


async def connect(spec: ModbusRtuLink, protocol: asyncio.Protocol, *, to_ask: bool) -> asyncio.BaseTransport:
    """Connect ``protocol`` to the bus of ``spec``. LinkError, with what to look at next, where that fails."""
    if spec.serial is not None:
        from harness.links.serial_port import open_to_ask, open_to_listen

        return await (open_to_ask if to_ask else open_to_listen)(spec.serial, protocol)
    assert spec.host is not None  # noqa: S101 - held by _check
    assert spec.tcp_port is not None  # noqa: S101 - held by _check
    try:
        async with asyncio.timeout(CONNECT_TIMEOUT_S):
            loop = asyncio.get_running_loop()
            transport, _ = await loop.create_connection(lambda: protocol, spec.host, spec.tcp_port)
    except TimeoutError as exc:
        raise LinkError(
            f"{where(spec)}: no connection within {CONNECT_TIMEOUT_S:g} s; look at address and cable"
        ) from exc
    except OSError as exc:
        raise LinkError(f"{where(spec)}: cannot connect: {os_reason(exc)}; look at address and port") from exc
    return transport


def _check(spec: ModbusRtuLink) -> None:
    if (spec.host is None) == (spec.serial is None) or (spec.host is not None and spec.tcp_port is None):
        asked = f"host={spec.host} tcp_port={spec.tcp_port} serial={spec.serial}"
        raise ValueError(f"link {spec.name}: {asked}: expected a host with its TCP port, or a serial port")
    if spec.serial is not None and spec.serial.data_bits != 8:
        raise ValueError(f"link {spec.name}: data_bits={spec.serial.data_bits}: RTU frames have 8 (V1.02, 2.5.1)")
    polls = spec.way is BusWay.POLL
    if spec.timeout_ns <= 0 or spec.quiet_ns < 0 or spec.poll_period_ns < polls:
        times = f"poll_period_ns={spec.poll_period_ns} timeout_ns={spec.timeout_ns} quiet_ns={spec.quiet_ns}"
        raise ValueError(f"link {spec.name}: {times}: expected times above 0")
