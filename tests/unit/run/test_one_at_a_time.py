"""Work that is done one at a time, interrupted to put back, and refused once the run is over."""

from __future__ import annotations

import asyncio
import functools

import pytest

from harness.core.errors import RecordError
from harness.results.interrupting import InterruptedTestError, Interruption, StoppedRunError, Why
from harness.run.one_at_a_time import ENDED, OneAtATime

DEAD_MAN = Interruption(why=Why.DEAD_MAN, text="raised for too long")


class Log:
    """What was done, in order."""

    def __init__(self) -> None:
        self.done: list[str] = []

    async def work(self, name: str, steps: int = 3) -> str:
        self.done.append(f"{name} begins")
        try:
            for _ in range(steps):
                await asyncio.sleep(0)
        except asyncio.CancelledError:
            self.done.append(f"{name} is cancelled")
            raise
        self.done.append(f"{name} ends")
        return name


async def settle() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


async def test_one_after_the_other_however_they_are_asked_for() -> None:
    turns, log = OneAtATime(), Log()
    asked = [turns.do(functools.partial(log.work, it)) for it in "abc"]
    assert await asyncio.gather(*asked) == ["a", "b", "c"]
    assert log.done == [f"{it} {what}" for it in "abc" for what in ("begins", "ends")]


async def test_who_cancels_the_waiting_waits_for_the_end_of_the_work() -> None:
    turns, log = OneAtATime(), Log()
    asked = asyncio.create_task(turns.do(lambda: log.work("a", 1000)))
    await settle()
    asked.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asked
    assert log.done == ["a begins", "a is cancelled"]
    assert await turns.do(lambda: log.work("b")) == "b", "and whoever comes next is not in its way"


async def test_an_interruption_cancels_puts_back_and_tells_whoever_asks() -> None:
    turns, log = OneAtATime(), Log()
    asked = asyncio.create_task(turns.do(lambda: log.work("a", 1000)))
    waiting = asyncio.create_task(turns.do(lambda: log.work("b")))
    await settle()

    async def put_back() -> None:
        await log.work("put back")

    turns.interrupt(DEAD_MAN, put_back)
    for task in (asked, waiting):
        with pytest.raises(InterruptedTestError, match="raised for too long"):
            await task
    assert log.done == ["a begins", "a is cancelled", "put back begins", "put back ends"]
    with pytest.raises(InterruptedTestError, match="raised for too long"):
        turns.must_go_on()
    assert await turns.do(lambda: log.work("tidy"), anyway=True) == "tidy"
    turns.anew()
    assert await turns.do(lambda: log.work("next")) == "next"


async def test_it_is_put_back_too_where_nothing_is_done_just_now() -> None:
    turns, log = OneAtATime(), Log()

    async def put_back() -> None:
        await log.work("put back")

    turns.interrupt(DEAD_MAN, put_back)
    with pytest.raises(InterruptedTestError):
        await turns.do(lambda: log.work("a"))
    await settle()
    assert log.done == ["put back begins", "put back ends"]


@pytest.mark.parametrize("error", [StoppedRunError("a real alarm"), RecordError("the disk is full")])
async def test_what_stops_the_run_stops_it_for_all(error: Exception) -> None:
    turns, log = OneAtATime(), Log()

    async def stops() -> None:
        raise error

    with pytest.raises(type(error), match=str(error)):
        await turns.do(stops)
    assert turns.is_over
    assert await turns.over() == str(error)
    for anyway in (False, True):
        with pytest.raises(StoppedRunError, match=str(error)):
            await turns.do(lambda: log.work("a"), anyway=anyway)
    assert log.done == []


async def test_what_stops_the_putting_back_stops_the_run() -> None:
    turns = OneAtATime()

    async def put_back() -> None:
        raise StoppedRunError("still on")

    turns.interrupt(DEAD_MAN, put_back)
    assert await turns.over() == "still on"


async def test_finish_waits_for_what_is_put_back_and_ends_what_is_done() -> None:
    turns, log = OneAtATime(), Log()
    asked = asyncio.create_task(turns.do(lambda: log.work("a", 1000)))
    await settle()
    await turns.finish()
    with pytest.raises(StoppedRunError, match=ENDED):
        await asked
    assert log.done == ["a begins", "a is cancelled"]
    assert await turns.over() == ""
