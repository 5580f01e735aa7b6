"""Work on one device that several may ask for: done one at a time, interrupted where something has to be put back,
refused once the run is over.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, Final, TypeVar

from harness.core.errors import RecordError
from harness.results.interrupting import InterruptedTestError, Interruption, StoppedRunError, ended

T = TypeVar("T")

ENDED: Final = "the test is over"


class OneAtATime:
    """Made within a running event loop, and used in it alone."""

    def __init__(self) -> None:
        self.interruption: Interruption | None = None
        """Why the work was interrupted, since :meth:`anew`."""
        self._over: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._lock = asyncio.Lock()
        self._working: asyncio.Task[Any] | None = None
        self._putting: asyncio.Task[None] | None = None

    @property
    def is_over(self) -> bool:
        """True once nothing more is done."""
        return self._over.done()

    async def over(self) -> str:
        """Wait until nothing more is done. Returns why, '' where that was asked for."""
        return await self._over

    def stop(self, why: str) -> None:
        """Do nothing more. The first reason counts."""
        if not self._over.done():
            self._over.set_result(why)

    def anew(self) -> None:
        """Forget an interruption: what is done from now on is something else."""
        self.interruption = self._putting = None

    def must_go_on(self) -> None:
        """Raise what :meth:`do` would, where it would do nothing any more."""
        if self._over.done():
            raise self._stopped()
        if self.interruption is not None:
            raise InterruptedTestError(self.interruption)

    async def do(self, work: Callable[[], Coroutine[Any, Any, T]], *, anyway: bool = False) -> T:
        """Do it, once what goes on has ended. ``anyway``: even after an interruption, to tidy up.

        InterruptedTestError where it was interrupted meanwhile, or before, once all is put back. StoppedRunError where
        nothing more may be done; what itself raises that, or RecordError, stops the run.
        """
        async with self._lock:
            if not anyway or self._over.done():
                self.must_go_on()
            task = asyncio.create_task(work(), name="a step of a test")
            self._working = task
            try:
                await asyncio.wait([task])
            finally:
                if not task.done():
                    task.cancel()
                await ended(task)
                self._working = None
        if not task.cancelled():
            return self._result_of(task)
        if self._putting is not None:
            await asyncio.shield(self._putting)
        if self.interruption is not None:
            raise InterruptedTestError(self.interruption)
        raise self._stopped() if self._over.done() else asyncio.CancelledError

    def interrupt(self, it: Interruption, put_back: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Cancel what is done now, and then put back. What ``put_back`` is stopped by stops the run."""
        self.interruption = it
        if self._working is not None:
            self._working.cancel()

        async def putting() -> None:
            async with self._lock:
                try:
                    await put_back()
                except (StoppedRunError, RecordError) as exc:
                    self.stop(str(exc))

        self._putting = asyncio.create_task(putting(), name="put back")

    async def finish(self) -> None:
        """Cancel what is done now, and wait for its end, and for what is put back. Nothing more is done after it."""
        self.stop("")
        if self._working is not None:
            self._working.cancel()
            await ended(self._working)
        if self._putting is not None:
            await ended(self._putting)

    def _result_of(self, task: asyncio.Task[T]) -> T:
        try:
            return task.result()
        except (StoppedRunError, RecordError) as exc:
            self.stop(str(exc))
            raise

    def _stopped(self) -> StoppedRunError:
        return StoppedRunError(self._over.result() or ENDED)
