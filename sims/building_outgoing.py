"""Notifications on their way out: to each recipient in order, confirmed ones until they are answered or given up.

A recipient that does not answer delays only its own notifications: there is one queue for each. One confirmed
notification is under way to a recipient at a time, so that a repeated one never overtakes a newer one.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

PENDING_MAX: Final = 256  # to one recipient; four changes of every object. The oldest goes, and the truth log says so

Recipient = tuple[str, int]  # IPv4 address and UDP port
About = Mapping[str, Any]  # what the truth log is to say of a notification
Encode = Callable[[int], bytes]  # the APDU with the given invoke identifier; unconfirmed ones ignore it


class Timers(Protocol):
    """The part of an event loop that is needed."""

    def call_later(self, delay: float, callback: Callable[..., object], /, *args: Any) -> asyncio.TimerHandle: ...


class Log(Protocol):
    """Told of each datagram, and of how each confirmed notification ended."""

    def sent(self, about: About, recipient: Recipient, invoke_id: int | None, attempt: int, data: bytes) -> None: ...

    def ended(self, about: About, recipient: Recipient, invoke_id: int | None, outcome: str) -> None: ...


@dataclass(slots=True, kw_only=True)
class _Confirmed:
    encode: Encode
    about: About
    invoke_id: int | None = None
    attempt: int = 0
    timer: asyncio.TimerHandle | None = None


@dataclass(slots=True, kw_only=True)
class _Queue:
    waiting: deque[_Confirmed] = field(default_factory=deque)
    under_way: _Confirmed | None = None
    next_invoke_id: int = 0


class Outgoing:
    """Sends notifications. ``log.sent`` does the sending: it alone stamps what it hands to the socket."""

    def __init__(self, log: Log, timers: Timers, *, timeout_s: float, retries: int) -> None:
        """APDU_Timeout and Number_Of_APDU_Retries, as the device object shows them."""
        self._log = log
        self._timers = timers
        self._timeout_s = timeout_s
        self._retries = retries
        self._queues: dict[Recipient, _Queue] = {}

    def unconfirmed(self, recipient: Recipient, encode: Encode, about: About) -> None:
        """Send now; nobody says whether it arrives."""
        self._log.sent(about, recipient, None, 1, encode(0))

    def confirmed(self, recipient: Recipient, encode: Encode, about: About) -> None:
        """Send after all that was to be sent to this recipient before."""
        queue = self._queues.setdefault(recipient, _Queue())
        if len(queue.waiting) >= PENDING_MAX:
            self._log.ended(queue.waiting.popleft().about, recipient, None, "dropped")
        queue.waiting.append(_Confirmed(encode=encode, about=about))
        if queue.under_way is None:
            self._next(recipient, queue)

    def answered(self, sender: Recipient, invoke_id: int, outcome: str) -> bool:
        """Someone answered a confirmed request: whether it was ours. ``outcome``: acked, error, reject or abort."""
        queue = self._queues.get(sender)
        if queue is None or queue.under_way is None or queue.under_way.invoke_id != invoke_id:
            return False
        self._end(sender, queue, outcome)
        return True

    @property
    def pending(self) -> int:
        """How many confirmed notifications are not yet answered."""
        return sum(len(queue.waiting) + (queue.under_way is not None) for queue in self._queues.values())

    def close(self) -> None:
        """Send nothing any more."""
        for queue in self._queues.values():
            if queue.under_way is not None and queue.under_way.timer is not None:
                queue.under_way.timer.cancel()
        self._queues.clear()

    def _next(self, recipient: Recipient, queue: _Queue) -> None:
        if not queue.waiting:
            return
        queue.under_way = request = queue.waiting.popleft()
        request.invoke_id = queue.next_invoke_id
        queue.next_invoke_id = (queue.next_invoke_id + 1) % 256
        self._attempt(recipient, queue, request)

    def _attempt(self, recipient: Recipient, queue: _Queue, request: _Confirmed) -> None:
        assert request.invoke_id is not None  # noqa: S101 - given before the first attempt
        request.attempt += 1
        request.timer = self._timers.call_later(self._timeout_s, self._timed_out, recipient, queue, request)
        data = request.encode(request.invoke_id)
        self._log.sent(request.about, recipient, request.invoke_id, request.attempt, data)

    def _timed_out(self, recipient: Recipient, queue: _Queue, request: _Confirmed) -> None:
        if request.attempt > self._retries:
            self._end(recipient, queue, "given-up")
        else:
            self._attempt(recipient, queue, request)

    def _end(self, recipient: Recipient, queue: _Queue, outcome: str) -> None:
        request = queue.under_way
        assert request is not None  # noqa: S101 - only ends what is under way
        if request.timer is not None:
            request.timer.cancel()
        queue.under_way = None
        self._log.ended(request.about, recipient, request.invoke_id, outcome)
        self._next(recipient, queue)
