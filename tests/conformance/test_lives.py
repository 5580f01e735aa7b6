"""Beginning and ending: at any instant, again and again, and while nobody is there."""

from __future__ import annotations

import asyncio
import gc
import itertools
import random
import sys
from collections.abc import Callable
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.links.base import AnyBlock, LinkState
from harness.run.listening import listeners
from tests.conformance.listing import check
from tests.conformance.rig import Ears, Rig, clock
from tests.conformance.test_conformance import open_descriptors, settled, told

LIFE_MAX_S: Final = 0.4
"""Connecting, setting up and the first polls or messages are over by then."""
BLOCKS_SPARE: Final = 300
REFUSED_S: Final = 60


@check
async def test_ended_at_any_instant_it_leaves_nothing(rig: Rig) -> None:
    """Cancelled at many random instants: no task, no descriptor, nothing at the peer; the next listener is well."""
    seed = 20
    told(seed)
    dice = random.Random(f"{rig.name} {seed}")
    async with rig.running():
        await lived(rig, LIFE_MAX_S)  # whatever loads lazily is loaded
        await asyncio.sleep(0.05)
        tasks, descriptors = asyncio.all_tasks(), open_descriptors()
        for _ in range(rig.instants):
            # As often within the first milliseconds as later.
            await lived(rig, LIFE_MAX_S * dice.random() ** dice.choice((1, 4)))
        await asyncio.sleep(0.05)
        left = {it for it in asyncio.all_tasks() - tasks if not it.done() and "wire" not in it.get_name()}
        assert not left
        assert len(open_descriptors()) <= len(descriptors), sorted(open_descriptors() - descriptors)
        ears = Ears(rig)
        async with ears.listening():
            await ears.until_up()
            await settled(rig, ears, on=True)
        await rig.until_left()


async def lived(rig: Rig, seconds: float) -> None:
    """One listener from its beginning to its end."""
    async with Ears(rig).listening():
        await asyncio.sleep(seconds)
    await rig.until_left()


@check
async def test_who_is_not_there_is_asked_for_ever_and_not_too_often(rig: Rig) -> None:
    """A minute of refusals: attempts become rarer up to the limit, never stop, and are one report of the link."""
    async with rig.running():
        await rig.refuse()
        ears = Ears(rig)
        async with ears.listening():
            await asyncio.sleep(REFUSED_S if rig.in_process else REFUSED_S / 6)
            attempts = rig.attempts_ns()
            pauses = [b - a for a, b in itertools.pairwise(attempts)]
            if attempts:
                assert max(pauses) <= 3 * NS_PER_S, pauses
                assert clock() - attempts[-1] <= 3 * NS_PER_S
                assert pauses[0] <= 500 * NS_PER_MS, pauses
                assert min(pauses[6:]) >= 1500 * NS_PER_MS, pauses
            assert len([it for it, _ in ears.states() if it is LinkState.DOWN]) <= 2, ears.states()
            await rig.admit()
            await ears.until_up()
            await settled(rig, ears, on=True)


class Forgetful:
    """An observer that keeps nothing but how the link stands."""

    def __init__(self) -> None:
        self.ups = self.downs = 0
        self.is_up = False
        self._news = asyncio.Event()

    def block(self, block: AnyBlock) -> None:
        """See ``Observer.block``."""

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """See ``Observer.poll``."""

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        """See ``Observer.poll_failed``."""

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        """See ``Observer.overrun``."""

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        """See ``Observer.message``."""

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        """See ``Observer.dropped``."""

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        """See ``Observer.link_state``."""
        self.is_up = state is LinkState.UP
        self.ups += self.is_up
        self.downs += not self.is_up
        self._news.set()

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until ``condition`` holds; it is looked at whenever the link went up or down."""
        while not condition():  # no deadline: an event loop keeps cancelled timers for a while, which would count here
            self._news.clear()
            await self._news.wait()


@check
async def test_memory_is_the_same_after_any_number_of_ups_and_downs(rig: Rig) -> None:
    """What is in memory after some cycles, as many again and as many again: what grows with each would show."""
    async with rig.running():
        site, heard = rig.site(), Forgetful()
        listener = listeners(site, heard, clock)[0]
        rig.meet(listener)
        task = asyncio.create_task(listener.run(), name="listener")
        try:
            await heard.until(lambda: heard.is_up)
            await cycles(rig, heard, rig.cycles)
            before = memory()
            await cycles(rig, heard, rig.cycles)
            between = memory()
            await cycles(rig, heard, rig.cycles)
            after = memory()
        finally:
            task.cancel()
            await asyncio.wait([task])
    # Caches fill in steps, so growth is a leak only where it goes on; peers in this process may remember a little.
    objects, parts = (min(b - a, c - b) for a, b, c in zip(before, between, after, strict=True))
    assert objects < rig.cycles // 2, (before, between, after)
    assert parts < max(rig.cycles, BLOCKS_SPARE), (before, between, after)


async def cycles(rig: Rig, heard: Forgetful, count: int) -> None:
    """So often down and up again."""
    for _ in range(count):
        ups, downs = heard.ups, heard.downs
        await rig.refuse()
        await heard.until(lambda: heard.downs > downs)  # noqa: B023 - awaited here
        await rig.admit()
        await heard.until(lambda: heard.ups > ups)  # noqa: B023 - as above
    rig.forget()


def memory() -> tuple[int, int]:
    """Objects that the collector knows, and blocks of memory of whatever kind; rubbish aside."""
    gc.collect()
    return len(gc.get_objects()), sys.getallocatedblocks()
