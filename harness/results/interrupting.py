"""What ends the test of one alarm before it was seen through, and sees to it that everything is put back first."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Any, Final, TypeVar

from harness.record.writer import RecordWriter

T = TypeVar("T")


GATE_STOPPED_EVENT: Final = "gate-stopped"
"""The run had to end for the sake of safety, and ``why``."""


@unique
class Why(StrEnum):
    """Why the test of an alarm was interrupted."""

    DEAD_MAN = "dead-man"
    UNEXPLAINED = "unexplained"
    SKIPPED = "skipped"
    NOT_POSSIBLE = "not-possible"
    AGAIN = "again"
    LEFT = "left"


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """Why, and the reason in words."""

    why: Why
    text: str


class InterruptedTestError(Exception):
    """The test of an alarm was interrupted; what was raised has been put back as far as that was possible."""

    def __init__(self, it: Interruption) -> None:
        super().__init__(it.text)
        self.interruption = it


class StoppedRunError(Exception):
    """The run must not go on, and why; everything that could be put back has been."""


def gate_stops(journal: RecordWriter, now_ns: int, why: str) -> StoppedRunError:
    """The run must not go on for the sake of safety: the record says so, and its exit code. To be raised."""
    journal.event(GATE_STOPPED_EVENT, now_ns, {"why": why})
    return StoppedRunError(why)


class Interruptions:
    """Interrupts what runs :meth:`under` it. Several at once: the first counts, but leaving counts always."""

    def __init__(self) -> None:
        self._asked: Interruption | None = None
        self._news = asyncio.Event()

    def interrupt(self, it: Interruption) -> None:
        """Have the work that runs now stopped; where none runs, what is begun next."""
        if self._asked is None or it.why is Why.LEFT:
            self._asked = it
            self._news.set()

    async def under(self, work: Coroutine[Any, Any, T]) -> T:
        """Run ``work``. InterruptedTestError once it has been cancelled, and has put back what it had to."""
        if self._asked is not None:
            work.close()
            raise InterruptedTestError(self._taken(self._asked))
        task = asyncio.create_task(work, name="the test of one alarm")
        news = asyncio.create_task(self._news.wait(), name="interruption")
        try:
            await asyncio.wait({task, news}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            news.cancel()
            if not task.done():
                task.cancel()
            await ended(task)
        asked = self._asked
        if asked is not None and asked.why is Why.LEFT and not task.cancelled():
            return task.result()  # it came at the very end; whoever wants to leave leaves what comes next
        if asked is not None:
            self._taken(asked)
            if task.cancelled():
                raise InterruptedTestError(asked)
        return task.result()

    def _taken(self, asked: Interruption) -> Interruption:
        self._asked = None
        self._news.clear()
        return asked


async def ended(task: asyncio.Task[Any]) -> None:
    """Wait for the end of ``task`` however often the waiting is cancelled; the cancelling goes on after that."""
    stopped: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.wait([task])
        except asyncio.CancelledError as exc:
            stopped = exc
    if stopped is not None:
        raise stopped
