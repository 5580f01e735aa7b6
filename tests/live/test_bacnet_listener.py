"""The BACnet/IP listener against devices on real sockets: one made by hand, and another stack's."""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise

import pytest

from harness.core.errors import IdentityError
from harness.core.instants import NS_PER_MS
from harness.core.links import BacnetLink, CovKind
from harness.core.model import Point
from harness.core.places import Arrival
from harness.links.bacnet import BacnetListener
from harness.links.bacnet_app import ANSWERS_KEPT
from harness.links.bacnet_messages import (
    LATE_ANSWER,
    EventNotice,
    Reporting,
    Subscription,
    SubscriptionStep,
    ValueChange,
)
from harness.links.bacnet_values import ObjectReading, Status, unpack
from harness.links.base import LinkState
from tests.peers.bacnet import AI, BI, bacnet_link, bacnet_point, messages
from tests.peers.hand_bacnet import (
    ANALOG_INPUT,
    BINARY_INPUT,
    DEVICE,
    HandDevice,
    enumerated,
    hand_device,
    identifier,
    real,
    unicast,
)
from tests.peers.recorder import Recorder, eventually, listening

ON, OFF = enumerated(1), enumerated(0)
EVENT_F_1_5 = bytes.fromhex(
    "1003 0901 1C02000009 2C00000002 3E19103F 4904 5964 6905 8900 9901 A900 B903"
    "CE5E0C42A033331A04802C3F8000003C42A000005FCF"
)
"""Annex F.1.5 of ASHRAE 135: device 9, analog-input 2, from normal to high-limit, to be acknowledged."""
EVENT_F_1_4 = bytes.fromhex(
    "00021002 0901 1C02000004 2C00000002 3E19103F 4904 5964 6905 8900 9901 A900 B903"
    "CE5E0C42A033331A04802C3F8000003C42A000005FCF"
)
"""Annex F.1.4: the same of device 4, confirmed, invoke id 16."""


def listener(spec: BacnetLink, points: list[Point], heard: Recorder) -> BacnetListener:
    return BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id)


@asynccontextmanager
async def up(device: HandDevice, points: list[Point], **rest: object) -> AsyncIterator[tuple[Recorder, BacnetLink]]:
    """A listener of the device, up."""
    heard = Recorder()
    spec = bacnet_link(device.address[1], device.instance, "building", **rest)
    async with listening(listener(spec, points, heard)):
        await heard.until(lambda: LinkState.UP in [state for _, _, state, _ in heard.states])
        yield heard, spec


def readings(heard: Recorder, block: int, index: int = 0) -> list[ObjectReading]:
    return [unpack(payload, index) for payload in heard.payloads(block)]


def put_aside(heard: Recorder) -> list[tuple[str, int, str, bytes]]:
    """What was dropped, but for the answer to a poll that was under way when the listener was ended."""
    return [it for it in heard.drops if it[2] != LATE_ANSWER]


def steps(heard: Recorder) -> list[SubscriptionStep]:
    return [it.step for it in messages(heard, Subscription)]


async def test_polled_values_are_those_of_the_device() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, ON, bits=9, state=2)
        device.set(ANALOG_INPUT, 7, real(72.3))
        points = [bacnet_point(1), bacnet_point(7, object_type=AI), bacnet_point(9)]
        async with up(device, points) as (heard, _):
            (block,) = heard.object_blocks.values()
            assert block.objects == ((BI, 1), (AI, 7), (BI, 9))
            await heard.until(lambda: len(heard.polls) >= 3)
            flags = Status.IN_ALARM | Status.OUT_OF_SERVICE
            assert readings(heard, block.id)[0] == ObjectReading(value=1.0, status=flags, event_state=2)
            seven = struct.unpack(">f", struct.pack(">f", 72.3))[0]
            assert readings(heard, block.id, 1)[0] == ObjectReading(value=seven, status=Status(0), event_state=0)
            assert readings(heard, block.id, 2)[0] == ObjectReading()
            device.set(BINARY_INPUT, 1, OFF)
            await heard.until(lambda: readings(heard, block.id)[-1].value == 0.0)
    assert not heard.failures
    asked = [at for _, at, _, _ in heard.polls]
    told = [at for _, _, at, _ in heard.polls]
    assert all(later >= earlier for later, earlier in zip(asked[1:], told, strict=False))


async def test_an_answer_that_says_the_same_as_an_earlier_one_is_of_its_own_poll() -> None:
    """Octets that came before are not decoded again; whose answer they are, and from when, must not come with them."""
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        device.set(ANALOG_INPUT, 7, real(0.0))
        points = [bacnet_point(1), bacnet_point(7, object_type=AI)]
        async with up(device, points, poll_period_ns=5 * NS_PER_MS) as (heard, _):
            (block,) = heard.object_blocks.values()
            for number in [*range(ANSWERS_KEPT + 8), 0, 1, 2]:
                device.set(BINARY_INPUT, 1, ON if number % 2 else OFF)
                device.set(ANALOG_INPUT, 7, real(float(number)))
                polls = len(heard.polls)
                await heard.until(lambda polls=polls: len(heard.polls) >= polls + 2)  # type: ignore[misc]
                assert readings(heard, block.id)[-1].value == number % 2
                assert readings(heard, block.id, 1)[-1].value == number
    assert not heard.failures
    assert not put_aside(heard)
    assert all(asked < told for _, asked, told, _ in heard.polls)
    assert all(one[2] <= other[1] for one, other in pairwise(heard.polls))


async def test_a_device_without_read_property_multiple_is_read_one_by_one() -> None:
    async with hand_device(knows_multiple=False) as device:
        device.set(BINARY_INPUT, 1, ON)
        async with up(device, [bacnet_point(1)]) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 2)
    assert not heard.failures
    assert readings(heard, 1)[0].value == 1.0


async def test_answers_that_do_not_fit_are_asked_for_in_smaller_parts() -> None:
    async with hand_device(objects_max=2) as device:
        for number in range(5):
            device.set(BINARY_INPUT, number, ON)
        async with up(device, [bacnet_point(number) for number in range(5)]) as (heard, _):
            await heard.until(lambda: {b for b, *_ in heard.polls} >= {3, 4, 5} or len(heard.polls) > 40)
            sizes = {len(heard.object_blocks[block].objects) for block, *_ in heard.polls}
    assert sizes <= {1, 2}
    read = {it for block, *_ in heard.polls for it in heard.object_blocks[block].objects}
    assert read == {(BI, number) for number in range(5)}


@pytest.mark.parametrize("kind", CovKind)
async def test_changes_are_told_and_subscriptions_cancelled_at_the_end(kind: CovKind) -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1, Arrival.COV)], cov=kind) as (heard, _):
            await heard.until(lambda: SubscriptionStep.KEPT in steps(heard))
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1)
            before_ns = time.monotonic_ns()
            device.set(BINARY_INPUT, 1, ON, bits=8)
            device.notify(BINARY_INPUT, 1)
            await heard.until(lambda: len(messages(heard, ValueChange)) == 2)
            after_ns = time.monotonic_ns()
        first, second = messages(heard, ValueChange)
        assert (first.reading.value, second.reading.value) == (0.0, 1.0)
        assert (second.invoke is None) is (kind is CovKind.UNCONFIRMED)
        _, first_ns, last_ns, _ = heard.lines[[data for *_, data in heard.lines].index(heard.lines[-2][3])]
        assert first_ns <= after_ns
        assert before_ns <= last_ns <= after_ns
        assert not device.subscribers
        if kind is CovKind.CONFIRMED:
            await eventually(lambda: len(device.acked) == 2)
    assert steps(heard) == [SubscriptionStep.ASKED, SubscriptionStep.KEPT, SubscriptionStep.ENDED]


async def test_a_subscription_is_renewed_before_it_ends() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1, Arrival.COV)], cov_lifetime_s=1) as (heard, _):
            await heard.until(lambda: steps(heard).count(SubscriptionStep.KEPT) >= 3)
    assert SubscriptionStep.LOST not in steps(heard)
    assert SubscriptionStep.RENEWING in steps(heard)


async def test_a_renewal_that_fails_is_noticed_and_the_subscription_taken_for_lost_when_its_life_is_over() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1, Arrival.COV)], cov_lifetime_s=1) as (heard, _):
            await heard.until(lambda: SubscriptionStep.KEPT in steps(heard))
            device.subscribes = False
            await heard.until(lambda: SubscriptionStep.LOST in steps(heard))
            failed = [it for it in messages(heard, Subscription) if it.why.startswith("failed")]
            assert failed[0].step is SubscriptionStep.RENEWING
            lost = next(it for it in messages(heard, Subscription) if it.step is SubscriptionStep.LOST)
            assert "lifetime of 1 s" in lost.why


async def test_a_subscription_that_the_device_forgot_is_noticed_by_what_is_read() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1, Arrival.COV)]) as (heard, _):
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1)
            told_ns = heard.lines[-1][2]
            device.subscribers.clear()
            device.set(BINARY_INPUT, 1, ON)
            await heard.until(lambda: SubscriptionStep.LOST in steps(heard))
            lost = next(it for it in messages(heard, Subscription) if it.step is SubscriptionStep.LOST)
            assert lost.since_ns is not None
            assert lost.since_ns <= told_ns + 10**9
            await heard.until(lambda: steps(heard).count(SubscriptionStep.KEPT) == 2)
            await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 1.0)


async def test_subscriptions_are_cancelled_when_the_listener_ends_by_an_error() -> None:
    class Failing(Recorder):
        def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
            super().poll(block_id, asked_ns, told_ns, payload)
            if SubscriptionStep.KEPT in steps(self):
                raise OSError("the disk is full")

    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        heard = Failing()
        link = listener(bacnet_link(device.address[1], 4), [bacnet_point(1, Arrival.COV)], heard)
        with pytest.raises(OSError, match="the disk is full"):
            await asyncio.wait_for(link.run(), 20)
        assert not device.subscribers


async def test_events_are_taken_as_annex_f_has_them() -> None:
    async with hand_device() as device:
        device.set(ANALOG_INPUT, 2, real(50.0))
        async with up(device, [bacnet_point(2, Arrival.EVENT, AI)]) as (heard, spec):
            device.send(unicast(EVENT_F_1_4), ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: len(messages(heard, EventNotice)) == 1)
            await eventually(lambda: device.acked == [16])
    (event,) = messages(heard, EventNotice)
    assert (event.object, event.from_state, event.to_state) == ((AI, 2), 0, 3)
    assert (event.priority, event.notification_class, event.ack_required, event.stamp.sequence) == (100, 4, True, 16)


async def test_an_event_of_another_device_from_this_address_is_dropped() -> None:
    async with hand_device() as device:
        device.set(ANALOG_INPUT, 2, real(50.0))
        async with up(device, [bacnet_point(2, Arrival.EVENT, AI)]) as (heard, spec):
            device.send(unicast(EVENT_F_1_5), ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: len(heard.drops) == 1)
    assert "device instance 9, expected 4" in heard.drops[0][2]
    assert not messages(heard, EventNotice)


async def test_where_no_list_can_be_read_it_is_not_known_whether_farend_is_a_recipient() -> None:
    async with hand_device() as device:
        device.set(ANALOG_INPUT, 2, real(50.0))
        device.values[ANALOG_INPUT, 2].update({17: b"\x21\x04", 113: b"\x21\x05", 45: real(80.0)})
        async with up(device, [bacnet_point(2, Arrival.EVENT, AI)]) as (heard, _):
            await heard.until(lambda: len(messages(heard, Reporting)) == 1)
    (found,) = messages(heard, Reporting)
    assert (found.time_delay_ns, found.high_limit, found.notification_class) == (5 * 10**9, 80.0, 4)
    assert found.is_recipient is None
    assert "cannot be read" in found.why


async def test_a_wrong_device_instance_is_said_and_never_observed() -> None:
    async with hand_device(instance=5) as device:
        heard = Recorder()
        device.set(BINARY_INPUT, 1, ON)
        spec = bacnet_link(device.address[1], 4)
        async with listening(listener(spec, [bacnet_point(1)], heard)):
            await heard.until(lambda: len(heard.states) >= 1)
            _, _, state, why = heard.states[0]
    assert state is LinkState.DOWN
    assert "is device instance 5, expected 4" in why
    assert not heard.polls


async def test_two_devices_of_one_instance_end_the_run() -> None:
    async with hand_device() as device, hand_device() as other:
        device.set(BINARY_INPUT, 1, ON)
        heard = Recorder()
        spec = bacnet_link(device.address[1], 4)
        task = asyncio.create_task(listener(spec, [bacnet_point(1)], heard).run())
        await heard.until(lambda: len(heard.polls) >= 1)
        i_am = b"\x10\x00\xc4" + identifier(DEVICE, 4) + bytes.fromhex("2205C4 9103 2100")
        other.send(unicast(i_am), ("127.0.0.1", spec.listen_port))
        with pytest.raises(IdentityError, match="device instance 4 is claimed by"):
            await asyncio.wait_for(task, 20)


async def test_a_device_that_dies_is_down_and_comes_back_subscribed_again() -> None:
    heard = Recorder()
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        port = device.address[1]
        spec = bacnet_link(port, 4, timeout_ns=200 * NS_PER_MS)
        points = [bacnet_point(1), bacnet_point(1, Arrival.COV)]
        async with listening(listener(spec, points, heard)):
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1 and len(heard.polls) >= 2)
            device.silent = True
            await heard.until(lambda: [it for _, _, it, _ in heard.states][-1] is LinkState.DOWN)
            assert len(heard.failures) >= 3
            device.subscribers.clear()
            device.set(BINARY_INPUT, 1, ON)
            device.silent = False
            await heard.until(lambda: [it for _, _, it, _ in heard.states][-1] is LinkState.UP)
            await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 1.0)
    assert [it for _, _, it, _ in heard.states] == [LinkState.UP, LinkState.DOWN, LinkState.UP, LinkState.DOWN]


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x81",
        b"\x81\x0a\x00\x04",
        b"\x81\x0a\xff\xff\x01\x00\x10\x02",
        b"\x81\x0a\x00\x06\x07\x80",
        b"\x00" * 40,
        unicast(b"\x10\x02\x09\x12\x1c"),
        unicast(b"\x00\x02\x0f\x01\x09\x12\x1c\x02\x00\x00\x04\x2c"),
        unicast(b"\x10\x02" + b"\xff" * 60),
        unicast(b"\xf0\x00"),
        bytes(range(256)) * 5,
    ],
)
async def test_garbage_is_put_aside_and_the_rest_goes_on(garbage: bytes) -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1), bacnet_point(1, Arrival.COV)]) as (heard, spec):
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1)
            for _ in range(3):
                device.send(garbage, ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: len(put_aside(heard)) == 3)
            device.set(BINARY_INPUT, 1, ON)
            device.notify(BINARY_INPUT, 1)
            await heard.until(lambda: len(messages(heard, ValueChange)) == 2)
            polls = len(heard.polls)
            await heard.until(lambda: len(heard.polls) > polls)
    assert len(put_aside(heard)) == 3
    assert all(len(data) <= 64 for *_, data in put_aside(heard))


async def test_a_flood_loses_nothing_that_is_not_said() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        async with up(device, [bacnet_point(1), bacnet_point(1, Arrival.COV)], cov=CovKind.UNCONFIRMED) as (heard, _):
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1)
            for number in range(1500):
                device.set(BINARY_INPUT, 1, enumerated(number % 2))
                device.notify(BINARY_INPUT, 1)
                if number % 50 == 0:
                    await asyncio.sleep(0)
            polls = len(heard.polls)
            await heard.until(lambda: len(heard.polls) > polls + 5)
            said = len(heard.drops) + sum('"kind":"gap"' in data.decode() for *_, data in heard.lines)
            changes = messages(heard, ValueChange)[1:]
            assert len(changes) == 1500 or said > 0
            bounds = [(first, last) for _, first, last, data in heard.lines if b'"cov"' in data]
            assert all(first <= last for first, last in bounds)
            assert [last for _, last in bounds] == sorted(last for _, last in bounds)


async def test_nothing_but_what_was_declared_is_sent() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, OFF)
        device.set(ANALOG_INPUT, 2, real(1.0))
        points = [bacnet_point(1), bacnet_point(1, Arrival.COV), bacnet_point(2, Arrival.EVENT, AI)]
        async with up(device, points) as (heard, spec):
            device.send(unicast(EVENT_F_1_4), ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: len(messages(heard, EventNotice)) == 1 and len(heard.polls) > 5)
        services = {(it[6] >> 4, it[9] if it[6] >> 4 == 0 else it[7]) for it in device.requests if it[6] >> 4 < 2}
    confirmed = {service for kind, service in services if kind == 0}
    assert confirmed <= {5, 12, 14}  # SubscribeCOV, ReadProperty, ReadPropertyMultiple
    assert {service for kind, service in services if kind == 1} <= {8}  # Who-Is
    assert all(it[1] == 0x0A for it in device.requests)


async def test_a_port_that_is_taken_is_said() -> None:
    async with hand_device() as device, hand_device() as other:
        heard = Recorder()
        spec = bacnet_link(device.address[1], 4, listen_port=other.address[1])
        async with listening(listener(spec, [bacnet_point(1)], heard)):
            await heard.until(lambda: bool(heard.states))
        assert "is another BACnet program running here?" in heard.states[0][3]
