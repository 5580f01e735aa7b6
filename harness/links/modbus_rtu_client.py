"""A small strict Modbus RTU master: one request at a time, stamped answers, nothing credited that does not fit.

The end of an answer is found by its own length and CRC, so that no silence is waited for. Whatever does not fit (unit,
function, length, CRC, bytes after the answer) is dropped and the request has failed; after that, and after a
time-out, the line is kept quiet and drained before the next request. Whose an answer is that may be a late one is said
in ``modbus_rtu_owed``. Nothing is ever sent twice. A client is good for one connection.

A pseudo-terminal and a socket show no parity error, no RTS and no silence within a frame (t1.5): that frames
torn by these are refused by their CRC is shown, that they are told from others is not shown on hardware.
"""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass
from typing import Final, cast

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import SerialPort
from harness.links.modbus_client import (
    DROPPED_BYTES_MAX,
    Answer,
    AnswerTimeoutError,
    ConnectionLostError,
    Counts,
    Dropped,
    ExchangeError,
    MalformedAnswerError,
    RequestRefusedError,
)
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import (
    FRAME_BYTES_MAX,
    REQUEST_BYTES,
    BusRequest,
    NoAnswer,
    RtuAnswer,
    answer_bytes,
    misfit,
    request_bytes,
    request_frame,
    take_answer,
)
from harness.links.modbus_rtu_owed import OwedAnswers, Whose
from harness.links.modbus_rtu_timing import character_s, ns_up, poll_s, refused_s, t35_s

GAP_BEHIND_SERVER_NS: Final = 4_010_417
"""Between an answer and the next request behind a serial device server, whose line settings are not known here: 3.5
characters of 11 bits at 9,600 baud (V1.02, 2.5.1.1). Where the line is slower, the server has to keep the silence."""
NOISE_MAX_NS: Final = 5 * NS_PER_S
"""A line that is not quiet for so long while nothing was asked has another master, or a unit that never ends."""
ECHO_BYTES_MIN: Final = 4
"""So much of what was sent, come back, tells an echo from an answer that looks like it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineTimes:
    """What the line's settings say about times, in nanoseconds; zeros behind a serial device server."""

    port: SerialPort | None

    @property
    def gap_ns(self) -> int:
        """The silence between an answer and the next request."""
        return GAP_BEHIND_SERVER_NS if self.port is None else ns_up(t35_s(self.port))

    def carrying_ns(self, request: BusRequest) -> int:
        """How long the line carries the request and its whole answer; a time-out does not run meanwhile."""
        if self.port is None:
            return 0
        return ns_up((request_bytes(request) + answer_bytes(request)) * character_s(self.port))

    def poll_ns(self, request: BusRequest) -> int | None:
        """The least that an answered poll takes on the line."""
        return None if self.port is None else ns_up(poll_s(self.port, request))

    def refused_ns(self) -> int | None:
        """The least that a poll takes which is answered by an exception."""
        return None if self.port is None else ns_up(refused_s(self.port))


@dataclass(slots=True, kw_only=True)
class Spent:
    """What one connection did with its time so far."""

    polls: int = 0
    wire_ns: int = 0
    lost_ns: int = 0


_Waiting = tuple["asyncio.Future[Answer]", BusRequest, int, int]
"""Who waits, for the answer to what, asked when, with which time-out."""


class RtuClient(asyncio.Protocol):
    """One connection to one serial bus on which farend is the master. ``dropped`` hears of what was not credited."""

    def __init__(
        self,
        where: str,
        clock: Clock,
        *,
        times: LineTimes,
        quiet_ns: int,
        owed: OwedAnswers,
        dropped: Dropped,
    ) -> None:
        """``where``: the port or the device server, in words. ``owed`` outlives the connection."""
        self.where = where
        self.counts = Counts()
        self.spent = Spent()
        self.free_ns = 0
        self._clock = clock
        self.times = times
        self._quiet_ns = quiet_ns
        self._owed = owed
        self._dropped = dropped
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._waiting: _Waiting | None = None
        self._sent = b""
        self._held = b""
        self._timer: asyncio.TimerHandle | None = None
        self._noisy_since_ns: int | None = None
        self._why = ""
        self._closed: asyncio.Future[str] = self._loop.create_future()

    # --- opening and closing: whoever made the client connects it ---

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._transport is not None

    async def wait_closed(self) -> str:
        """Wait for the end of the connection, whoever ends it; returns why it ended."""
        return await asyncio.shield(self._closed)

    def close(self, why: str = "closed by us") -> None:
        """End the connection at once; whoever waits for an answer gets ConnectionLostError."""
        if self._transport is not None:
            self._why = self._why or why
            transport, self._transport = self._transport, None
            transport.abort()
            self._fail_waiting()

    # --- asking ---

    def read(self, request: ReadRequest, timeout_ns: int) -> asyncio.Future[Answer]:
        """``exchange`` as those who only listen see it: a read request is all that it takes."""
        return self.exchange(request, timeout_ns)

    def exchange(self, request: BusRequest, timeout_ns: int) -> asyncio.Future[Answer]:
        """Send a request now; await the result for the Answer.

        ``timeout_ns`` runs from the end of the request to the beginning of the answer: what the line takes to carry
        them comes on top. The result raises AnswerTimeoutError, RequestRefusedError, MalformedAnswerError or
        ConnectionLostError; the call raises ConnectionLostError where the connection is gone already.
        The Answer's ``asked_ns`` is that of an earlier request for the same places, where it may be the answer to that.
        """
        if self._transport is None:
            now_ns = self._clock()
            raise ConnectionLostError(self._why or "not connected", asked_ns=now_ns, given_up_ns=now_ns)
        if self._waiting is not None:
            raise LinkError(f"{self.where}: a request is under way; a serial bus carries one at a time")
        if self._held:
            self._drop(self._clock(), "bytes that nobody asked for", self._held)
            self._held = b""
        future: asyncio.Future[Answer] = self._loop.create_future()
        self._sent = request_frame(request)
        self._noisy_since_ns = None
        self._owed.asking(request.unit)
        if not isinstance(request, ReadRequest):
            self._owed.echoes.add(request.function)
        asked_ns = self._clock()
        self._waiting = (future, request, asked_ns, timeout_ns)
        self._transport.write(self._sent)
        until_ns = timeout_ns + self.times.carrying_ns(request)
        self._timer = self._loop.call_later(until_ns / NS_PER_S, self._expire)
        return future

    # --- the event loop calls these ---

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        sock = transport.get_extra_info("socket")
        if sock is not None:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        # Somebody's last frame may be on the line still.
        self.free_ns = self._clock() + self._quiet_ns

    def data_received(self, data: bytes) -> None:
        at_ns = self._clock()
        was_asked = self._waiting is not None
        self._held += data
        while self._held and self._transport is not None:
            found = take_answer(self._held, self._owed.echoes)
            if found is None:
                break
            if isinstance(found, NoAnswer):
                self._malformed(at_ns, found.what)
                break
            self._held = self._held[len(found.raw) :]
            self._take(found, at_ns)
        if not was_asked and self._transport is not None:
            self._noise(at_ns)

    def eof_received(self) -> None:
        self._why = self._why or "the serial device server closed the connection"

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if not self._why:
            text = getattr(exc, "strerror", None) or str(exc)
            self._why = "the connection ended" if exc is None else f"the connection broke: {text}"
        self._fail_waiting()
        if not self._closed.done():
            self._closed.set_result(self._why)

    # --- answers ---

    def _take(self, answer: RtuAnswer, at_ns: int) -> None:
        """One whole answer with a good CRC; what came after it is in ``_held``."""
        if self._waiting is None:
            match = self._owed.take(answer, None, 0, at_ns)
            self._count_dropped(answer, match.whose, at_ns)
            return
        _, request, asked_ns, _ = self._waiting
        if self._held and answer.fits(request):
            # It may be whole by chance, or two units answer, or two answers came at once.
            self._held = answer.raw + self._held
            self._malformed(at_ns, f"{len(self._held) - len(answer.raw)} bytes after the answer")
            return
        match = self._owed.take(answer, request, asked_ns, at_ns)
        if match.whose is Whose.OWN:
            self._credit(answer, match.asked_ns, at_ns)
        elif match.whose is Whose.LATE:
            self._count_dropped(answer, match.whose, at_ns)
        elif match.whose is Whose.UNSURE:
            self.counts.late += 1
            self._drop(at_ns, "an answer that may belong to an earlier request", answer.raw)
            error = UnsureAnswerError(
                "the answer may belong to an earlier request", asked_ns=asked_ns, given_up_ns=at_ns
            )
            self._end_waiting(error, at_ns, self.times.gap_ns)
        else:
            self._held = answer.raw + self._held
            self._malformed(at_ns, misfit(request, answer))

    def _credit(self, answer: RtuAnswer, asked_ns: int, told_ns: int) -> None:
        assert self._waiting is not None  # noqa: S101 - told to the type checker
        future, request, own_asked_ns, _ = self._waiting
        self.spent.polls += 1
        if answer.code is None:
            self.counts.answered += 1
            self._wire(self.times.poll_ns(request))
            self._end_waiting(None, told_ns, self.times.gap_ns)
            if not future.done():
                future.set_result(Answer(asked_ns, told_ns, answer.payload))
            return
        self.counts.refused += 1
        self._wire(self.times.refused_ns())
        error = RequestRefusedError(answer.code, asked_ns=own_asked_ns, given_up_ns=told_ns)
        self._end_waiting(error, told_ns, self.times.gap_ns)

    def _count_dropped(self, answer: RtuAnswer, whose: Whose, at_ns: int) -> None:
        late = whose is Whose.LATE
        self.counts.late += late
        self.counts.unasked += not late
        what = f"late answer of unit {answer.unit} to a request that was given up" if late else "an unasked answer"
        self._drop(at_ns, what, answer.raw)

    def _malformed(self, at_ns: int, what: str) -> None:
        """Nothing that is held is evidence. Its request may be answered still."""
        held, self._held = self._held, b""
        if len(held) >= ECHO_BYTES_MIN and self._sent.startswith(held[:REQUEST_BYTES]):
            what = "what was sent came back: switch off the echo of the RS-485 adapter"
        self._drop(at_ns, what, held)
        if self._waiting is None:
            self.counts.unasked += 1
            return
        _, request, asked_ns, _ = self._waiting
        self.counts.malformed += 1
        self._owed.give_up(request, asked_ns)
        self._end_waiting(MalformedAnswerError(what, asked_ns=asked_ns, given_up_ns=at_ns), at_ns, self._quiet_ns)

    def _expire(self) -> None:
        if self._waiting is None:
            return
        _, request, asked_ns, timeout_ns = self._waiting
        now_ns = self._clock()
        if self._held:
            self._malformed(now_ns, f"the answer ended after {len(self._held)} bytes")
            return
        self.counts.timed_out += 1
        self._owed.give_up(request, asked_ns)
        why = f"no answer of unit {request.unit} within {timeout_ns / NS_PER_MS:g} ms"
        self._end_waiting(AnswerTimeoutError(why, asked_ns=asked_ns, given_up_ns=now_ns), now_ns, self._quiet_ns)

    def _end_waiting(self, error: ExchangeError | None, at_ns: int, silence_ns: int) -> None:
        """Nobody waits any more; the line stays silent for ``silence_ns``."""
        assert self._waiting is not None  # noqa: S101 - told to the type checker
        future, _, asked_ns, _ = self._waiting
        self._waiting = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self.free_ns = at_ns + silence_ns
        if error is not None and not isinstance(error, RequestRefusedError):
            self.spent.lost_ns += self.free_ns - asked_ns
        if error is not None and not future.done():
            future.set_exception(error)

    def _wire(self, took_ns: int | None) -> None:
        self.spent.wire_ns += took_ns or 0

    # --- a line that is not quiet ---

    def _noise(self, at_ns: int) -> None:
        """Bytes came while nothing was asked: the line is drained, however long that takes, up to a limit."""
        self.free_ns = max(self.free_ns, at_ns + self._quiet_ns)
        if self._noisy_since_ns is None:
            self._noisy_since_ns = at_ns
        if len(self._held) > FRAME_BYTES_MAX:
            self._drop(at_ns, "bytes that nobody asked for", self._held)
            self._held = b""
        if at_ns - self._noisy_since_ns > NOISE_MAX_NS:
            self.close(
                f"the line has not been quiet for {NOISE_MAX_NS // NS_PER_S} s although nothing was asked: "
                "another master? then let farend only receive (way: receive-only)"
            )

    def _drop(self, at_ns: int, what: str, data: bytes) -> None:
        self._dropped(at_ns, what, data[:DROPPED_BYTES_MAX])

    def _fail_waiting(self) -> None:
        if self._waiting is not None:
            _, request, asked_ns, _ = self._waiting
            now_ns = self._clock()
            self._owed.give_up(request, asked_ns)
            self._end_waiting(ConnectionLostError(self._why, asked_ns=asked_ns, given_up_ns=now_ns), now_ns, 0)


class UnsureAnswerError(MalformedAnswerError):
    """An answer came and may belong to an earlier request. The same request is asked again at once."""
