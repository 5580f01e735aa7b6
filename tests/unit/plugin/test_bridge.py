"""The thread that goes on putting back while the tests are stopped."""

from __future__ import annotations

import asyncio
import concurrent.futures
import threading
from collections.abc import Iterator

import pytest

from harness.plugin.bridge import LoopThread


@pytest.fixture
def thread() -> Iterator[LoopThread]:
    made = LoopThread()
    yield made
    made.close()


class Interrupts:
    """Stands for Ctrl-C: the waiting for a future is interrupted so often, and only then goes on."""

    def __init__(self, times: int, then: threading.Event) -> None:
        self.left = times
        self._then = then
        self._wait = concurrent.futures.wait

    def __call__(self, futures: list[concurrent.futures.Future[object]]) -> object:
        self.left -= 1
        if self.left >= 0:
            raise KeyboardInterrupt
        self._then.set()
        return self._wait(futures)


def test_what_is_waited_for_ends_however_often_the_waiting_is_interrupted(
    thread: LoopThread, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, done = threading.Event(), []

    async def put_back() -> None:
        await asyncio.to_thread(go_on.wait)
        done.append("put back")

    monkeypatch.setattr(concurrent.futures, "wait", Interrupts(3, go_on))
    with pytest.raises(KeyboardInterrupt):
        thread.wait(put_back())
    assert done == ["put back"]


def test_what_may_be_stopped_is_cancelled_and_its_end_is_waited_for(
    thread: LoopThread, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, done = threading.Event(), []

    async def opening() -> None:
        begun.set()
        try:
            await asyncio.Event().wait()
        finally:
            done.append("closed again")

    class AfterItBegan(Interrupts):
        def __call__(self, futures: list[concurrent.futures.Future[object]]) -> object:
            begun.wait()
            return super().__call__(futures)

    monkeypatch.setattr(concurrent.futures, "wait", AfterItBegan(1, begun))
    with pytest.raises(KeyboardInterrupt):
        thread.wait(opening(), may_stop=True)
    assert done == ["closed again"]


async def test_a_loop_of_a_test_asks_and_cancels(thread: LoopThread) -> None:
    cancelled = threading.Event()

    async def work() -> str:
        return threading.current_thread().name

    async def endless() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.set()
            raise

    assert await thread.ask(work()) == "farend"
    asked = asyncio.create_task(thread.ask(endless()))
    await asyncio.sleep(0)
    asked.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asked
    assert await asyncio.to_thread(cancelled.wait, 60)


def test_what_goes_wrong_there_is_raised_here(thread: LoopThread) -> None:
    async def wrong() -> None:
        raise ValueError("in the thread")

    with pytest.raises(ValueError, match="in the thread"):
        thread.wait(wrong())
