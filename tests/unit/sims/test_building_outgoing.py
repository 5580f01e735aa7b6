"""Queues of notifications, one a recipient, in virtual time."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Callable
from typing import Any

from sims.building_outgoing import PENDING_MAX, About, Encode, Outgoing, Recipient

ALIVE, DEAD = ("127.0.0.1", 1001), ("127.0.0.1", 1002)


class Clock:
    """The part of an event loop that waits."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._timers: list[tuple[float, int, Any]] = []

    def call_later(self, delay: float, callback: Callable[..., object], /, *args: Any) -> asyncio.TimerHandle:
        handle = asyncio.TimerHandle(self.now_s + delay, callback, args, _Loop())  # type: ignore[arg-type]
        heapq.heappush(self._timers, (self.now_s + delay, len(self._timers), handle))
        return handle

    def run_until(self, until_s: float) -> None:
        while self._timers and self._timers[0][0] <= until_s:
            self.now_s, _, handle = heapq.heappop(self._timers)
            if not handle.cancelled():
                handle._callback(*handle._args)
        self.now_s = until_s


class _Loop:
    def get_debug(self) -> bool:
        return False

    def _timer_handle_cancelled(self, handle: object) -> None:
        pass


class Wire:
    """What was sent, and how it ended."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.out: list[tuple[float, Recipient, int | None, int, str]] = []
        self.over: list[tuple[Recipient, int | None, str, str]] = []

    def sent(self, about: About, recipient: Recipient, invoke_id: int | None, attempt: int, data: bytes) -> None:
        self.out.append((self._clock.now_s, recipient, invoke_id, attempt, data.decode()))

    def ended(self, about: About, recipient: Recipient, invoke_id: int | None, outcome: str) -> None:
        self.over.append((recipient, invoke_id, about["name"], outcome))


def make() -> tuple[Outgoing, Wire, Clock]:
    clock = Clock()
    wire = Wire(clock)
    return Outgoing(wire, clock, timeout_s=3.0, retries=3), wire, clock


def named(name: str) -> tuple[Encode, About]:
    return lambda invoke_id: f"{name}/{invoke_id}".encode(), {"name": name}


def test_unconfirmed_goes_out_at_once_past_whatever_waits() -> None:
    outgoing, wire, _ = make()
    outgoing.confirmed(DEAD, *named("a"))
    outgoing.confirmed(DEAD, *named("b"))
    outgoing.unconfirmed(DEAD, *named("c"))
    assert [(invoke_id, data) for _, _, invoke_id, _, data in wire.out] == [(0, "a/0"), (None, "c/0")]
    assert outgoing.pending == 2


def test_the_next_one_follows_the_answer_to_the_one_before() -> None:
    outgoing, wire, _ = make()
    for name in "ab":
        outgoing.confirmed(ALIVE, *named(name))
    assert not outgoing.answered(ALIVE, 1, "acked"), "not asked yet"
    assert not outgoing.answered(DEAD, 0, "acked"), "another's"
    assert outgoing.answered(ALIVE, 0, "acked")
    assert not outgoing.answered(ALIVE, 0, "acked"), "answered already"
    assert outgoing.answered(ALIVE, 1, "error")
    assert [data for *_, data in wire.out] == ["a/0", "b/1"]
    assert wire.over == [(ALIVE, 0, "a", "acked"), (ALIVE, 1, "b", "error")]
    assert outgoing.pending == 0


def test_a_dead_recipient_is_given_up_and_nobody_else_waits() -> None:
    """APDU_Timeout 3 s and 3 retries: 4 attempts, over after 12 s."""
    outgoing, wire, clock = make()
    outgoing.confirmed(DEAD, *named("a"))
    outgoing.confirmed(DEAD, *named("b"))
    clock.run_until(1.0)
    outgoing.confirmed(ALIVE, *named("c"))
    assert wire.out[-1] == (1.0, ALIVE, 0, 1, "c/0")
    outgoing.answered(ALIVE, 0, "acked")
    clock.run_until(60.0)
    dead = [(at, attempt, data) for at, recipient, _, attempt, data in wire.out if recipient == DEAD]
    assert dead == [(3.0 * n, 1 + n % 4, "a/0" if n < 4 else "b/1") for n in range(8)]
    assert wire.over[1:] == [(DEAD, 0, "a", "given-up"), (DEAD, 1, "b", "given-up")]


def test_an_answer_to_a_repetition_ends_it() -> None:
    outgoing, wire, clock = make()
    outgoing.confirmed(ALIVE, *named("a"))
    clock.run_until(7.0)
    assert outgoing.answered(ALIVE, 0, "acked")
    clock.run_until(60.0)
    assert [attempt for *_, attempt, _ in wire.out] == [1, 2, 3]


def test_too_many_for_one_recipient_lose_the_oldest_and_say_so() -> None:
    outgoing, wire, _ = make()
    for number in range(PENDING_MAX + 3):
        outgoing.confirmed(DEAD, *named(str(number)))
    assert wire.over == [(DEAD, None, "1", "dropped"), (DEAD, None, "2", "dropped")]
    assert outgoing.pending == PENDING_MAX + 1


def test_invoke_identifiers_go_round() -> None:
    outgoing, wire, _ = make()
    for number in range(300):
        outgoing.confirmed(ALIVE, *named(str(number)))
        outgoing.answered(ALIVE, number % 256, "acked")
    assert wire.out[-1][2:] == (299 - 256, 1, "299/43")
    assert len(wire.over) == 300


def test_nothing_is_sent_after_the_end() -> None:
    outgoing, wire, clock = make()
    outgoing.confirmed(DEAD, *named("a"))
    outgoing.close()
    clock.run_until(60.0)
    assert len(wire.out) == 1
    assert wire.over == []
