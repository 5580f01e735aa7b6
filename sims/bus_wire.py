"""The thread that keeps the line moving: bytes in, their time on the wire, answers, bytes out.

Every character leaves at its own instant of an absolute schedule, so that a late wake-up delays what was due meanwhile
and nothing else. How late characters really left is counted.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from sims.bus_ends import Ends
from sims.bus_master import MASTER, BusMaster
from sims.line import UNITS, Line
from sims.rtu import BROADCAST, unframed
from sims.units import Unit

# Below this a wait is slept through and not spent on the ports: select() knows milliseconds only.
_SELECT_NS: Final = 3_000_000
_SELECT_LESS_NS: Final = 2_000_000
_PR_SET_TIMERSLACK: Final = 29  # prctl(2)


@dataclass(slots=True)
class Lateness:
    """How late characters were handed over, after the instant at which their last bit had passed."""

    characters: int = 0
    sum_ns: int = 0
    max_ns: int = 0

    def add(self, count: int, late_ns: int) -> None:
        """Some characters left together."""
        self.characters += count
        self.sum_ns += count * late_ns
        self.max_ns = max(self.max_ns, late_ns)

    @property
    def mean_ns(self) -> int:
        """The mean."""
        return self.sum_ns // self.characters if self.characters else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What became of one frame of a master. ``place`` is None where nobody answers, and so are the instants.

    The unit took its values between the first two instants; ``ends_ns`` is the end of the answer on the wire.
    """

    request: str
    place: str | None = None
    taken_before_ns: int | None = None
    taken_after_ns: int | None = None
    ends_ns: int | None = None


class BusWire:
    """One line with its units. ``failed`` gets the exception, should the thread end by one."""

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        ends: Ends,
        units: Mapping[int, Unit],
        *,
        baud: int,
        turnaround_ns: int,
        round_ns: int | None,
        answered: Callable[[Answered], None] | None = None,
    ) -> None:
        """``units``: by the address at which they listen. ``round_ns``: a master polls them that often; None: none.

        ``answered`` is called in the thread, for every frame that a master sent.
        """
        self.failed: asyncio.Future[None] = loop.create_future()
        self.lateness = Lateness()
        self._loop = loop
        self._ends = ends
        self._units = units
        self._turnaround_ns = turnaround_ns
        self._answered = answered
        self._line = Line(baud, self._passed, self._requested)
        self._master = None if round_ns is None else BusMaster(self._line, round_ns, time.monotonic_ns())
        self._looked_ns = time.monotonic_ns()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sims bus", daemon=True)

    def start(self) -> None:
        """Set it in motion."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread. Waits for it."""
        self._over.set()
        self._ends.wake()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        _wake_up_sharply()
        try:
            self._work()
        except Exception as exc:  # noqa: BLE001 - whatever it is: the site must stop with it, not the thread alone
            with contextlib.suppress(RuntimeError):  # the event loop may be closed already
                self._loop.call_soon_threadsafe(self._fail, exc)

    def _fail(self, exc: Exception) -> None:
        if not self.failed.done():
            self.failed.set_exception(exc)

    async def run(self) -> None:
        """The same in the event loop, in place of the thread, until cancelled: for a loop whose time is virtual."""
        loop, moved = asyncio.get_running_loop(), asyncio.Event()
        descriptor = self._ends.fileno()
        loop.add_reader(descriptor, moved.set)
        try:
            while True:
                moved.clear()
                self._ends.wait(0)
                self._look()
                waits_s = [] if self._ends.looks_again_s is None else [self._ends.looks_again_s]
                if (due_ns := self._due_ns()) is not None:
                    waits_s.append(max(0, due_ns - time.monotonic_ns()) / 1e9)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(min(waits_s, default=None)):
                        await moved.wait()
        finally:
            loop.remove_reader(descriptor)

    def _work(self) -> None:
        while not self._over.is_set():
            self._look()
            due_ns = self._due_ns()
            if due_ns is None:
                self._ends.wait(None)
                continue
            left_ns = due_ns - time.monotonic_ns()
            if left_ns > _SELECT_NS:
                self._ends.wait((left_ns - _SELECT_LESS_NS) / 1e9)
            elif left_ns > 0:
                self._ends.wait(0)
                time.sleep(left_ns / 1e9)

    def _look(self) -> None:
        """Take what has come in, and let everything happen that is due."""
        now_ns = time.monotonic_ns()
        for talker, data in self._ends.read():
            # In the middle of a frame the bytes may have come at any time since the last look: never a silence.
            self._line.put(talker, data, self._looked_ns if self._line.listening else now_ns)
        for talker in self._ends.gone():
            self._line.forget(talker)
        self._looked_ns = now_ns
        self._line.advance(now_ns)
        if self._master is not None:
            self._master.advance(now_ns)

    def _due_ns(self) -> int | None:
        dues = [] if self._line.due_ns is None else [self._line.due_ns]
        if self._master is not None:
            dues.append(self._master.due_ns)
        return min(dues, default=None)

    def _passed(self, talker: int, data: bytes, end_ns: int) -> None:
        """Characters have gone over the wire."""
        self._ends.send(data, talker)
        self.lateness.add(len(data), max(0, time.monotonic_ns() - end_ns))
        if self._master is not None and talker != MASTER:
            self._master.heard(talker, end_ns)

    def _requested(self, frame: bytes, at_ns: int) -> None:
        """Silence after bytes: whoever is meant answers, with the values of this instant."""
        told = Answered(request=frame.hex(" "))
        request = unframed(frame)
        unit = None if request is None or request[0] == BROADCAST else self._units.get(request[0])
        if request is not None and unit is not None:
            before_ns = time.monotonic_ns()
            answer = unit.answer(*request)
            after_ns = time.monotonic_ns()
            if answer is not None:
                # On the schedule, unless this thread woke up so late that the first character would be over by now.
                from_ns = max(at_ns, after_ns - self._line.character_ns) + self._turnaround_ns + answer.after_ns
                ends_ns = self._line.put(UNITS, answer.frame, from_ns)
                told = replace(
                    told, place=unit.place, taken_before_ns=before_ns, taken_after_ns=after_ns, ends_ns=ends_ns
                )
        if self._answered is not None:
            self._answered(told)


def _wake_up_sharply() -> None:
    """Let sleeps of this thread end when they should: Linux allows itself 50 us more, to save power."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, ctypes.c_ulong(1), 0, 0, 0)
