"""The fine timer: never early, in order, cancelled for good; on another clock it is the event loop's own."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest

from harness.core.instants import NS_PER_MS
from harness.links.fine_timer import FINE_NS, FineTimer, FineWake


@pytest.mark.parametrize("delay_ns", [1, 100_000, 2 * NS_PER_MS, FINE_NS, FINE_NS + 1, 20 * NS_PER_MS])
async def test_it_is_never_early_and_leaves_no_thread(delay_ns: int) -> None:
    threads = threading.active_count()
    rung = asyncio.Event()
    with FineTimer(time.monotonic_ns) as timer:
        for _ in range(20):
            rung.clear()
            begun_ns = time.monotonic_ns()
            timer.call_in(delay_ns, rung.set)
            assert not rung.is_set(), "never from within the call"
            async with asyncio.timeout(10):
                await rung.wait()
            assert time.monotonic_ns() - begun_ns >= delay_ns
    assert threading.active_count() == threads


@pytest.mark.parametrize("delay_ns", [1, NS_PER_MS, 20 * NS_PER_MS])
async def test_a_cancelled_one_does_not_ring(delay_ns: int) -> None:
    rung: list[str] = []
    last = asyncio.Event()
    with FineTimer(time.monotonic_ns) as timer:
        timer.call_in(delay_ns, lambda: rung.append("cancelled")).cancel()
        timer.call_in(delay_ns + 5 * NS_PER_MS, last.set)
        async with asyncio.timeout(10):
            await last.wait()
        timer.call_in(delay_ns, lambda: rung.append("left"))
    await asyncio.sleep(0)
    assert "cancelled" not in rung


async def test_on_another_clock_the_event_loop_keeps_the_time() -> None:
    with FineTimer(lambda: 0) as timer:
        handle = timer.call_in(10**18, lambda: None)
    assert not isinstance(handle, FineWake)
    assert handle.when() - asyncio.get_running_loop().time() > 10**8
    handle.cancel()
