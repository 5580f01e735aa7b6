"""BACnet/IP on the wire as a packet capture and a foreign dissector have it: nothing but reads, and the same values."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

pytest.importorskip("rusty_bacnet", reason="rusty-bacnet is not installed")

from harness.core.places import Arrival
from harness.links.bacnet_messages import EventNotice, ValueChange
from harness.links.bacnet_values import ObjectReading, Status, unpack
from tests.live.test_bacnet_peers import DEVICE, device, heard_of, level
from tests.peers.bacnet import AI, bacnet_link, bacnet_point, messages
from tests.peers.capture import TSHARK
from tests.peers.capture_bacnet import capture_udp, caught_up, dissect_bacnet
from tests.peers.free_ports import free_udp_port
from tests.peers.hand_bacnet import BINARY_INPUT, enumerated, hand_device, unicast
from tests.peers.recorder import eventually

pytestmark = pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)")

LEVEL = "analog-input 1"
SENT = {
    ("Unconfirmed-REQ", "who-Is"),
    ("Confirmed-REQ", "readProperty"),
    ("Confirmed-REQ", "readPropertyMultiple"),
    ("Confirmed-REQ", "subscribeCOV"),
    ("Simple-ACK", "confirmedCOVNotification"),
    ("Simple-ACK", "confirmedEventNotification"),
}


@pytest.fixture
async def may_capture(tmp_path: Path) -> None:
    """Capturing takes a right that not every account has."""
    assert TSHARK is not None
    command = (TSHARK, "-i", "lo", "-f", "udp port 1", "-c", "1", "-a", "duration:1", "-w", str(tmp_path / "may"))
    process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    _, err = await process.communicate()
    if process.returncode != 0:
        pytest.skip(f"this account may not capture on lo: {err.decode().strip().splitlines()[-1]}")


def words(reading: ObjectReading) -> dict[str, str]:
    """A recorded reading as the dissector would say it."""
    said: dict[str, str] = {}
    if reading.value is not None:
        said["value"] = f"{reading.value:g}"
    if reading.status is not None:
        said["flags"] = "".join("T" if reading.status & Status(8 >> bit) else "F" for bit in range(4))
    if reading.event_state is not None:
        said["event-state"] = str(reading.event_state)
    return said


@pytest.mark.usefixtures("may_capture")
async def test_every_recorded_value_is_the_dissectors_and_nothing_else_is_sent(tmp_path: Path) -> None:
    port = free_udp_port()
    spec = bacnet_link(port, DEVICE)
    points = [bacnet_point(1), bacnet_point(1, object_type=AI)]
    points += [bacnet_point(1, Arrival.COV, AI), bacnet_point(1, Arrival.EVENT, AI)]
    async with device(port, spec.listen_port) as server, capture_udp(port, tmp_path / "wire.pcapng") as wire:
        async with heard_of(spec, points) as heard:
            for number in range(8):
                changes, polls = len(messages(heard, ValueChange)), len(heard.polls)
                await level(server, 85.0 + number if number % 2 else 20.0 + number)
                await heard.until(lambda: len(messages(heard, ValueChange)) > changes)  # noqa: B023 - awaited here
                await heard.until(lambda: len(heard.polls) > polls + 1)  # noqa: B023 - as above
            await heard.until(lambda: len(messages(heard, EventNotice)) >= 7)
        await caught_up(wire, port)
    apdus = await dissect_bacnet(tmp_path / "wire.pcapng", port)
    assert {(it.kind, it.service) for it in apdus if it.to_device} <= SENT

    told = [it.values[LEVEL] for it in apdus if it.service == "confirmedCOVNotification" and not it.to_device]
    assert [words(it.reading) for it in messages(heard, ValueChange)] == told
    assert len(told) >= 8
    events = [it.values[LEVEL] for it in apdus if it.service == "confirmedEventNotification" and not it.to_device]
    noticed = [(str(it.from_state), str(it.to_state)) for it in messages(heard, EventNotice)]
    assert noticed == [(it["from"], it["to"]) for it in events]
    block = next(it.id for it in heard.object_blocks.values() if len(it.objects) == 2)
    answers = [
        it.values
        for it in apdus
        if (it.kind, it.service) == ("Complex-ACK", "readPropertyMultiple") and len(it.values) == 2
    ]
    recorded = [
        {"binary-input 1": words(unpack(payload, 0)), LEVEL: words(unpack(payload, 1))}
        for payload in heard.payloads(block)
    ]
    # At the end one answer may be on the wire that came after the listener was stopped.
    assert len(answers) - len(recorded) in {0, 1}
    assert recorded == answers[: len(recorded)]
    assert len(recorded) >= 10


def who_is(low: int, high: int) -> bytes:
    """Who-Is for the instances from low to high (ASHRAE 135, 16.10)."""
    return unicast(b"\x10\x08\x0b" + low.to_bytes(3, "big") + b"\x1b" + high.to_bytes(3, "big"))


READ_OF_FAREND = unicast(bytes.fromhex("0004090C 0C023FFFFE 194D"))
"""ReadProperty of farend's own device object, invoke id 9."""


@pytest.mark.usefixtures("may_capture")
async def test_others_get_an_i_am_where_they_ask_for_farend_and_a_reject_of_anything_else(tmp_path: Path) -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, enumerated(0))
        port = device.address[1]
        spec = bacnet_link(port)
        mine = ("127.0.0.1", spec.listen_port)
        async with capture_udp(port, tmp_path / "wire.pcapng") as wire, heard_of(spec, [bacnet_point(1)]) as heard:
            await heard.until(lambda: len(heard.polls) >= 1)
            for asked in (unicast(b"\x10\x08"), who_is(0, 4_194_302), who_is(spec.own_device - 1, spec.own_device)):
                device.send(asked, mine)
            device.send(who_is(spec.own_device, spec.own_device), mine)
            device.send(READ_OF_FAREND, mine)
            await eventually(lambda: any(it[6] >> 4 == 6 for it in device.requests))
            await caught_up(wire, port)
    sent = [(it.kind, it.service) for it in await dissect_bacnet(tmp_path / "wire.pcapng", port) if it.to_device]
    assert {it for it in sent if it not in SENT} == {("Unconfirmed-REQ", "i-Am"), ("Reject", "")}
    assert sent.count(("Unconfirmed-REQ", "i-Am")) == 1
    assert sent.count(("Reject", "")) == 1
