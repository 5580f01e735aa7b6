"""The simulated BACnet device against other people's stacks: rusty-bacnet's client, and tshark's dissector."""

from __future__ import annotations

import asyncio
import random
import socket
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from bacpypes3.apdu import GetEventInformationRequest

from sims import SimulatedSite, SiteOptions
from sims.alarms import BY_NAME
from sims.building_options import BuildingOptions
from sims.controller import Action
from sims.durations import NS_PER_S
from sims.points import REMOTE
from sims.truth import changes
from tests.peers.bacnet_client import bacnet_client
from tests.peers.udp_capture import TSHARK, capture_udp, dissect_bacnet

rusty = pytest.importorskip("rusty_bacnet")

DEADLINE_S = 60.0
LONG_NS = {alarm.name: 3600 * NS_PER_S for alarm in REMOTE if alarm.lasts_ns is not None}  # no transient runs out
Kind, Property = rusty.ObjectType, rusty.PropertyIdentifier


def oid(kind: Any, instance: int) -> Any:
    return rusty.ObjectIdentifier(kind, instance)


class Rusty:
    """rusty-bacnet's client and where the device is."""

    def __init__(self, client: Any, address: str) -> None:
        self.client = client
        self.address = address

    async def read(self, kind: Any, instance: int, name: Any) -> Any:
        return (await self.client.read_property(self.address, oid(kind, instance), name)).value

    async def read_all(self, kind: Any, instances: range, name: Any) -> list[Any]:
        """One property of many objects, in one ReadPropertyMultiple."""
        asked = [(oid(kind, instance), [(name, None)]) for instance in instances]
        answer = await self.client.read_property_multiple(self.address, asked)
        return [found["results"][0]["value"].value for found in answer]


@asynccontextmanager
async def site_and_rusty(**options: Any) -> AsyncIterator[tuple[SimulatedSite, Rusty]]:
    async with (
        asyncio.timeout(DEADLINE_S),
        SimulatedSite(SiteOptions(building=BuildingOptions(**options), lasts_ns=LONG_NS)) as site,
        rusty.BACnetClient("127.0.0.1", 0, broadcast_address="127.0.0.1", apdu_timeout_ms=3000) as client,
    ):
        yield site, Rusty(client, f"127.0.0.1:{site.building_port}")


async def shows(site: SimulatedSite, signal: str, value: int, place: str = "building") -> None:
    await site.until(lambda: bool((c := changes(site.truth.entries, place, signal)) and c[-1][0] == value))


async def test_every_object_is_there_and_normal() -> None:
    async with site_and_rusty() as (_, peer):
        listed = await peer.read(Kind.DEVICE, 260001, Property.OBJECT_LIST)
        assert len(listed) == 1 + len(REMOTE) + 1 + len(REMOTE) + 3 + 1
        inputs = range(1, 1 + len(REMOTE))
        assert await peer.read_all(Kind.BINARY_INPUT, inputs, Property.PRESENT_VALUE) == [0] * 24
        assert await peer.read_all(Kind.MULTI_STATE_VALUE, inputs, Property.PRESENT_VALUE) == [1] * 24
        texts = await peer.read_all(Kind.BINARY_INPUT, inputs, Property.DESCRIPTION)
        assert texts == [alarm.text for alarm in REMOTE]
        levels = await peer.read_all(Kind.ANALOG_INPUT, range(1, 4), Property.PRESENT_VALUE)
        assert all(40 <= level <= 60 for level in levels)
        assert await peer.read(Kind.BINARY_VALUE, 100, Property.PRESENT_VALUE) == 0


async def test_each_alarm_shows_at_its_own_objects() -> None:
    async with site_and_rusty(delay_ns=0) as (site, peer):
        inputs = range(1, 1 + len(REMOTE))
        for alarm in REMOTE:
            site.command(alarm.name, Action.RAISE)
            await shows(site, alarm.name, 1)
            raised = {alarm.name, *alarm.also_raises}
            values = await peer.read_all(Kind.BINARY_INPUT, inputs, Property.PRESENT_VALUE)
            assert {other.name for other, value in zip(REMOTE, values, strict=True) if value} == raised
            states = await peer.read_all(Kind.MULTI_STATE_VALUE, inputs, Property.PRESENT_VALUE)
            assert {other.name for other, state in zip(REMOTE, states, strict=True) if state == 2} == raised
            site.command(alarm.name, Action.CLEAR)
            site.command(None, Action.ACKNOWLEDGE)
            for name in raised:
                await shows(site, name, 0)
                await shows(site, name, 0, "building.states")


@pytest.mark.parametrize(
    ("alarm", "level", "state"),
    [("day.high", 92.0, 3), ("day.high-high", 97.0, 3), ("day.low", 8.0, 4), ("day.low-low", 3.0, 4)],
)
async def test_levels_are_driven_over_their_limits(alarm: str, level: float, state: int) -> None:
    async with site_and_rusty() as (site, peer):
        site.command(alarm, Action.RAISE)
        await shows(site, alarm, 1, "building.levels")
        assert await peer.read(Kind.ANALOG_INPUT, 3, Property.PRESENT_VALUE) == level
        assert await peer.read(Kind.ANALOG_INPUT, 3, Property.EVENT_STATE) == state
        low = await peer.read(Kind.ANALOG_INPUT, 3, Property.LOW_LIMIT)
        high = await peer.read(Kind.ANALOG_INPUT, 3, Property.HIGH_LIMIT)
        assert (level < low) is (state == 4)
        assert (level > high) is (state == 3)


@pytest.mark.parametrize("confirmed", [True, False])
async def test_change_of_value(confirmed: bool) -> None:
    async with site_and_rusty() as (site, peer):
        heard = await peer.client.cov_notifications()
        watched = oid(Kind.BINARY_INPUT, 1 + BY_NAME["bulk-b.high"].number)
        await peer.client.subscribe_cov(peer.address, 7, watched, confirmed, 60)
        told = []
        for action in (None, Action.RAISE, Action.CLEAR):
            if action is not None:
                site.command("bulk-b.high", action)
            notification = await anext(heard)
            assert notification.delivery == ("confirmed" if confirmed else "unconfirmed")
            assert notification.subscriber_process_identifier == 7
            told.append([entry["value"].value for entry in notification.values])
        assert [value for value, _ in told] == [0, 1, 0]
        await peer.client.unsubscribe_cov(peer.address, 7, watched)
        ends = [e for e in site.truth.entries if e["kind"] == "notification-end"]
        assert [e["outcome"] for e in ends] == (["acked"] * 3 if confirmed else [])


async def test_alarm_summary_and_acknowledgement() -> None:
    async with site_and_rusty() as (site, peer):
        assert await peer.client.get_alarm_summary(peer.address) == []
        site.command("bulk-b.interstitial-leak", Action.RAISE)
        await shows(site, "bulk-b.interstitial-leak", 1)
        (summary,) = await peer.client.get_alarm_summary(peer.address)
        where = oid(Kind.BINARY_INPUT, 18)
        assert (summary["object_id"], summary["alarm_state"]) == (where, rusty.EventState.OFFNORMAL)
        assert summary["acknowledged_transitions"] == {"unused_bits": 5, "data": bytes((0b01100000,))}
        stamps = await peer.client.read_property(peer.address, where, Property.EVENT_TIME_STAMPS, 1)
        stamp = stamps.value
        if not isinstance(stamp, rusty.BACnetTimeStamp):
            pytest.fail(f"Event_Time_Stamps[1] reads as {stamp!r}")
        await peer.client.acknowledge_alarm_request(
            peer.address, 1, where, rusty.EventState.OFFNORMAL, stamp, "peer", stamp
        )
        await shows(site, "bulk-b.interstitial-leak", 2, "building.states")
        (summary,) = await peer.client.get_alarm_summary(peer.address)
        assert summary["acknowledged_transitions"] == {"unused_bits": 5, "data": bytes((0b11100000,))}


async def test_reads_agree_with_the_truth_log() -> None:
    """Each value that a read found was readable at some instant between asking and being told."""
    async with site_and_rusty() as (site, peer):
        samples: list[tuple[int, int, int]] = []
        told = asyncio.Event()

        async def poll() -> None:
            while True:
                asked_ns = time.monotonic_ns()
                value = await peer.read(Kind.BINARY_INPUT, 2, Property.PRESENT_VALUE)
                samples.append((asked_ns, value, time.monotonic_ns()))
                told.set()

        polling = asyncio.create_task(poll(), name="poll")
        for _ in range(10):
            for action, value in ((Action.RAISE, 1), (Action.CLEAR, 0)):
                site.command("bulk-a.high", action)
                await shows(site, "bulk-a.high", value)
                for _ in range(2):  # the second was asked after the change
                    told.clear()
                    await told.wait()
        polling.cancel()
        await asyncio.gather(polling, return_exceptions=True)
        steps = changes(site.truth.entries, "building", "bulk-a.high")
        assert len(steps) == 20
        assert {value for _, value, _ in samples} == {0, 1}
        for asked_ns, value, told_ns in samples:
            possible = {v for v, at in steps if asked_ns <= at.after_ns and at.before_ns <= told_ns}
            before = [v for v, at in steps if at.after_ns < asked_ns]
            assert value in possible | {before[-1] if before else 0}, (asked_ns, value, told_ns)


@pytest.mark.skipif(TSHARK is None, reason="needs tshark")
async def test_a_dissector_finds_nothing_malformed_in_all_that_is_sent(tmp_path: Path) -> None:
    async with asyncio.timeout(DEADLINE_S), bacnet_client() as client:
        building = BuildingOptions(recipients=(("127.0.0.1", client.port),))
        defects = ("wrong-class:sump-b.leak@building", "notification-flood:sump-a.leak@building=200ms")
        async with SimulatedSite(SiteOptions(building=building, defects=defects)) as site:
            port = site.building_port
            client.talk_to(port)
            path = tmp_path / "building.pcap"
            async with capture_udp(port, path) as capture:
                await client.who_is(address=client.peer, timeout=5)
                for number, confirmed in ((2, True), (19, False)):
                    subscribed = {"issueConfirmedNotifications": confirmed, "lifetime": 60}
                    await client.subscribe(("binary-input", number), **subscribed)
                    await client.subscribe(("multi-state-value", number), **subscribed)
                await client.subscribe(("analog-input", 1), issueConfirmedNotifications=True, lifetime=0)
                for name in ("bulk-a.high", "bulk-a.probe-fault", "sump-a.leak", "sump-b.leak"):
                    site.command(name, Action.RAISE)
                    await shows(site, name, 1)
                site.command("bulk-a.high", Action.ACKNOWLEDGE)
                await shows(site, "bulk-a.high", 2, "building.states")
                await client.ask(GetEventInformationRequest())
                for place in ("binary-input,2", "analog-input,1", "notification-class,1", "device,260001"):
                    await client.read_property_multiple(client.peer, [place, ["all"]])
                await client.write(("binary-input", 2), "polarity", client.device_object.objectIdentifier)
                await shows(site, "sump-a.leak", 0)
                await site.until(lambda: _acked(site) >= 12)
                logged = len(site.truth.entries)
                await capture.caught_up()
            layers = await dissect_bacnet(path, port)
    mine = [layer for layer in layers if layer["udp"]["udp.srcport"] == str(port)]
    assert len(mine) > 30
    assert [layer for layer in mine if "bacapp" not in layer] == []
    assert not [layer for layer in mine if "_ws.malformed" in layer or "malformed" in str(layer).lower()]
    for confirmed in (True, False):
        dissected = _services(mine, confirmed=confirmed)
        sent = [Counter(map(_service, _sent(entries, confirmed=confirmed))) for entries in _before(site, logged)]
        assert sent[0] <= dissected <= sent[1], "all that was logged by then, and nothing that was not logged"


def _acked(site: SimulatedSite) -> int:
    return sum(e["kind"] == "notification-end" and e["outcome"] == "acked" for e in site.truth.entries)


def _service(entry: dict[str, Any]) -> str:
    """The service choice of a notification (ASHRAE 135, clause 21): confirmed and unconfirmed are numbered apart."""
    cov = entry["what"] == "cov"
    return ("1" if cov else "2") if entry["confirmed"] else ("2" if cov else "3")


def _before(site: SimulatedSite, number: int) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The first entries of the truth log, and all."""
    return site.truth.entries[:number], site.truth.entries


def _sent(entries: list[dict[str, Any]], *, confirmed: bool) -> list[dict[str, Any]]:
    return [e for e in entries if e["kind"] == "notification" and e["confirmed"] is confirmed]


def _services(layers: list[dict[str, Any]], *, confirmed: bool) -> Counter[str]:
    """The notifications' service choices as dissected; I-Am (unconfirmed 0) is no notification."""
    name = "bacapp.confirmed_service" if confirmed else "bacapp.unconfirmed_service"
    kind = "0" if confirmed else "1"
    found = [layer["bacapp"] for layer in layers if layer["bacapp"].get("bacapp.type") == kind]
    return Counter(one[name] for one in found if one[name] != "0")


async def ask_raw(port: int, request: str) -> bytes:
    """Send octets from a socket of its own; the next datagram that comes back."""
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as raw:
        raw.setblocking(False)
        raw.bind(("127.0.0.1", 0))
        await loop.sock_sendto(raw, bytes.fromhex(request), ("127.0.0.1", port))
        return await loop.sock_recv(raw, 2048)


async def test_who_is_is_answered_to_the_asker() -> None:
    """The octets of a global Who-Is (ASHRAE 135, F.4.9, in an Original-Broadcast-NPDU of annex J)."""
    i_am = "10 00 C4 02 03 F7 A1 22 05 C4 91 00 22 03 E7"  # device 260001, 1,476 octets, segmented-both, vendor 999
    async with site_and_rusty() as (site, _):
        answers = [
            await ask_raw(site.building_port, "81 0B 00 0C 01 20 FF FF 00 FF 10 08"),
            await ask_raw(site.building_port, "81 0A 00 08 01 00 10 08"),
            await ask_raw(site.building_port, "81 0A 00 10 01 00 10 08 0B 03 F7 A1 1B 03 F7 A1"),
        ]
    assert answers == [bytes.fromhex(f"81 0A 00 15 01 00 {i_am}")] * 3


async def test_garbage_stops_nothing() -> None:
    dice = random.Random(5)
    read = bytes.fromhex("81 0A 00 11 01 04 00 05 01 0C 0C 00 C0 00 02 19 55")
    sent = [dice.randbytes(dice.randrange(60)) for _ in range(200)]
    for _ in range(400):
        spoiled = bytearray(read[: dice.randrange(4, len(read) + 1)])
        spoiled[dice.randrange(len(spoiled))] = dice.randrange(256)
        sent.append(bytes(spoiled))
    async with site_and_rusty() as (site, peer):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hostile:
            hostile.bind(("127.0.0.1", 0))
            for octets in sent:
                hostile.sendto(octets, ("127.0.0.1", site.building_port))
            assert await peer.read(Kind.BINARY_INPUT, 2, Property.PRESENT_VALUE) == 0


async def test_only_what_changes_can_be_subscribed_to() -> None:
    async with (
        asyncio.timeout(DEADLINE_S),
        bacnet_client() as client,
        SimulatedSite(SiteOptions(building=BuildingOptions())) as site,
    ):
        client.talk_to(site.building_port)
        refused = await client.subscribe(("notification-class", 1), issueConfirmedNotifications=True, lifetime=60)
        assert str(refused.errorCode) == "optional-functionality-not-supported"
