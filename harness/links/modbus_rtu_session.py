"""The polling of a serial bus: units that do not answer are left alone, and doubtful answers are asked for again.

Requests of others are carried between two polls, each as soon as the line is free: a bus has one master.
"""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass
from typing import Final

from harness.core.errors import LinkError
from harness.core.instants import FOREVER, NS_PER_S
from harness.links.fine_timer import FineTimer
from harness.links.modbus_client import (
    Answer,
    AnswerTimeoutError,
    ExchangeError,
    MalformedAnswerError,
    RequestRefusedError,
)
from harness.links.modbus_polls import DevicePolls, Session, Wake
from harness.links.modbus_rtu_client import RtuClient, UnsureAnswerError
from harness.links.modbus_rtu_frames import BusRequest
from harness.links.modbus_rtu_owed import OWED_MAX, OwedAnswers
from harness.links.modbus_schedule import Poll

UNIT_BACK_OFF_MAX_NS: Final = 10 * NS_PER_S
"""The longest time for which a unit that does not answer is not asked: it comes back without anybody's doing, and
costs the others at most a time-out in every ten seconds."""
DOUBLINGS_MAX: Final = 40
"""More would only make numbers large."""
SILENT_POLLS_MAX: Final = 20
"""So many requests in a row without an answer of any unit, and a serial device server is taken for gone."""
NOT_ASKED: Final = "not asked while the unit does not answer"


@dataclass(slots=True, kw_only=True)
class _Unit:
    """A unit that did not answer: so many times in a row, and not asked before ``until_ns``."""

    unanswered: int = 0
    until_ns: int = 0


class Units:
    """Which units of a bus are left alone because they do not answer. Outlives connections."""

    def __init__(self, first_ns: int) -> None:
        """``first_ns``: for how long a unit is left alone after its first time-out."""
        self._first_ns = first_ns
        self._silent: dict[int, _Unit] = {}

    def answered(self, unit: int) -> None:
        """The unit is there."""
        self._silent.pop(unit, None)

    def timed_out(self, unit: int, given_up_ns: int) -> None:
        """The unit did not answer: it is left alone, after each time-out twice as long, up to the limit."""
        it = self._silent.setdefault(unit, _Unit())
        it.unanswered += 1
        doublings = min(it.unanswered - 1, DOUBLINGS_MAX)
        it.until_ns = given_up_ns + min(self._first_ns << doublings, max(UNIT_BACK_OFF_MAX_NS, self._first_ns))

    def is_left_alone(self, unit: int, now_ns: int) -> bool:
        """Whether the unit is not to be asked now."""
        it = self._silent.get(unit)
        return it is not None and now_ns < it.until_ns


class BusSession(Session):
    """The polling of one bus over one connection, one request at a time."""

    def __init__(
        self, polls: DevicePolls, client: RtuClient, owed: OwedAnswers, units: Units, timer: FineTimer
    ) -> None:
        """``client`` is connected already; ``owed`` and ``units`` outlive it."""
        super().__init__(polls, client)
        self._bus = client
        self._carried: deque[tuple[BusRequest, asyncio.Future[Answer]]] = deque()
        self._is_carrying = False
        self._is_through_server = client.times.port is None
        self._owed = owed
        self._units = units
        self._fine = timer
        self._again: Poll | None = None
        self._repeats = 0
        self._gave_up: dict[int, int] = {}
        self._blind_since: dict[int, int] = {}
        self._silent_polls = 0

    def carry(self, request: BusRequest) -> asyncio.Future[Answer]:
        """Send somebody else's request before the next poll, even to a unit that is left alone; await its Answer.

        The result raises ExchangeError, and any other LinkError where it was not sent. A request that was sent stays
        under way where its waiter is cancelled.
        """
        future: asyncio.Future[Answer] = self._loop.create_future()
        self._carried.append((request, future))
        self._go_on()
        return future

    def _wake_in(self, delay_ns: int) -> Wake:
        return self._fine.call_in(delay_ns, self._go_on)

    def _next_ns(self) -> int | None:
        if self._is_carrying:
            return None
        return -FOREVER if self._again is not None or self._carried else super()._next_ns()

    def _begin(self, now_ns: int) -> None:
        if self._again is not None:
            poll, self._again = self._again, None
            self._ask(poll, now_ns)
            return
        if self._carried:
            self._send_carried(*self._carried.popleft())
            return
        super()._begin(now_ns)

    def _send_carried(self, request: BusRequest, waiter: asyncio.Future[Answer]) -> None:
        if waiter.done():
            return
        self._is_carrying = True
        sent = self._bus.exchange(request, self._timeout_ns)
        sent.add_done_callback(lambda it: self._was_carried(request, waiter, it))

    def _was_carried(self, request: BusRequest, waiter: asyncio.Future[Answer], sent: asyncio.Future[Answer]) -> None:
        self._is_carrying = False
        exc = sent.exception()
        if exc is None or isinstance(exc, RequestRefusedError | MalformedAnswerError):
            self._units.answered(request.unit)
        elif isinstance(exc, AnswerTimeoutError):
            self._units.timed_out(request.unit, exc.given_up_ns)
        if not waiter.done():
            if exc is None:
                waiter.set_result(sent.result())
            else:
                waiter.set_exception(exc)
        self._go_on()

    def _ask(self, poll: Poll, now_ns: int) -> None:
        unit = poll.request.unit
        since_ns = self._blind_since.pop(poll.id, None)
        if self._units.is_left_alone(unit, now_ns):
            if since_ns is None:
                since_ns = self._gave_up.get(poll.id, now_ns)
            self._observer.poll_failed(poll.id, since_ns, now_ns, NOT_ASKED)
            self._blind_since[poll.id] = now_ns
            self._schedule.add(poll)
            return
        self._gave_up.pop(poll.id, None)
        if since_ns is not None:
            self._observer.poll_failed(poll.id, since_ns, now_ns, NOT_ASKED)
        spec = self._polls.spec
        gap_max = spec.gap_max_bits if poll.plan.table.is_bits else spec.gap_max_registers
        probe = self._owed.probe_for(poll.request, gap_max, now_ns)
        if probe is None:
            super()._ask(poll, now_ns)
            return
        future = self._client.read(probe, self._timeout_ns)
        self._outstanding[future] = (poll, now_ns)
        future.add_done_callback(self._probed)

    def _probed(self, future: asyncio.Future[Answer]) -> None:
        """A read that only tells whose the next answer is has its own answer, or has none."""
        exc = None if future.cancelled() else future.exception()
        outstanding = self._outstanding.pop(future, None)
        if outstanding is None:
            return
        try:
            if exc is None or isinstance(exc, RequestRefusedError):
                self._answered(outstanding[0])
                self._again = outstanding[0]
            else:
                self._failed(outstanding[0], exc)
        except Exception as crash:  # noqa: BLE001 - as for every other poll
            self._fail(crash)
            return
        self._go_on()

    def _put_back(self, poll: Poll, exc: ExchangeError) -> None:
        if isinstance(exc, UnsureAnswerError) and self._repeats < OWED_MAX:
            self._repeats += 1
            self._again = poll
            return
        self._repeats = 0
        if isinstance(exc, MalformedAnswerError):
            self._units.answered(poll.request.unit)
        self._schedule.add(poll)

    def _answered(self, poll: Poll) -> None:
        self._repeats = self._silent_polls = 0
        self._units.answered(poll.request.unit)

    def _timed_out(self, poll: Poll, exc: AnswerTimeoutError) -> None:
        self._units.timed_out(poll.request.unit, exc.given_up_ns)
        self._gave_up[poll.id] = exc.given_up_ns
        self._silent_polls += 1
        if self._silent_polls >= SILENT_POLLS_MAX and self._is_through_server:
            self._client.close(f"{exc.why}, nor of any other, {self._silent_polls} times in a row")

    def _stop(self) -> None:
        if self._again is not None:
            self._schedule.add(self._again)
            self._again = None
        super()._stop()
        now_ns = self._clock()
        while self._carried:
            _, waiter = self._carried.popleft()
            if not waiter.done():
                waiter.set_exception(LinkError("the bus went down before it was sent"))
        for block_id, since_ns in self._blind_since.items():
            if self._crash is None:
                self._observer.poll_failed(block_id, since_ns, now_ns, NOT_ASKED)
