"""Each defect of the simulated BACnet device does what it says, and nothing else; in virtual time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from bacpypes3.primitivedata import Enumerated

from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from sims.controller import Action
from sims.defect_kinds import KINDS, Name
from sims.durations import NS_PER_MS, NS_PER_S
from sims.points import Place
from sims.truth import changes, shown
from tests.peers.bacnet_client import BacnetClient, bacnet_client, value_of
from tests.peers.virtual_time import run

ALARM, OBJECT = "bulk-a.interstitial-leak", ("binary-input", 17)
OTHER, OTHER_OBJECT = "bulk-b.interstitial-leak", ("binary-input", 18)
Scene = Callable[[SimulatedSite, BacnetClient], Awaitable[None]]


def play(scene: Scene, *defects: str) -> None:
    """Let a scene happen at a site with these defects, whose device has the client in its Recipient_List."""

    async def main() -> None:
        async with bacnet_client() as client:
            building = BuildingOptions(recipients=(("127.0.0.1", client.port),))
            async with SimulatedSite(SiteOptions(building=building, defects=defects)) as site:
                client.talk_to(site.building_port)
                await scene(site, client)

    run(main)


async def raise_and_clear(site: SimulatedSite, name: str, lasts_s: float = 1.0) -> None:
    """An alarm, and time enough for all that it does."""
    site.command(name, Action.RAISE)
    await asyncio.sleep(lasts_s)
    site.command(name, Action.CLEAR)
    await asyncio.sleep(10)


async def present(client: BacnetClient, object_id: tuple[str, int]) -> str:
    return str(await client.read(",".join(map(str, object_id)), "present-value"))


def told(client: BacnetClient) -> list[tuple[str, str]]:
    return [(str(e.eventObjectIdentifier), str(e.toState)) for e in client.events]


HERE, THERE = ",".join(map(str, OBJECT)), ",".join(map(str, OTHER_OBJECT))


def test_every_kind_of_defect_that_only_this_device_has_is_tried_here() -> None:
    only_here = {kind.name for kind in KINDS.values() if kind.places == (Place.BUILDING,)}
    assert only_here == {
        Name.OUT_OF_SERVICE,
        Name.LONG_TIME_DELAY,
        Name.EVENTS_DISABLED,
        Name.NO_RECIPIENT,
        Name.LOST_SUBSCRIPTION,
        Name.NOTIFICATION_FLOOD,
        Name.REPEATED_NOTIFICATION,
        Name.WRONG_CLASS,
        Name.STALE_READS,
        Name.DUPLICATE_INSTANCE,
    }


class TestWhere:
    def test_a_healthy_device(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM)
            assert told(client) == [(HERE, "offnormal"), (HERE, "normal")]
            assert not [e for e in site.truth.entries if e["kind"] == "fault"]
            assert {e["why"] for e in site.truth.entries if e["kind"] == "notification"} == {""}

        play(scene)

    def test_dead_object(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM)
            assert told(client) == []
            assert changes(site.truth.entries, "building", ALARM) == []
            assert len(shown(site.truth.entries, "building.states", ALARM)) == 1

        play(scene, f"never-appears:{ALARM}@building")

    def test_wrong_instance(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command(ALARM, Action.RAISE)
            await client.next_event(1)
            assert await present(client, OBJECT) == "inactive"
            assert await present(client, OTHER_OBJECT) == "active"
            assert told(client) == [(THERE, "offnormal")]

        play(scene, f"wrong-bit:{ALARM}@building={OTHER}")

    def test_inverted(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            assert await present(client, OBJECT) == "active"
            await client.next_event(1)
            site.command(ALARM, Action.RAISE)
            await client.next_event(2)
            assert await present(client, OBJECT) == "inactive"
            assert told(client) == [(HERE, "offnormal"), (HERE, "normal")]

        play(scene, f"inverted:{ALARM}@building")

    def test_out_of_service(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command(ALARM, Action.RAISE)
            site.command(OTHER, Action.RAISE)
            await client.next_event(1)
            assert told(client) == [(THERE, "offnormal")]
            assert await present(client, OBJECT) == "inactive"
            assert [int(f) for f in await client.read(HERE, "status-flags")] == [0, 0, 0, 1]
            assert [int(f) for f in await client.read(THERE, "status-flags")] == [1, 0, 0, 0]

        play(scene, f"out-of-service:{ALARM}@building")


class TestWhen:
    def test_late(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM)
            (raised,) = [e for e in site.truth.entries if e["kind"] == "alarm" and e["state"] == "unack"]
            (_, appeared), _ = changes(site.truth.entries, "building", ALARM)
            assert appeared.before_ns - raised["at_ns"] == 3100 * NS_PER_MS

        play(scene, f"late:{ALARM}@building=3s")

    def test_stuck(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM)
            assert told(client) == [(HERE, "offnormal")]
            assert await present(client, OBJECT) == "active"

        play(scene, f"stuck:{ALARM}@building")

    def test_time_delay_longer_than_the_alarm(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(OBJECT, issueConfirmedNotifications=False, lifetime=0)
            await raise_and_clear(site, ALARM, 4.0)
            assert told(client) == []
            assert [int(value_of(v)[0].cast_out(Enumerated)) for v in client.values] == [0, 1, 0]
            assert await client.read(HERE, "time-delay") == 5
            await raise_and_clear(site, ALARM, 6.0)
            assert told(client) == [(HERE, "offnormal"), (HERE, "normal")]

        play(scene, f"long-time-delay:{ALARM}@building=5s")


class TestNotTold:
    def test_events_disabled(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command(ALARM, Action.RAISE)
            site.command(OTHER, Action.RAISE)
            await client.next_event(1)
            await asyncio.sleep(1)
            assert told(client) == [(THERE, "offnormal")]
            assert [int(f) for f in await client.read(HERE, "event-enable")] == [0, 0, 0]
            assert str(await client.read(HERE, "event-state")) == "offnormal"
            (event,) = [e for e in site.truth.entries if e["kind"] == "event" and e["signal"] == ALARM]
            assert event["notified"] is False

        play(scene, f"events-disabled:{ALARM}@building")

    def test_no_recipient(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM)
            assert told(client) == []
            assert list(await client.read("notification-class,1", "recipient-list")) == []

        play(scene, "no-recipient@building")

    def test_lost_subscription(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            for process, object_id in ((1, OBJECT), (2, OTHER_OBJECT), (3, ("multi-state-value", 17))):
                await client.subscribe(object_id, process=process, issueConfirmedNotifications=True, lifetime=600)
            await client.next_value(3)
            await asyncio.sleep(5)
            for name in (ALARM, OTHER):
                site.command(name, Action.RAISE)
            await client.next_value(5)
            await asyncio.sleep(5)
            processes = [v.subscriberProcessIdentifier for v in client.values[3:]]
            assert sorted(processes) == [2, 3], "the subscriptions beside it go on"
            await client.subscribe(OBJECT, process=1, issueConfirmedNotifications=True, lifetime=600)
            renewed = await client.next_value(6)
            assert int(value_of(renewed)[0].cast_out(Enumerated)) == 1, "renewed, it says how things stand"

        play(scene, f"lost-subscription:{ALARM}@building=4s")


class TestToldTooMuch:
    def test_flood(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(OBJECT, issueConfirmedNotifications=True, lifetime=600)
            site.command(ALARM, Action.RAISE)
            await asyncio.sleep(5)
            assert len(client.events) == 1 + 50
            assert len({e.encode().pduData.hex() for e in client.events}) == 1, "one event, told again and again"
            assert len(client.values) == 2 + 50
            why = [e["why"] for e in site.truth.entries if e["kind"] == "notification"]
            assert (why.count(""), why.count("notification-flood")) == (3, 100)

        play(scene, f"notification-flood:{ALARM}@building=500ms")

    def test_repeated(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(OBJECT, issueConfirmedNotifications=True, lifetime=600)
            await raise_and_clear(site, ALARM)
            assert told(client) == [(HERE, "offnormal")] * 2 + [(HERE, "normal")] * 2
            first, again = client.events[:2]
            assert first.encode().pduData == again.encode().pduData
            assert first.apduInvokeID != again.apduInvokeID, "a new message, not the transport's own repetition"
            assert len(client.values) == 2 * 3
            sent = [e for e in site.truth.entries if e["kind"] == "notification" and e["what"] == "event"]
            assert sent[1]["sent_before_ns"] - sent[0]["sent_before_ns"] == 50 * NS_PER_MS

        play(scene, f"repeated-notification:{ALARM}@building=50ms")

    def test_wrong_class(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command(ALARM, Action.RAISE)
            site.command(OTHER, Action.RAISE)
            await client.next_event(2)
            by_object = {str(e.eventObjectIdentifier): e for e in client.events}
            here, there = by_object[HERE], by_object[THERE]
            assert (here.notificationClass, here.priority, bool(here.ackRequired)) == (2, 255, False)
            assert (there.notificationClass, there.priority, bool(there.ackRequired)) == (1, 64, True)
            assert await client.read(HERE, "notification-class") == 2
            assert list(await client.read("notification-class,2", "priority")) == [255, 255, 255]

        play(scene, f"wrong-class:{ALARM}@building")


class TestWholeDevice:
    def test_stale_reads(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(OBJECT, issueConfirmedNotifications=True, lifetime=600)
            site.command(ALARM, Action.RAISE)
            await client.next_value(2)
            since_ns = time.monotonic_ns()
            assert await present(client, OBJECT) == "inactive"
            for _ in range(100):
                await asyncio.sleep(0.1)
                if await present(client, OBJECT) == "active":
                    break
            assert NS_PER_S < time.monotonic_ns() - since_ns <= 5 * NS_PER_S
            assert str(await client.read(HERE, "event-state")) == "offnormal"

        play(scene, "stale-reads@building=5s")

    def test_duplicate_instance(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            found = [await client.who_is(address=client.peer, timeout=5)]
            site.command(ALARM, Action.RAISE)
            await client.next_event(1)
            port = site.ready()["building_duplicate_port"]
            assert isinstance(port, int)
            client.talk_to(port)
            found.append(await client.who_is(address=client.peer, timeout=5))
            assert [answers[0].iAmDeviceIdentifier[1] for answers in found] == [260001, 260001]
            assert found[0][0].pduSource != found[1][0].pduSource
            assert await present(client, OBJECT) == "inactive", "it is another device, and knows of no alarm"

        play(scene, "duplicate-instance@building")

    @pytest.mark.parametrize("spec", ["frozen@building=0s", f"too-short:{ALARM}@building=60ms"])
    def test_what_other_devices_have_too(self, spec: str) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await raise_and_clear(site, ALARM, 5.0)
            times: list[Any] = shown(site.truth.entries, "building", ALARM)
            if spec.startswith("frozen"):
                assert times == []
                assert told(client) == []
            else:
                ((appeared, gone),) = times
                assert gone.before_ns - appeared.before_ns == 60 * NS_PER_MS
                assert told(client) == [(HERE, "offnormal"), (HERE, "normal")]

        play(scene, spec)
