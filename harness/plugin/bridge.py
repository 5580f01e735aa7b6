"""A thread with an event loop of its own, in which links are listened to and alarms put back, whatever the tests do."""

from __future__ import annotations

import asyncio
import concurrent.futures
import threading
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

T = TypeVar("T")

LOOK_S: Final = 0.5
"""How often it is looked whether the main thread is still there: it may end without a word to anybody."""


class LoopThread:
    """Runs coroutines in its own loop. It is no daemon: the process waits for what has to be put back."""

    def __init__(self) -> None:
        from harness.run.attentive import finest_loop

        self._loop = finest_loop()
        self._leave = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="farend")
        self._thread.start()

    async def ask(self, work: Coroutine[Any, Any, T]) -> T:
        """For an event loop of a test: have ``work`` done there. Cancelling the waiting cancels it."""
        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, self._loop))

    def wait(self, work: Coroutine[Any, Any, T], *, may_stop: bool = False) -> T:
        """For code without an event loop: have ``work`` done, to its end, whatever interrupts the waiting for it.

        ``may_stop``: an interrupt cancels the work, and its end is waited for. The interrupt goes on after that.
        """
        tasks: list[asyncio.Task[Any] | None] = []

        async def held() -> T:
            tasks.append(asyncio.current_task())
            return await work

        future = asyncio.run_coroutine_threadsafe(held(), self._loop)
        stopped: BaseException | None = None
        while not future.done():
            try:
                concurrent.futures.wait([future])
            except BaseException as exc:  # noqa: BLE001  # Ctrl-C, or a timeout of the test: it is raised again below
                stopped = stopped or exc
                for task in tasks if may_stop else ():
                    self._loop.call_soon_threadsafe(task.cancel)  # type: ignore[union-attr]
        if stopped is not None:
            raise stopped
        return future.result()

    def close(self) -> None:
        """End the thread. Nothing may be going on in it."""
        self._loop.call_soon_threadsafe(self._leave.set)
        self._thread.join()

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._until_left())

    async def _until_left(self) -> None:
        """Until :meth:`close`, or until the main thread is gone; what is still going on is cancelled, and puts back."""
        while threading.main_thread().is_alive() and not self._leave.is_set():
            try:
                async with asyncio.timeout(LOOK_S):
                    await self._leave.wait()
            except TimeoutError:
                continue
