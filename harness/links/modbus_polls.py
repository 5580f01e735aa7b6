"""The polls of one Modbus link: what is asked when (outlives a connection), and the asking over one connection.

Shared by Modbus TCP and by a serial bus on which farend is the master; what only one of them does is in its own module.
"""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import Callable
from typing import Final, Protocol

from harness.core.instants import NS_PER_S, Clock
from harness.core.links import ModbusLink
from harness.core.places import ModbusPlace
from harness.links.base import Block, Observer
from harness.links.modbus_client import (
    Answer,
    AnswerTimeoutError,
    ExchangeError,
    RequestRefusedError,
)
from harness.links.modbus_pdu import ExceptionCode, ReadRequest
from harness.links.modbus_plan import BlockPlan, plan_blocks, plan_probes, split
from harness.links.modbus_schedule import Poll, Schedule

PROBE_EVERY: Final = 4
"""In so many periods what is not mapped is read once: an alarm that was missed is held for longer than that."""

TIMEOUTS_IN_A_ROW_MAX: Final = 3
"""A gateway may drop requests to one dead unit and still serve the others; after this many with no answer at all
between them, the connection itself is taken for dead."""


class Client(Protocol):
    """What a session needs of a connection, whichever framing it has."""

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""

    @property
    def free_ns(self) -> int:
        """From when on the next request may be sent."""

    def read(self, request: ReadRequest, timeout_ns: int) -> asyncio.Future[Answer]:
        """Send a request now; await the result for the Answer. It raises ExchangeError."""

    async def wait_closed(self) -> str:
        """Wait for the end of the connection; returns why it ended."""

    def close(self, why: str = ...) -> None:
        """End the connection at once."""


class Wake(Protocol):
    """A callback that is going to be called."""

    def cancel(self) -> None:
        """It is not, after all."""


class DevicePolls:
    """The blocks of one link and their schedule. ``refused``: what was answered with exception 02."""

    def __init__(
        self,
        spec: ModbusLink,
        places: tuple[ModbusPlace, ...],
        observer: Observer,
        clock: Clock,
        next_block_id: Callable[[], int],
    ) -> None:
        self.spec = spec
        self.places = places
        self.observer = observer
        self.clock = clock
        self.refused: set[BlockPlan] = set()
        self.has_one_unit = len({place.unit for place in places}) == 1
        rate = spec.requests_per_s_max
        self.schedule = Schedule(spec.poll_period_ns, round(NS_PER_S / rate) if rate else 0)
        self._next_block_id = next_block_id

    def plan(self) -> None:
        """Put all blocks on the schedule: spread over the period, from a phase that the link's name gives."""
        spec, period_ns = self.spec, self.spec.poll_period_ns
        plans = plan_blocks(self.places, spec.gap_max_bits, spec.gap_max_registers, self.refused)
        now_ns = self.clock()
        phase_ns = zlib.crc32(spec.name.encode()) % period_ns
        for number, plan in enumerate(plans):
            self._add(plan, now_ns + (phase_ns + number * period_ns // len(plans)) % period_ns)
        probes, probe_period_ns = plan_probes(self.places, spec.probe_around), PROBE_EVERY * period_ns
        for number, plan in enumerate(probes):
            self._add(
                plan, now_ns + (phase_ns + number * probe_period_ns // len(probes)) % probe_period_ns, PROBE_EVERY
            )

    def give_up(self, poll: Poll) -> None:
        """What is not mapped and was not answered is not asked for again."""
        self.refused.add(poll.plan)

    def split(self, poll: Poll) -> None:
        """The device refused this block with exception 02: smaller ones from now on, and remember."""
        self.refused.add(poll.plan)
        parts = split(poll.plan, self.places)
        if parts == (poll.plan,):
            self.schedule.add(poll)
            return
        for part in parts:
            # Due at once: until they are answered, their points are blind.
            self._add(part, poll.due_ns - self.schedule.period_ns)

    def _add(self, plan: BlockPlan, due_ns: int, every: int = 1) -> None:
        request = ReadRequest(unit=plan.unit, table=plan.table, address=plan.address, count=plan.count)
        block = Block(
            id=self._next_block_id(),
            link=self.spec.name,
            unit=plan.unit,
            table=plan.table,
            address=plan.address,
            count=plan.count,
        )
        self.observer.block(block)
        self.schedule.add(Poll(id=block.id, plan=plan, request=request, due_ns=due_ns, every=every))


class Session:
    """The polling over one connection. Driven by callbacks: a task for each poll would cost more than the poll."""

    def __init__(self, polls: DevicePolls, client: Client, in_flight_max: int = 1) -> None:
        """``client`` is connected already. ``in_flight_max``: requests outstanding at once."""
        self._polls = polls
        self._client = client
        self._schedule = polls.schedule
        self._observer = polls.observer
        self._clock = polls.clock
        self._in_flight_max = in_flight_max
        self._timeout_ns = polls.spec.timeout_ns
        self._loop = asyncio.get_running_loop()
        self._outstanding: dict[asyncio.Future[Answer], tuple[Poll, int]] = {}
        self._timer: Wake | None = None
        self._timeouts_in_a_row = 0
        self._crash: Exception | None = None

    async def run(self) -> str:
        """Poll until the connection ends; returns why it ended. Raises what an observer raised."""
        self._schedule.skip_ahead(self._clock())
        try:
            self._go_on()
            why = await self._client.wait_closed()
        finally:
            self._stop()
        if self._crash is not None:
            raise self._crash
        return why

    def _go_on(self) -> None:
        """Begin every poll that is due and allowed, then set the timer for the next one."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        try:
            while len(self._outstanding) < self._in_flight_max and self._client.is_open:
                next_ns = self._next_ns()
                if next_ns is None:
                    return
                now_ns = self._clock()
                next_ns = max(next_ns, self._client.free_ns)
                if next_ns > now_ns:
                    self._timer = self._wake_in(next_ns - now_ns)
                    return
                self._begin(now_ns)
        except Exception as exc:  # noqa: BLE001 - run() raises it; the event loop would only log it and go on
            self._fail(exc)

    def _next_ns(self) -> int | None:
        """From when on the next poll may begin, as far as the schedule goes; None where none is waiting."""
        return self._schedule.next_ns()

    def _wake_in(self, delay_ns: int) -> Wake:
        """Go on after ``delay_ns``."""
        return self._loop.call_later(delay_ns / NS_PER_S, self._go_on)

    def _begin(self, now_ns: int) -> None:
        poll, overrun_due_ns = self._schedule.begin(now_ns)
        self._ask(poll, now_ns)
        if overrun_due_ns is not None:
            self._observer.overrun(self._polls.spec.name, overrun_due_ns, now_ns)

    def _ask(self, poll: Poll, now_ns: int) -> None:
        future = self._client.read(poll.request, self._timeout_ns)
        self._outstanding[future] = (poll, now_ns)
        future.add_done_callback(self._ended)

    def _ended(self, future: asyncio.Future[Answer]) -> None:
        """A poll has its answer, or will never have one."""
        exc = None if future.cancelled() else future.exception()
        outstanding = self._outstanding.pop(future, None)
        if outstanding is None:
            return
        poll = outstanding[0]
        try:
            if exc is None:
                asked_ns, told_ns, payload = future.result()
                self._answered(poll)
                self._schedule.add(poll)
                self._observer.poll(poll.id, asked_ns, told_ns, payload)
            else:
                self._failed(poll, exc)
        except Exception as crash:  # noqa: BLE001 - as above
            self._fail(crash)
            return
        self._go_on()

    def _failed(self, poll: Poll, exc: BaseException) -> None:
        if not isinstance(exc, ExchangeError):
            raise exc
        if poll.is_probe:
            self._probe_failed(poll, exc)
            return
        self._observer.poll_failed(poll.id, exc.asked_ns, exc.given_up_ns, exc.why)
        if isinstance(exc, RequestRefusedError):
            self._answered(poll)
            if exc.code == ExceptionCode.ILLEGAL_DATA_ADDRESS:
                self._polls.split(poll)
                return
        if isinstance(exc, AnswerTimeoutError):
            self._timed_out(poll, exc)
        self._put_back(poll, exc)

    def _probe_failed(self, poll: Poll, exc: ExchangeError) -> None:
        """What is refused is no failure of the link. What had no answer is one, and is not asked for again either."""
        self._polls.give_up(poll)
        if isinstance(exc, RequestRefusedError):
            self._answered(poll)
            return
        self._observer.poll_failed(poll.id, exc.asked_ns, exc.given_up_ns, exc.why)
        if isinstance(exc, AnswerTimeoutError):
            self._timed_out(poll, exc)

    def _put_back(self, poll: Poll, exc: ExchangeError) -> None:  # noqa: ARG002 - a bus looks at why
        """A poll without a usable answer goes back on the schedule."""
        self._schedule.add(poll)

    def _answered(self, poll: Poll) -> None:  # noqa: ARG002 - a bus looks at the unit
        """The device answered a poll, be it with an exception."""
        self._timeouts_in_a_row = 0

    def _timed_out(self, poll: Poll, exc: AnswerTimeoutError) -> None:  # noqa: ARG002 - a bus looks at the unit
        """A poll had no answer in time."""
        self._timeouts_in_a_row += 1
        if self._polls.has_one_unit:
            # Devices exist that label their late answers with newer transaction identifiers; on a new
            # connection no late answer can arrive. With several units behind a gateway the others would suffer.
            self._client.close(f"{exc.why}; connection renewed so that no late answer is taken for a newer one")
        elif self._timeouts_in_a_row >= TIMEOUTS_IN_A_ROW_MAX:
            self._client.close(f"{exc.why}, {self._timeouts_in_a_row} times in a row")

    def _fail(self, exc: Exception) -> None:
        self._crash = self._crash or exc
        self._client.close("the run cannot go on")

    def _stop(self) -> None:
        """Whatever is outstanding stays without an answer; that is put on record before anything else ends."""
        if self._timer is not None:
            self._timer.cancel()
        outstanding, self._outstanding = self._outstanding, {}
        for future, (poll, _) in outstanding.items():
            future.cancel()
            self._schedule.add(poll)
        self._client.close()
        for poll, begun_ns in outstanding.values():
            if self._crash is None:
                self._observer.poll_failed(poll.id, begun_ns, self._clock(), "stopped before the answer came")
