"""The one list of checks that every link passes. A new link adds its rig to ``RIGS`` and nothing else."""

from __future__ import annotations

import asyncio
import gc
import itertools
import os
import random
import sys
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.links.base import LinkState
from tests.conformance.listing import check
from tests.conformance.rig import HOLD_NS, LINK, OWN_INSTANT_S, POINT, Ears, Rig, clock, stand_still

BACK_OFF_MAX_NS = 2 * NS_PER_S
"""No link waits longer than this between two attempts."""
QUIET_NS = 3 * HOLD_NS


@asynccontextmanager
async def at_work(rig: Rig) -> AsyncIterator[Ears]:
    """Peer, wire and listener are up, and the point was seen off."""
    async with rig.running():
        ears = Ears(rig)
        async with ears.listening():
            await ears.until_up()
            await rig.begin(ears)
            ears.ever_on = False
            yield ears


async def settled(rig: Rig, ears: Ears, *, on: bool) -> Bounds:
    """Show a state, and wait until it was seen. Returns when it was shown."""
    shown = await rig.show(on=on)
    await ears.until_seen(on=on)
    return shown


def told(seed: int) -> None:
    """Shown where a test fails."""
    sys.stdout.write(f"seed {seed}\n")


def changes(ears: Ears) -> list[tuple[Bounds, bool]]:
    """(bounds, to which state) of each change that was seen, in order."""
    sketch = ears.outline()
    found: list[tuple[Bounds, bool]] = []
    for number in range(len(sketch.first)):
        sighting = sketch.sighting(number)
        found.append((sighting.onset, True))
        if sighting.end.hi < FOREVER:
            found.append((sighting.end, False))
    return found


def contains(bounds: Bounds, truth: Bounds) -> bool:
    """Whether the true instant, which is somewhere in ``truth``, can be in ``bounds``."""
    return bounds.lo <= truth.hi and truth.lo <= bounds.hi


# --- honest stamps -------------------------------------------------------------------------------------


@check
async def test_bounds_contain_the_truth(rig: Rig) -> None:
    """Twenty changes at random phases: each is seen, within bounds that hold the instant at which it happened."""
    seed = random.randrange(1 << 32)
    told(seed)
    phases = random.Random(seed)
    async with at_work(rig) as ears:
        truth = []
        for on in [True, False] * 10:
            await asyncio.sleep(phases.random() * 0.03)
            truth.append((await settled(rig, ears, on=on), on))
        seen = changes(ears)[-len(truth) :]
        assert [on for _, on in seen] == [on for _, on in truth]
        for (bounds, _), (shown, _) in zip(seen, truth, strict=True):
            assert contains(bounds, shown), (bounds, shown)


@check
async def test_a_loop_that_stood_still_never_moves_a_bound(rig: Rig) -> None:
    """The computer was busy while the output changed: the bounds are wide, and still hold the truth."""
    async with at_work(rig) as ears:
        shown = await rig.show(on=True)
        stand_still(150 * NS_PER_MS)
        await ears.until_seen(on=True)
        assert any(on and contains(bounds, shown) for bounds, on in changes(ears)), (changes(ears), shown)


@check
async def test_quiet_is_proved_while_the_link_lives(rig: Rig) -> None:
    """Otherwise the checks below, that nothing is proved in blind time, would be met by a link that proves nothing."""
    async with at_work(rig) as ears:
        await asyncio.sleep(OWN_INSTANT_S)
        start = clock()
        await asyncio.sleep(QUIET_NS / NS_PER_S)
        if rig.is_pushed:
            await rig.prove_alive(ears, clock())
        end = clock()
        if rig.is_pushed:
            # Silence is evidence up to the last proof of life less the longest delay: let both pass.
            await rig.prove_alive(ears, end)
        else:
            await ears.until_heard_since(end + 50 * NS_PER_MS)
        result = ears.quiet(Bounds(start, end))
        assert result.verdict is Verdict.QUIET, result


# --- the peer goes away -----------------------------------------------------------------------------------


@check
async def test_a_peer_that_is_not_there_is_said_and_found_once_it_is(rig: Rig) -> None:
    async with rig.running():
        await rig.refuse()
        ears = Ears(rig)
        async with ears.listening():
            await ears.live.wait_until(lambda: bool(ears.states()), clock() + 5 * NS_PER_S)
            assert all(state is LinkState.DOWN and why for state, why in ears.states()), ears.states()
            assert not ears.live.up[LINK]
            assert POINT not in ears.live.states
            await rig.admit()
            await ears.until_up()
            await settled(rig, ears, on=True)


@check
async def test_what_happens_while_the_peer_is_away_is_blind_time(rig: Rig) -> None:
    """The output comes and goes while the connection is down: not seen, and not proved to have been quiet either."""
    async with at_work(rig) as ears:
        start = clock()
        await rig.refuse()
        await ears.until_down()
        await rig.show(on=True)
        await asyncio.sleep(QUIET_NS / NS_PER_S)
        await rig.show(on=False)
        end = clock()
        await rig.admit()
        await ears.until_up()
        await settled(rig, ears, on=True)
        await settled(rig, ears, on=False)
        assert ears.quiet(Bounds(start, end)).verdict.verdict_class is VerdictClass.UNKNOWN
        assert not [it for it in changes(ears) if start < it[0].lo and it[0].hi < end], "nobody looked"


@check
async def test_a_lost_connection_comes_back_and_the_time_between_is_blind(rig: Rig) -> None:
    async with at_work(rig) as ears:
        before, downs = len(rig.attempts_ns()), ears.downs()
        rig.cut()
        await ears.until_back(downs)
        await settled(rig, ears, on=True)
        assert len(rig.attempts_ns()) > before
        down = [change for change in ears.live.link_changes[LINK] if change.state is LinkState.DOWN]
        assert down
        assert down[-1].why
        blind = ears.blind()
        assert any(it.lo <= down[-1].at_ns <= it.hi for it in blind), (blind, down)


@check
async def test_a_half_open_link_proves_nothing(rig: Rig) -> None:
    """Nothing arrives and nobody is told; the output comes and goes meanwhile."""
    async with at_work(rig) as ears:
        rig.hold()
        start = clock()
        await rig.show(on=True)
        await asyncio.sleep(QUIET_NS / NS_PER_S)
        await rig.show(on=False)
        end = clock()
        await asyncio.sleep(0.05)
        result = ears.quiet(Bounds(start, end))
        assert result.verdict.verdict_class is VerdictClass.UNKNOWN, result
        await rig.heal(ears)
        await settled(rig, ears, on=True)
        await settled(rig, ears, on=False)
        result = ears.quiet(Bounds(start, end))
        assert result.verdict.verdict_class is VerdictClass.UNKNOWN, result


@check
async def test_attempts_to_connect_are_spaced_and_the_spacing_is_capped(rig: Rig) -> None:
    """A peer that accepts and hangs up at once: it is neither stormed nor forgotten."""
    async with rig.running():
        ears = Ears(rig)
        async with ears.listening():
            start = clock()
            while clock() < start + 4 * NS_PER_S:
                rig.cut()
                await asyncio.sleep(0.005)
            attempts = rig.attempts_ns()
            pauses = [b - a for a, b in itertools.pairwise(attempts)]
            assert 2 <= len(attempts) <= 80, len(attempts)
            assert max(pauses) <= BACK_OFF_MAX_NS + NS_PER_S, pauses
        await asyncio.sleep(0)


# --- bad bytes ----------------------------------------------------------------------------------------------


@check
async def test_a_slow_peer_is_waited_for(rig: Rig) -> None:
    """Every byte by itself: values are as good as ever, only later."""
    async with at_work(rig) as ears:
        rig.slow(rig.slow_s)
        shown = await settled(rig, ears, on=True)
        rig.slow(0)
        await settled(rig, ears, on=False)
        assert any(on and contains(bounds, shown) for bounds, on in changes(ears)), (changes(ears), shown)


@check
async def test_garbage_is_no_value(rig: Rig) -> None:
    """Random bytes, fifty times over: nothing that the peer did not say is ever believed."""
    seed = random.randrange(1 << 32)
    told(seed)
    noise = random.Random(seed)
    async with at_work(rig) as ears:
        for _ in range(50):
            rig.inject(noise.randbytes(noise.randrange(1, 300)))
            await asyncio.sleep(0.002)
        await rig.until_well(ears)
        assert not ears.ever_on, "the output never came on"
        await settled(rig, ears, on=True)


@check
async def test_half_a_message_is_no_value(rig: Rig) -> None:
    """A push that says "on" is torn, or an answer of a point that is off: neither may be read as on."""
    async with at_work(rig) as ears:
        for _ in range(5):
            rig.tear()
            await rig.show(on=rig.is_pushed)
            await asyncio.sleep(0.02)
            await rig.until_well(ears)
            assert not ears.ever_on
            if rig.is_pushed:
                await rig.show(on=False)
        await settled(rig, ears, on=True)


@check
async def test_a_flood_costs_no_memory_and_is_outlived(rig: Rig) -> None:
    """Megabytes of nonsense as fast as they go: memory stays bounded, and what comes after is heard."""
    async with at_work(rig) as ears:
        tracemalloc.start()
        try:
            gc.collect()
            before, _ = tracemalloc.get_traced_memory()
            tracemalloc.reset_peak()
            for _ in range(rig.flood_bytes >> 16):
                rig.inject(bytes(range(256)) * 256)
                await asyncio.sleep(0)
            await rig.until_well(ears)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        # What the wire itself holds for a listener that reads slowly is not the listener's.
        assert peak - before - rig.held_by_wire() < 24 * 1024 * 1024, (before, peak)
        await settled(rig, ears, on=True)
        await settled(rig, ears, on=False)


@check
async def test_somebody_else_is_not_believed(rig: Rig) -> None:
    """Another unit, device or sender shows the alarm: it is not this point's."""
    async with rig.running():
        await rig.be_somebody_else()
        ears = Ears(rig)
        async with ears.listening():
            await asyncio.sleep(0.5)
            state = ears.live.states.get(POINT)
            assert state is None or not state.on, state


# --- leaving --------------------------------------------------------------------------------------------------


@check
async def test_nothing_is_left_running(rig: Rig) -> None:
    """Ended in the middle of its work: the peer knows, no task, no descriptor and no thread stays behind."""
    async with rig.running():
        async with Ears(rig).listening():
            await asyncio.sleep(0.05)  # whatever loads lazily is loaded once before it is counted
        await rig.until_left()
        tasks, descriptors = set(asyncio.all_tasks()), open_descriptors()
        for _ in range(5):
            ears = Ears(rig)
            async with ears.listening():
                await ears.until_up()
                await settled(rig, ears, on=True)
                await settled(rig, ears, on=False)
            assert ears.states()[-1][0] is LinkState.DOWN or not rig.is_pushed
            await rig.until_left()
        await asyncio.sleep(0.05)
        left = {task for task in asyncio.all_tasks() - tasks if not task.done()}
        assert not [task for task in left if "wire" not in task.get_name()], left
        assert len(open_descriptors()) <= len(descriptors), sorted(open_descriptors() - descriptors)


@check
async def test_not_a_byte_more_than_declared(rig: Rig) -> None:
    """A listener that may only listen sends nothing, whatever its peer does to it."""
    async with at_work(rig) as ears:
        rig.inject(b"\x05\x11\x13 ENQ XON XOFF \r\n")
        await rig.until_well(ears)
        await settled(rig, ears, on=True)
        await settled(rig, ears, on=False)
        sent = rig.sent_by_listener()
        if rig.stays_silent:
            assert sent == b""
        rig.check_sent(sent)


def open_descriptors() -> set[str]:
    """What this process has open, by number and name."""
    if sys.platform != "linux":
        return set()
    found = set()
    for number in os.listdir("/proc/self/fd"):  # noqa: PTH208 - paths of descriptors are no files to look into
        try:
            found.add(f"{number} {os.readlink(f'/proc/self/fd/{number}')}")  # noqa: PTH115
        except OSError:
            continue
    return found
