"""A small strict Modbus TCP client: one connection, stamped answers, nothing credited that does not fit.

Answers are matched by transaction identifier alone and then checked byte for byte. A late answer is counted and
dropped; its identifier is not used again on this connection before it came, so that it can never be taken for the
answer to a later request. Nothing is ever sent twice. A client is good for one connection: make another to reconnect.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple, cast

from harness.core.errors import LinkError
from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Clock
from harness.links.modbus_pdu import (
    TRANSACTIONS,
    ExceptionAnswer,
    Frame,
    FrameSplitter,
    GoodAnswer,
    ReadRequest,
    Request,
    check_answer,
    exception_name,
)
from harness.links.os_reasons import os_reason

CONNECT_TIMEOUT_NS: Final = 3 * NS_PER_S
"""A connection on a local network opens in milliseconds; three seconds allow for one lost and repeated SYN."""
IN_FLIGHT_MAX: Final = 64
"""Requests outstanding on one connection; devices take 1 to 16 (TCP guide V1.0b, 4.4, NumberMaxOfServerTransaction)."""
OWED_MAX: Final = 256
"""Given-up requests whose answers may still come. A device that owes more is not answering: the connection is ended."""
DROPPED_MAX: Final = 256
"""Frames that nobody asked for, on one connection. A device that sends more talks nonsense: the connection is ended."""
DROPPED_BYTES_MAX: Final = 64
TRANSACTION_FACTOR: Final = 42_201
"""Identifiers follow each other by x -> x * 42201 + 1 modulo 65536, which goes through all of them (any factor that is
1 modulo 4 does: Knuth, The Art of Computer Programming 2, 3.2.1.2, theorem A). Counted up, they would lie beside each
other, and a device that labels answers by a counter of its own could hit another request that is in flight."""
TIMER_STEP_NS: Final = NS_PER_MS
"""Deadlines are kept to this: some event loops have no finer timer."""


class ExchangeError(LinkError):
    """A request without a usable answer: blind from ``asked_ns`` to ``given_up_ns``. ``why`` is fit for a record."""

    def __init__(self, why: str, *, asked_ns: int, given_up_ns: int) -> None:
        self.why = why
        self.asked_ns = asked_ns
        self.given_up_ns = given_up_ns
        super().__init__(why)


class AnswerTimeoutError(ExchangeError):
    """No answer in time. It may still come; then it is counted and dropped."""


class RequestRefusedError(ExchangeError):
    """The device answered with an exception. ``code`` as it came."""

    def __init__(self, code: int, *, asked_ns: int, given_up_ns: int) -> None:
        self.code = code
        super().__init__(exception_name(code), asked_ns=asked_ns, given_up_ns=given_up_ns)


class MalformedAnswerError(ExchangeError):
    """The answer came and does not fit the request."""


class ConnectionLostError(ExchangeError):
    """The connection ended before the answer came, or was gone already."""


class Answer(NamedTuple):
    """A good answer. A named tuple because one is made for every poll, and it costs half of a frozen dataclass.

    ``asked_ns``: just before the first byte of the request went out. ``told_ns``: just after the last byte of the
    answer came in. ``payload``: the bytes after the byte count.
    """

    asked_ns: int
    told_ns: int
    payload: bytes


@dataclass(slots=True, kw_only=True)
class Counts:
    """What one connection has seen so far."""

    answered: int = 0
    timed_out: int = 0
    refused: int = 0
    malformed: int = 0
    late: int = 0
    unasked: int = 0


Dropped = Callable[[int, str, bytes], None]
"""Called with the instant, what was dropped and why, and its first bytes."""

_Waiting = tuple["asyncio.Future[Answer]", Request, int, int]
"""Who waits, for the answer to what, asked when, given up when."""


class ModbusClient(asyncio.Protocol):
    """One connection to one Modbus TCP device. ``dropped`` hears of every frame that was not credited."""

    def __init__(
        self, host: str, port: int, clock: Clock, *, dropped: Dropped | None = None, last_transaction: int = 0
    ) -> None:
        """``last_transaction``: of the connection before this one, so that an old answer which a gateway sends on the
        new connection fits nothing.
        """
        self.host = host
        self.port = port
        self.counts = Counts()
        self.free_ns = 0
        """From when on the next request may be sent: at once."""
        self._clock = clock
        self._dropped = dropped
        self._loop: asyncio.AbstractEventLoop | None = None
        self._transport: asyncio.Transport | None = None
        self._write: Callable[[bytes], None] | None = None
        self._splitter = FrameSplitter()
        self._in_frame = False
        self._pending: dict[bytes, _Waiting] = {}
        self._owed: set[bytes] = set()
        self.last_transaction = last_transaction
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at_ns = FOREVER
        self._why = ""
        self._closed: asyncio.Future[str] | None = None

    # --- opening and closing ---

    async def connect(self, timeout_ns: int = CONNECT_TIMEOUT_NS) -> None:
        """Open the connection. Raises LinkError where that fails, with what to look at next."""
        if self._loop is not None:
            raise LinkError(f"{self.host}:{self.port}: a client is good for one connection; make another to reconnect")
        self._loop = asyncio.get_running_loop()
        self._closed = self._loop.create_future()
        try:
            async with asyncio.timeout(timeout_ns / NS_PER_S):
                await self._loop.create_connection(lambda: self, self.host, self.port)
        except TimeoutError as exc:
            raise LinkError(
                f"{self.host}:{self.port}: no connection within {timeout_ns / NS_PER_S:g} s; "
                "check the address, the cable, and whether a firewall swallows the port"
            ) from exc
        except OSError as exc:
            raise LinkError(
                f"{self.host}:{self.port}: no connection: {os_reason(exc)}; "
                "check the address and that the device has a socket free"
            ) from exc

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._transport is not None

    async def wait_closed(self) -> str:
        """Wait for the end of the connection, whoever ends it; returns why it ended."""
        if self._closed is None:
            raise LinkError(f"{self.host}:{self.port}: wait_closed() before connect()")
        return await asyncio.shield(self._closed)

    def close(self, why: str = "closed by us") -> None:
        """End the connection at once; whoever waits for an answer gets ConnectionLostError."""
        if self._transport is not None:
            self._why = self._why or why
            transport, self._transport, self._write = self._transport, None, None
            transport.abort()
            self._fail_pending()

    # --- asking ---

    def exchange(self, request: Request, timeout_ns: int) -> asyncio.Future[Answer]:
        """Send a request now; await the result for the Answer.

        The result raises AnswerTimeoutError, RequestRefusedError, MalformedAnswerError or ConnectionLostError, each
        with its instants; the call itself raises ConnectionLostError where the connection is gone already.
        Several requests may be in flight. One whose waiter is cancelled stays on the books until its answer came.
        """
        pending, write = self._pending, self._write
        if write is None or self._loop is None:
            raise self._lost(self._clock())
        if len(pending) >= IN_FLIGHT_MAX:
            raise LinkError(f"{self.host}:{self.port}: {len(pending)} requests in flight, at most {IN_FLIGHT_MAX}")
        while True:
            transaction = self.last_transaction = (self.last_transaction * TRANSACTION_FACTOR + 1) % TRANSACTIONS
            key = transaction.to_bytes(2, "big")
            if key not in pending and key not in self._owed:
                break
        future: asyncio.Future[Answer] = self._loop.create_future()
        asked_ns = self._clock()
        deadline_ns = asked_ns + timeout_ns
        pending[key] = (future, request, asked_ns, deadline_ns)
        write(key + request.tail)
        if deadline_ns < self._timer_at_ns:
            self._arm(deadline_ns, asked_ns)
        return future

    def read(self, request: ReadRequest, timeout_ns: int) -> asyncio.Future[Answer]:
        """``exchange`` as those who only listen see it: a read request is all that it takes."""
        return self.exchange(request, timeout_ns)

    # --- the event loop calls these ---

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._write = self._transport.write
        sock = transport.get_extra_info("socket")
        if sock is not None:
            # Nagle's algorithm would hold back a request that is sent while another is in flight.
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def data_received(self, data: bytes) -> None:
        told_ns = self._clock()
        key = data[:2]
        waiting = None if self._in_frame else self._pending.get(key)
        if waiting is not None:
            future, request, asked_ns, _ = waiting
            head = request.answer_head
            # The usual case, one whole good answer, in two comparisons; all else goes the long way round.
            if len(data) == request.answer_bytes and data.startswith(head, 2):
                del self._pending[key]
                self.counts.answered += 1
                if not future.done():
                    # As Answer(...), in half the time; this line runs for every poll.
                    future.set_result(tuple.__new__(Answer, (asked_ns, told_ns, data[2 + len(head) :])))
                return
        for frame in self._splitter.feed(data):
            self._take(frame, told_ns)
            if self._transport is None:
                return
        self._in_frame = self._splitter.held != b""
        if self._splitter.broken is not None:
            self._drop(told_ns, self._splitter.broken, self._splitter.held)
            self.close(self._splitter.broken)

    def eof_received(self) -> None:
        self._why = self._why or "the device closed the connection"

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = self._write = None
        if not self._why:
            text = getattr(exc, "strerror", None) or str(exc)
            self._why = "the connection ended" if exc is None else f"the connection broke: {text}"
        self._fail_pending()
        if self._closed is not None and not self._closed.done():
            self._closed.set_result(self._why)

    # --- answers ---

    def _take(self, frame: Frame, told_ns: int) -> None:
        waiting = self._pending.pop(frame.transaction, None)
        if waiting is None:
            self._take_unexpected(frame, told_ns)
            return
        future, request, asked_ns, _ = waiting
        event = check_answer(request, frame)
        error: ExchangeError
        if isinstance(event, GoodAnswer):
            self.counts.answered += 1
            if not future.done():
                future.set_result(Answer(asked_ns, told_ns, event.payload))
            return
        if isinstance(event, ExceptionAnswer):
            self.counts.refused += 1
            error = RequestRefusedError(event.code, asked_ns=asked_ns, given_up_ns=told_ns)
        else:
            self.counts.malformed += 1
            self._drop(told_ns, event.what, frame.raw)
            error = MalformedAnswerError(event.what, asked_ns=asked_ns, given_up_ns=told_ns)
        if not future.done():
            future.set_exception(error)
        if not isinstance(event, ExceptionAnswer) and event.torn:
            self.close(event.what)

    def _take_unexpected(self, frame: Frame, told_ns: int) -> None:
        number = int.from_bytes(frame.transaction, "big")
        if frame.transaction in self._owed:
            self._owed.discard(frame.transaction)
            self.counts.late += 1
            self._drop(told_ns, f"late answer to transaction {number}, which was given up", frame.raw)
            return
        self.counts.unasked += 1
        self._drop(told_ns, f"answer to transaction {number}, which is not open", frame.raw)
        if self.counts.unasked > DROPPED_MAX:
            self.close(f"more than {DROPPED_MAX} answers that nobody asked for")

    def _drop(self, at_ns: int, what: str, data: bytes) -> None:
        if self._dropped is not None:
            self._dropped(at_ns, what, data[:DROPPED_BYTES_MAX])

    # --- deadlines: one timer for the whole connection, moved only when it has to ring earlier ---

    def _arm(self, deadline_ns: int, now_ns: int) -> None:
        if self._loop is None:
            return
        if self._timer is not None:
            self._timer.cancel()
        self._timer_at_ns = deadline_ns
        self._timer = self._loop.call_later(max(deadline_ns - now_ns, TIMER_STEP_NS) / NS_PER_S, self._expire)

    def _expire(self) -> None:
        self._timer, self._timer_at_ns = None, FOREVER
        now_ns, nearest_ns = self._clock(), FOREVER
        for key, (future, _, asked_ns, deadline_ns) in tuple(self._pending.items()):
            if deadline_ns > now_ns:
                nearest_ns = min(nearest_ns, deadline_ns)
                continue
            del self._pending[key]
            self._owed.add(key)
            self.counts.timed_out += 1
            if not future.done():
                why = f"no answer within {(deadline_ns - asked_ns) / NS_PER_MS:g} ms"
                future.set_exception(AnswerTimeoutError(why, asked_ns=asked_ns, given_up_ns=now_ns))
        if len(self._owed) > OWED_MAX:
            self.close(f"more than {OWED_MAX} answers owed")
        elif nearest_ns < FOREVER:
            self._arm(nearest_ns, now_ns)

    # --- the end ---

    def _lost(self, asked_ns: int) -> ConnectionLostError:
        return ConnectionLostError(self._why or "not connected", asked_ns=asked_ns, given_up_ns=self._clock())

    def _fail_pending(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer, self._timer_at_ns = None, FOREVER
        waiting, self._pending = tuple(self._pending.values()), {}
        for future, _, asked_ns, _ in waiting:
            if not future.done():
                future.set_exception(self._lost(asked_ns))
