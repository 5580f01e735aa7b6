"""What ends the test of one alarm before it was seen through: once, for the first reason, and after putting back."""

from __future__ import annotations

import asyncio

import pytest

from harness.results.interrupting import InterruptedTestError, Interruption, Interruptions, Why
from harness.run.waiting import to_the_end

SKIP = Interruption(why=Why.SKIPPED, text="no access")
AGAIN = Interruption(why=Why.AGAIN, text="disturbed")
LEAVE = Interruption(why=Why.LEFT, text="another time")


class Work:
    """The test of one alarm: waits until it is let go, and puts back in its own time."""

    def __init__(self) -> None:
        self.begun = asyncio.Event()
        self.go = asyncio.Event()
        self.put_back = asyncio.Event()
        self.log: list[str] = []

    async def test(self) -> str:
        self.log.append("raised")
        self.begun.set()
        try:
            await self.go.wait()
        finally:
            await to_the_end(self._back())
        return "seen through"

    async def _back(self) -> None:
        await self.put_back.wait()
        self.log.append("cleared")


async def interrupted(work: Work, *reasons: Interruption) -> Interruption:
    """One test that is interrupted for all these reasons while it goes on."""
    interruptions = Interruptions()
    task = asyncio.create_task(interruptions.under(work.test()))
    await work.begun.wait()
    for it in reasons:
        interruptions.interrupt(it)
        await asyncio.sleep(0)
    work.put_back.set()
    with pytest.raises(InterruptedTestError) as found:
        await task
    return found.value.interruption


def test_what_is_raised_is_put_back_before_it_is_said() -> None:
    async def main() -> None:
        work = Work()
        assert await interrupted(work, SKIP) is SKIP
        assert work.log == ["raised", "cleared"]

    asyncio.run(main())


@pytest.mark.parametrize(("reasons", "counts"), [((SKIP, AGAIN), SKIP), ((SKIP, LEAVE), LEAVE), ((LEAVE, SKIP), LEAVE)])
def test_the_first_reason_counts_and_leaving_always(reasons: tuple[Interruption, ...], counts: Interruption) -> None:
    async def main() -> None:
        assert await interrupted(Work(), *reasons) is counts

    asyncio.run(main())


def test_one_test_is_interrupted_and_not_the_next() -> None:
    async def main() -> None:
        interruptions = Interruptions()
        for is_first in (True, False):
            work = Work()
            work.put_back.set()
            task = asyncio.create_task(interruptions.under(work.test()))
            await work.begun.wait()
            if is_first:
                interruptions.interrupt(AGAIN)
                with pytest.raises(InterruptedTestError):
                    await task
            else:
                work.go.set()
                assert await task == "seen through"

    asyncio.run(main())


@pytest.mark.parametrize("it", [SKIP, LEAVE])
def test_who_leaves_at_the_very_end_leaves_before_the_next_alarm(it: Interruption) -> None:
    """Nothing else is left over from an alarm that was seen through."""

    async def main() -> None:
        interruptions = Interruptions()
        work = Work()
        work.go.set()
        work.put_back.set()

        async def to_its_end() -> str:
            found = await work.test()
            interruptions.interrupt(it)
            return found

        assert await interruptions.under(to_its_end()) == "seen through"
        following = Work()
        following.put_back.set()
        following.go.set()
        if it is LEAVE:
            with pytest.raises(InterruptedTestError):
                await interruptions.under(following.test())
            assert following.log == [], "it was not even begun"
        else:
            assert await interruptions.under(following.test()) == "seen through"

    asyncio.run(main())


def test_being_cancelled_is_no_interruption() -> None:
    async def main() -> None:
        interruptions, work = Interruptions(), Work()
        task = asyncio.create_task(interruptions.under(work.test()))
        await work.begun.wait()
        task.cancel()
        await asyncio.sleep(0)
        task.cancel()
        work.put_back.set()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert work.log == ["raised", "cleared"]

    asyncio.run(main())


def test_what_goes_wrong_goes_through() -> None:
    async def failing() -> None:
        raise ValueError("no")

    async def main() -> None:
        with pytest.raises(ValueError, match="no"):
            await Interruptions().under(failing())

    asyncio.run(main())
