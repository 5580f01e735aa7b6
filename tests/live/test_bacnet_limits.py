"""What BACnet devices cannot do or do otherwise: long answers in segments, short messages, refusals, character sets."""

from __future__ import annotations

import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.links import BacnetLink
from harness.core.model import Point
from harness.core.places import Arrival, ObjectType
from harness.links.bacnet import BacnetListener
from harness.links.bacnet_messages import EventNotice
from harness.links.bacnet_values import ObjectReading, unpack
from harness.links.base import LinkState
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.peers.bacnet import AI, BI, bacnet_link, bacnet_point, messages
from tests.peers.hand_bacnet import BINARY_INPUT, DEVICE, HandDevice, enumerated, hand_device, identifier, real, unicast
from tests.peers.recorder import Recorder, listening

ON, OFF = enumerated(1), enumerated(0)
RELIABILITY = 103


@asynccontextmanager
async def up(
    port: int, points: list[Point], device: int = 4, **rest: object
) -> AsyncIterator[tuple[Recorder, BacnetLink]]:
    heard = Recorder()
    spec = bacnet_link(port, device, "building", **rest)
    async with listening(BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id)):
        await heard.until(lambda: bool(heard.states))
        yield heard, spec


def latest(heard: Recorder) -> dict[tuple[ObjectType, int], ObjectReading]:
    """The newest reading of every object."""
    found = {}
    for block, _, _, payload in heard.polls:
        for index, object_id in enumerate(heard.object_blocks[block].objects):
            found[object_id] = unpack(payload, index)
    return found


def filled(device: HandDevice, count: int) -> list[Point]:
    for number in range(count):
        device.set(BINARY_INPUT, number, ON if number % 3 else OFF)
    return [bacnet_point(number) for number in range(count)]


@pytest.mark.parametrize("size", [50, 206, 480])
async def test_an_answer_in_segments_is_one_answer_told_with_its_last(size: int) -> None:
    async with hand_device(segments_of=size) as device:
        points = filled(device, 20)
        async with up(device.address[1], points, timeout_ns=5000 * NS_PER_MS) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 3)
            assert {it: reading.value for it, reading in latest(heard).items()} == {
                (BI, number): float(number % 3 > 0) for number in range(20)
            }
    assert len(heard.object_blocks) == 1
    assert not heard.failures


async def test_another_stacks_segmented_answer_is_read_whole() -> None:
    """51 objects of five properties each need more than one message of 1476 octets."""
    async with SimulatedSite(SiteOptions(building=BuildingOptions())) as sim:
        points = [bacnet_point(number) for number in range(1, 25)]
        points += [bacnet_point(number, object_type=ObjectType.MULTI_STATE_VALUE) for number in range(1, 25)]
        points += [bacnet_point(number, object_type=AI) for number in range(1, 4)]
        assert sim.building_port is not None
        async with up(sim.building_port, points, 260_001, objects_per_read=100) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 2)
            found = latest(heard)
    assert len(heard.object_blocks) == 1
    assert not heard.failures
    assert [found[ObjectType.MULTI_STATE_VALUE, number].value for number in range(1, 25)] == [1.0] * 24
    assert all(0 < (found[AI, number].value or 0) < 100 for number in range(1, 4))


@pytest.mark.parametrize(("octets", "most"), [(50, 2), (206, 11), (480, 28)])
async def test_no_request_is_longer_than_the_device_takes(octets: int, most: int) -> None:
    """A device that takes 50 octets and sends no segments is read property by property in the end."""
    async with hand_device(octets_max=octets) as device:
        points = filled(device, 30)
        device.values[8, 4] = {62: bytes((0x22,)) + octets.to_bytes(2, "big")}
        async with up(device.address[1], points, objects_per_read=30) as (heard, _):
            await heard.until(lambda: len(latest(heard)) == 30)
            assert {it: reading.value for it, reading in latest(heard).items()} == {
                (BI, number): float(number % 3 > 0) for number in range(30)
            }
            assert all(len(it) - 6 <= octets for it in device.requests)
    sizes = {len(heard.object_blocks[block].objects) for block, *_ in heard.polls}
    assert max(sizes) <= most


@pytest.mark.parametrize("knows_multiple", [True, False])
async def test_a_property_that_is_not_there_is_left_out_and_one_that_is_counts(knows_multiple: bool) -> None:
    async with hand_device(knows_multiple=knows_multiple) as device:
        points = filled(device, 2)
        device.values[BINARY_INPUT, 1][RELIABILITY] = enumerated(7)
        async with up(device.address[1], points) as (heard, _):
            await heard.until(lambda: len(latest(heard)) == 2)
            found = latest(heard)
    assert found[BI, 0].reliability is None
    assert found[BI, 1].reliability == 7
    assert not heard.failures


@pytest.mark.parametrize(
    ("kind", "rest", "words"),
    [
        (0x50, b"\x0e\x91\x00\x91\x19", "error: device, operational-problem"),
        (0x50, b"\x0e\x91\x3f\x91\xfa", "error: "),
        (0x60, b"\x07", "reject: too-many-arguments"),
        (0x71, b"\x09", "abort: out-of-resources"),
        (0x71, b"\xc8", "abort: "),
    ],
)
async def test_a_refused_read_is_a_failed_poll_with_its_reason_and_the_link_stays_up(
    kind: int, rest: bytes, words: str
) -> None:
    async with hand_device() as device:
        points = filled(device, 2)
        async with up(device.address[1], points) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 1)
            device.answers[14] = (kind, rest)
            await heard.until(lambda: len(heard.failures) >= 4)
            device.answers.clear()
            polls = len(heard.polls)
            await heard.until(lambda: len(heard.polls) > polls)
            assert [state for _, _, state, _ in heard.states] == [LinkState.UP]
    assert all(why.startswith(words) for *_, why in heard.failures), heard.failures[0]


async def test_a_device_without_an_instance_of_its_own_is_named_and_never_observed() -> None:
    """4194303 is what a device has that nobody gave one (12.11); no site file can ask for it."""
    async with hand_device(instance=4_194_303) as device:
        points = filled(device, 1)
        async with up(device.address[1], points) as (heard, _):
            _, _, state, why = heard.states[0]
    assert state is LinkState.DOWN
    assert "is device instance 4194303, expected 4" in why
    assert not heard.polls


async def test_a_device_behind_a_router_is_said_to_be_not_supported() -> None:
    """The router, a device of its own, passes on the I-Am of what was asked for, from network 5 (6.2.2: SNET, SADR)."""
    async with hand_device(instance=70) as router:
        points = filled(router, 1)
        i_am = b"\x10\x00\xc4" + identifier(DEVICE, 71) + bytes.fromhex("2205C4 9103 2100")
        npdu = bytes.fromhex("0108 0005 01 0A") + i_am
        router.who_is_answer = b"\x81\x0a" + (len(npdu) + 4).to_bytes(2, "big") + npdu
        async with up(router.address[1], points, 71) as (heard, _):
            await heard.until(lambda: "behind" in heard.states[-1][3])
            _, _, state, why = heard.states[-1]
    assert state is LinkState.DOWN
    assert "is device instance 70, expected 71" in why
    assert "answers from network 5 behind the router at 127.0.0.1" in why
    assert "devices behind a BACnet router are not supported" in why
    assert not heard.polls


@pytest.mark.parametrize(
    ("charset", "data", "text"),
    [
        (0, "Füllstand".encode(), "Füllstand"),
        (4, "Füllstand".encode("utf-16-be"), "Füllstand"),
        (5, "Füllstand".encode("latin-1"), "Füllstand"),
    ],
)
async def test_a_message_text_in_any_character_set_is_read(charset: int, data: bytes, text: str) -> None:
    notice = event_with_text(bytes((charset,)) + data)
    async with hand_device(instance=9) as device:
        device.values[0, 2] = {85: real(50.0)}
        async with up(device.address[1], [bacnet_point(2, Arrival.EVENT, AI)], 9) as (heard, spec):
            device.send(notice, ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: len(messages(heard, EventNotice)) == 1)
    assert messages(heard, EventNotice)[0].text == text


@pytest.mark.parametrize("text", [b"\x01\x03\x52\x83\x41", b"\x02\x41", b"\x63??", b"\x00\xff\xfe"])
async def test_a_text_that_nobody_can_read_does_not_hide_its_event(text: bytes) -> None:
    """DBCS, JIS X 0208, a set that does not exist, and octets that are no UTF-8."""
    async with hand_device(instance=9) as device:
        device.values[0, 2] = {85: real(50.0)}
        async with up(device.address[1], [bacnet_point(2, Arrival.EVENT, AI)], 9) as (heard, spec):
            device.send(event_with_text(text), ("127.0.0.1", spec.listen_port))
            await heard.until(lambda: bool(messages(heard, EventNotice)) or bool(heard.drops))
    (found,) = messages(heard, EventNotice)
    assert (found.from_state, found.to_state) == (0, 3)


def event_with_text(text: bytes) -> bytes:
    """Annex F.1.5 of ASHRAE 135 with a message text (13.9.1: behind the event type, tag 7)."""
    long = bytes((0x7D, len(text))) if len(text) > 4 else bytes((0x78 | len(text),))
    head = bytes.fromhex("1003 0901 1C02000009 2C00000002 3E19103F 4904 5964 6905")
    tail = bytes.fromhex("8900 9901 A900 B903 CE5E0C42A033331A04802C3F8000003C42A000005FCF")
    return unicast(head + long + text + tail)
