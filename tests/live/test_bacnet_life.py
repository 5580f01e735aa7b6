"""Whether a BACnet device still tells: a restart between two polls is never taken for silence that proves something."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.links import BacnetLink
from harness.core.model import Point
from harness.core.places import Arrival
from harness.core.trace import Trace
from harness.links import bacnet_alive, bacnet_life
from harness.links.bacnet import BacnetListener
from harness.links.bacnet_messages import Gap, LifeSign, Subscription, SubscriptionStep, ValueChange
from harness.links.bacnet_trace import bacnet_trace
from harness.links.base import LinkState
from tests.peers.bacnet import HeardSource, bacnet_link, bacnet_point, messages
from tests.peers.hand_bacnet import BINARY_INPUT, DEVICE, HandDevice, enumerated, hand_device, identifier, unicast
from tests.peers.recorder import Recorder, listening

ON, OFF = enumerated(1), enumerated(0)
COV = bacnet_point(1, Arrival.COV)
EVENT = bacnet_point(1, Arrival.EVENT)
DELAY_NS = 10 * NS_PER_MS


@pytest.fixture(autouse=True)
def looks_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """A look every 20 ms, so that no test waits for long."""
    monkeypatch.setattr(bacnet_life, "LOOK_PERIOD_NS", 20 * NS_PER_MS)
    monkeypatch.setattr(bacnet_life, "look_period_ns", lambda _subscriptions: 20 * NS_PER_MS)
    monkeypatch.setattr(bacnet_alive, "RESTART_MIN_NS", 10**10)


@asynccontextmanager
async def up(device: HandDevice, points: list[Point], **rest: object) -> AsyncIterator[tuple[Recorder, BacnetLink]]:
    heard = Recorder()
    told = {"longest_delay_ns": DELAY_NS, "promises_every_change": True, **rest}
    spec = bacnet_link(device.address[1], device.instance, "building", **told)
    device.set(BINARY_INPUT, 1, OFF)
    async with listening(BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id)):
        await heard.until(lambda: LinkState.UP in [state for _, _, state, _ in heard.states])
        yield heard, spec


def trace(heard: Recorder, spec: BacnetLink, point: Point) -> Trace:
    place = point.place
    source = HeardSource(heard)
    return bacnet_trace(point.name, place, spec, source, source.blocks(), 0, time.monotonic_ns())  # type: ignore[arg-type]


def sealed_over(it: Trace, instant: int) -> bool:
    """Whether the trace proves that nothing happened in the gap that holds the instant."""
    assert it.sealed is not None
    after = [n for n in range(len(it)) if int(it.lo[n]) >= instant]
    return bool(after) and bool(it.sealed[after[0]])


def looks(heard: Recorder) -> list[LifeSign]:
    return messages(heard, LifeSign)


async def more(heard: Recorder, count: int, found: Callable[[Recorder], list[LifeSign]] = looks) -> None:
    before = len(found(heard))
    await heard.until(lambda: len(found(heard)) >= before + count)


async def test_silence_is_proven_while_the_device_lists_the_subscription() -> None:
    async with hand_device(lists=True) as device, up(device, [COV]) as (heard, spec):
        await heard.until(lambda: any(it.lists for it in looks(heard)))
        quiet_ns = time.monotonic_ns()
        await more(heard, 3)
        assert sealed_over(trace(heard, spec, COV), quiet_ns)
    assert not any(it.missing for it in looks(heard))


async def test_a_pulse_during_a_quick_restart_between_two_polls_is_never_proven_to_be_none() -> None:
    """On and off again before anything is read: the value is as it was told, and nobody was told of the pulse."""
    async with hand_device(lists=True) as device, up(device, [COV]) as (heard, spec):
        await heard.until(lambda: any(it.lists for it in looks(heard)) and len(messages(heard, ValueChange)) == 1)
        await more(heard, 2)
        device.restart()
        device.set(BINARY_INPUT, 1, ON)
        pulse_ns = time.monotonic_ns()
        device.set(BINARY_INPUT, 1, OFF)
        await heard.until(lambda: any(it.step is SubscriptionStep.LOST for it in messages(heard, Subscription)))
        await heard.until(lambda: len(messages(heard, ValueChange)) == 2)
        after_ns = time.monotonic_ns()
        await more(heard, 3)
        found = trace(heard, spec, COV)
        assert not sealed_over(found, pulse_ns)
        assert sealed_over(found, after_ns)
    assert any("lost subscriptions" in it.why for it in messages(heard, Gap))


async def test_a_list_that_never_holds_anything_is_not_believed() -> None:
    async with hand_device(lists=True, lies=True) as device, up(device, [COV]) as (heard, spec):
        await heard.until(lambda: len(looks(heard)) >= 2)
        polls, quiet_ns = len(heard.polls), time.monotonic_ns()
        await heard.until(lambda: len(heard.polls) >= polls + 4)
        assert sealed_over(trace(heard, spec, COV), quiet_ns)
        steps = [it.step for it in messages(heard, Subscription)]
    assert steps == [SubscriptionStep.ASKED, SubscriptionStep.KEPT] * 2
    assert not any(it.says_something for it in looks(heard))


async def test_events_are_proven_by_the_time_of_the_last_restart() -> None:
    async with hand_device() as device:
        device.has_restart_time()
        async with up(device, [EVENT]) as (heard, spec):
            await more(heard, 1)
            quiet_ns = time.monotonic_ns()
            await more(heard, 3)
            assert sealed_over(trace(heard, spec, EVENT), quiet_ns)
            device.restart()
            restart_ns = time.monotonic_ns()
            await heard.until(lambda: looks(heard)[-1].restarted != looks(heard)[0].restarted)
            reads = len(heard.polls)
            await heard.until(lambda: len(heard.polls) > reads + 3)
            after_ns = time.monotonic_ns()
            await more(heard, 3)
            found = trace(heard, spec, EVENT)
            assert not sealed_over(found, restart_ns)
            assert sealed_over(found, after_ns)
    assert any("Time_Of_Device_Restart is another" in it.why for it in messages(heard, Gap))


async def test_where_neither_can_be_read_a_read_without_an_answer_ends_what_is_proven() -> None:
    async with hand_device() as device, up(device, [COV], timeout_ns=100 * NS_PER_MS) as (heard, spec):
        await heard.until(lambda: len(looks(heard)) >= 1 and len(messages(heard, ValueChange)) == 1)
        device.silent = True
        silent_ns = time.monotonic_ns()
        await heard.until(lambda: len(heard.failures) >= 1)
        device.silent = False
        await heard.until(lambda: len(messages(heard, ValueChange)) >= 2)
        polls, after_ns = len(heard.polls), time.monotonic_ns()
        await heard.until(lambda: len(heard.polls) >= polls + 4)
        found = trace(heard, spec, COV)
        assert not sealed_over(found, silent_ns)
        assert sealed_over(found, after_ns)
    assert [it.says_something for it in looks(heard)] == [False]


async def test_a_device_that_announces_itself_has_lost_events_too() -> None:
    async with hand_device() as device, up(device, [EVENT]) as (heard, spec):
        await heard.until(lambda: len(heard.polls) >= 2)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("harness.links.bacnet.ANSWERS_TO_WHO_IS_NS", 0)
            patch.setattr("harness.links.bacnet.RESTARTS_APART_NS", 0)
            i_am = b"\x10\x00\xc4" + identifier(DEVICE, 4) + bytes.fromhex("2205C4 9103 2100")
            device.send(unicast(i_am), ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: bool(messages(heard, Gap)))
    assert "announced itself" in messages(heard, Gap)[0].why
