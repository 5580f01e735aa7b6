"""Real sockets and ptys in virtual time: an event loop whose clock moves only when nothing is left to do.

Everything that takes part runs in this one loop. Bytes between its own sockets arrive at once, so where no descriptor
is ready and no thread is at work, the next thing to happen is a timer, and the clock jumps to it. A test of a minute
takes as long as its work takes, and a busy machine does not make it less exact.

What it cannot hold: other processes, and threads other than those of the loop's executor.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from typing import Any, Final, TypeVar
from unittest import mock

Result = TypeVar("Result")

START_NS: Final = 1_000_000_000_000
"""Where the virtual clock begins: far enough from 0 that nothing falls below it."""

GRACE_S: Final = 0.000_1
"""How long the operating system may take to hand over what was written: a pty leaves that to a worker of the kernel."""

IDLE_S: Final = 0.002
"""How long to wait for a thread or for an event from outside before looking again."""


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """``time()`` and, while it runs under :func:`run`, ``time.monotonic`` and ``time.monotonic_ns`` are virtual."""

    def __init__(self, tick_ns: int = 0) -> None:
        self.now_ns = START_NS
        self.tick_ns = tick_ns
        self.threads = 0
        super().__init__(_Jumping(self))

    def time(self) -> float:
        """The virtual clock, in seconds."""
        return self.now_ns / 1e9

    def run_in_executor(  # type: ignore[override]  # the same, and counted
        self, executor: Executor | None, func: Callable[..., Result], *args: Any
    ) -> asyncio.Future[Result]:
        """While a thread works, the clock stands still."""
        self.threads += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._thread_ended)
        return future

    def _thread_ended(self, future: asyncio.Future[Any] | Future[Any]) -> None:
        del future
        self.threads -= 1


class _Jumping(selectors.SelectSelector):
    """Select that does not wait for time to pass. ``select`` knows microseconds, where ``epoll`` knows milliseconds."""

    def __init__(self, loop: VirtualTimeLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._loop.now_ns += self._loop.tick_ns
        ready = super().select(0)
        if ready or (timeout is not None and timeout <= 0):
            return ready
        if self._loop.threads or timeout is None:
            return super().select(IDLE_S)
        ready = super().select(GRACE_S)
        if not ready:
            self._loop.now_ns += max(1, round(timeout * 1e9))
        return ready


@contextmanager
def _virtual_clocks(loop: VirtualTimeLoop) -> Iterator[None]:
    def now_ns() -> int:
        return loop.now_ns

    with mock.patch.object(time, "monotonic_ns", now_ns), mock.patch.object(time, "monotonic", loop.time):
        yield


def run(main: Callable[[], Coroutine[Any, Any, Result]], tick_ns: int = 0) -> Result:
    """Run a coroutine in virtual time. What is not awaited is cancelled at its end, as ``asyncio.run`` does it.

    ``tick_ns``: by how much the clock moves whenever the loop comes round, so that what follows is later than what
    it follows.
    """
    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(tick_ns)) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, VirtualTimeLoop)
        with _virtual_clocks(loop):
            return runner.run(main())
