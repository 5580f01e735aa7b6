"""The BACnet/IP listener with another stack's device (rusty-bacnet), and AcknowledgeAlarm to it."""

from __future__ import annotations

import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest

pytest.importorskip("rusty_bacnet", reason="rusty-bacnet is not installed")

import rusty_bacnet as rusty

from harness.core.links import BacnetLink, CovKind
from harness.core.model import Acknowledgement, Point
from harness.core.places import Arrival
from harness.links.bacnet import BacnetListener
from harness.links.bacnet_messages import (
    LATE_ANSWER,
    NOTIFY_ACK,
    EventNotice,
    Reporting,
    Stamp,
    Subscription,
    SubscriptionStep,
    ValueChange,
    decode,
)
from harness.links.bacnet_untold import unreachable_points
from harness.links.bacnet_values import unpack
from harness.links.seen import Message
from harness.stimulus.bacnet_acknowledge import BacnetAcknowledger
from tests.peers.bacnet import AI, BI, bacnet_link, bacnet_point, messages
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import Recorder, listening

DEVICE = 260_001
NORMAL, HIGH_LIMIT = 0, 3  # BACnetEventState (ASHRAE 135, clause 21)
LEVEL = rusty.ObjectIdentifier(rusty.ObjectType.ANALOG_INPUT, 1)
CLASS = rusty.ObjectIdentifier(rusty.ObjectType.NOTIFICATION_CLASS, 1)


@asynccontextmanager
async def device(
    port: int, recipient: int | None = None, *, confirmed: bool = True, instance: int = DEVICE
) -> AsyncIterator[Any]:
    """Analog input 1 with a high limit of 80, and binary input 1; ``recipient``: the port of who is notified."""
    server = rusty.BACnetServer(instance, "peer", interface="127.0.0.1", port=port, broadcast_address="127.255.255.255")
    server.add_analog_input(1, "level", present_value=50.0)
    server.add_binary_input(1, "high")
    named: list[Any] = []
    if recipient is not None:
        mac = socket.inet_aton("127.0.0.1") + recipient.to_bytes(2, "big")
        who = {"kind": "address", "network_number": 0, "mac_address": mac}
        named = [{"recipient": who, "process_identifier": 1, "issue_confirmed_notifications": confirmed}]
    server.add_notification_class(1, "class", 1, recipients=named)
    await server.start()
    try:
        set_to = {
            (LEVEL, "HIGH_LIMIT"): rusty.PropertyValue.real(80.0),
            (LEVEL, "DEADBAND"): rusty.PropertyValue.real(1.0),
            (LEVEL, "NOTIFICATION_CLASS"): rusty.PropertyValue.unsigned(1),
            (LEVEL, "LIMIT_ENABLE"): rusty.PropertyValue.bit_string(6, b"\xc0"),
            (LEVEL, "EVENT_ENABLE"): rusty.PropertyValue.bit_string(5, b"\xe0"),
        }
        for (object_id, name), value in set_to.items():
            number = getattr(rusty.PropertyIdentifier, name)
            await server.write_property_local(object_id, number, value, source_object=None)
        yield server
    finally:
        await server.stop()


async def level(server: Any, value: float) -> None:
    await server.set_present_value_local(LEVEL, rusty.PropertyValue.real(value))


@asynccontextmanager
async def heard_of(spec: BacnetLink, points: list[Point]) -> AsyncIterator[Recorder]:
    heard = Recorder()
    async with listening(BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id)):
        yield heard


def events(heard: Recorder) -> list[EventNotice]:
    return messages(heard, EventNotice)


@pytest.mark.parametrize("kind", CovKind)
async def test_objects_and_changes_of_value(kind: CovKind) -> None:
    port = free_udp_port()
    spec = bacnet_link(port, DEVICE, cov=kind)
    points = [bacnet_point(1), bacnet_point(1, object_type=AI), bacnet_point(1, Arrival.COV, AI)]
    async with device(port) as server, heard_of(spec, points) as heard:
        await heard.until(lambda: len(messages(heard, ValueChange)) == 1 and len(heard.polls) >= 2)
        await level(server, 72.5)
        await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 72.5)
        block = next(it for it in heard.object_blocks.values() if it.objects == ((BI, 1), (AI, 1)))
        await heard.until(lambda: unpack(heard.payloads(block.id)[-1], 1).value == 72.5)
    assert [it.step for it in messages(heard, Subscription)][-1] is SubscriptionStep.ENDED
    assert not heard.failures
    assert not [it for it in heard.drops if it[2] != LATE_ANSWER]  # of a poll that was cut off at the end


@pytest.mark.parametrize("confirmed", [True, False])
async def test_intrinsic_events_and_their_acknowledgement(*, confirmed: bool) -> None:
    port = free_udp_port()
    spec = bacnet_link(port, DEVICE)
    mine = Acknowledgement(link="building", object_type=AI, instance=1)
    acknowledger = BacnetAcknowledger(time.monotonic_ns)
    points = [bacnet_point(1, Arrival.EVENT, AI)]
    async with device(port, spec.listen_port, confirmed=confirmed) as server, heard_of(spec, points) as heard:
        await heard.until(lambda: len(messages(heard, Reporting)) == 1)
        (reporting,) = messages(heard, Reporting)
        assert (reporting.is_recipient, reporting.high_limit, reporting.notification_class) == (True, 80.0, 1)
        before_ns = time.monotonic_ns()
        await level(server, 90.0)
        await heard.until(lambda: len(events(heard)) == 1)
        (first,) = events(heard)
        assert (first.object, first.from_state, first.to_state) == ((AI, 1), NORMAL, HIGH_LIMIT)
        assert (first.invoke is not None) is confirmed
        assert heard.lines[-1][2] >= before_ns
        # This stack's notification classes ask for no acknowledgement; it checks one all the same.
        asked = replace(first, ack_required=True)
        try:
            wrong = await acknowledger.acknowledge(spec, mine, [replace(asked, stamp=Stamp(sequence=9999))])
            assert not wrong.proven
            assert "error" in wrong.why
            done = await acknowledger.acknowledge(spec, mine, [asked])
            assert done.proven, done.why
            assert before_ns <= done.at.lo <= done.at.hi <= time.monotonic_ns()
            await level(server, 50.0)
            await heard.until(lambda: NORMAL in [it.to_state for it in events(heard) if it.notify_type != NOTIFY_ACK])
            nothing = await acknowledger.acknowledge(spec, mine, events(heard))
            assert (nothing.proven, nothing.is_sent) == (False, False)
        finally:
            await acknowledger.close()


async def test_a_device_that_does_not_name_farend_says_so() -> None:
    port = free_udp_port()
    spec = bacnet_link(port, DEVICE)
    points = [bacnet_point(1, Arrival.EVENT, AI)]
    async with device(port, free_udp_port()) as server, heard_of(spec, points) as heard:
        await heard.until(lambda: len(messages(heard, Reporting)) == 1)
        listed = await server.read_property(CLASS, rusty.PropertyIdentifier.RECIPIENT_LIST)
    (reporting,) = messages(heard, Reporting)
    assert reporting.is_recipient is False

    class Source:
        def messages(self, link: str) -> tuple[Message, ...]:
            del link
            return tuple(Message(first_ns=first, last_ns=last, data=data) for _, first, last, data in heard.lines)

    why = unreachable_points(Source(), points)["analog-input-1-event"]  # type: ignore[arg-type]  # all that it asks
    assert why.startswith("not a recipient: ask the site; Recipient_List of notification-class 1 holds neither")
    assert len(listed.value) == 1  # farend did not write itself in


async def test_a_device_that_is_killed_and_comes_back_is_subscribed_to_again() -> None:
    port = free_udp_port()
    spec = bacnet_link(port, DEVICE, timeout_ns=300_000_000)
    points = [bacnet_point(1), bacnet_point(1, Arrival.COV, AI)]
    async with heard_of(spec, points) as heard:
        await heard.until(lambda: bool(heard.states))
        async with device(port) as server:
            await heard.until(lambda: len(messages(heard, ValueChange)) == 1)
            await level(server, 60.0)
            await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 60.0)
        await heard.until(lambda: heard.states[-1][2].value == "down" and len(heard.states) >= 3)
        async with device(port) as server:
            await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 50.0)
            await level(server, 61.0)
            await heard.until(lambda: messages(heard, ValueChange)[-1].reading.value == 61.0)
    assert all(decode(data) for *_, data in heard.lines)
