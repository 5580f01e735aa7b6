"""Timers that are finer than the event loop's, for silences of a few milliseconds."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import Future as ThreadFuture
from concurrent.futures import ThreadPoolExecutor
from typing import Final, Self

from harness.core.instants import NS_PER_MS, NS_PER_S, NS_PER_US, Clock

FINE_NS: Final = 4 * NS_PER_MS
"""Event loops have timers of a millisecond, which on a bus at 19,200 baud is a twelfth of a poll; the last of a silence
is slept through by a thread instead, which wakes within a tenth of that."""
SPIN_NS: Final = 150 * NS_PER_US
"""Waking the event loop from the thread takes about so long, so it is begun earlier by this, and the rest is spun away;
that is at most 1.2 % of the time at 80 polls a second."""


class FineTimer:
    """A thread sleeps through the last of each timer. Used in a ``with``; it leaves no thread behind.

    ``clock``: where it is not this machine's own, time is not real, and the event loop's timers are used.
    """

    def __init__(self, clock: Clock) -> None:
        self._is_real = clock is time.monotonic_ns
        self._threads = ThreadPoolExecutor(1, thread_name_prefix="fine timer")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._threads.shutdown(wait=True, cancel_futures=True)

    def call_in(self, delay_ns: int, callback: Callable[[], None]) -> FineWake | asyncio.TimerHandle:
        """Call ``callback`` on the event loop after ``delay_ns``, at the earliest."""
        if not self._is_real:
            return asyncio.get_running_loop().call_later(delay_ns / NS_PER_S, callback)
        return FineWake(self._threads, delay_ns, callback)


class FineWake:
    """One timer; ``cancel`` it from the event loop only."""

    def __init__(self, threads: ThreadPoolExecutor, delay_ns: int, callback: Callable[[], None]) -> None:
        self._loop = asyncio.get_running_loop()
        self._threads = threads
        self._callback = callback
        self._until_ns = time.monotonic_ns() + delay_ns
        self._is_cancelled = False
        self._timer: asyncio.TimerHandle | None = None
        if delay_ns > FINE_NS:
            self._timer = self._loop.call_later((delay_ns - FINE_NS // 2) / NS_PER_S, self._sleep)
        else:
            self._sleep()

    def cancel(self) -> None:
        self._is_cancelled = True
        if self._timer is not None:
            self._timer.cancel()

    def _sleep(self) -> None:
        left_ns = self._until_ns - time.monotonic_ns() - SPIN_NS
        if left_ns <= 0:
            self._loop.call_soon(self._ring)
            return
        self._threads.submit(time.sleep, left_ns / NS_PER_S).add_done_callback(self._woke)

    def _woke(self, slept: ThreadFuture[None]) -> None:
        """In the thread, or where the sleep is cancelled."""
        if not slept.cancelled() and not self._is_cancelled:
            self._loop.call_soon_threadsafe(self._ring)

    def _ring(self) -> None:
        if self._is_cancelled:
            return
        while time.monotonic_ns() < self._until_ns:
            pass
        self._callback()
