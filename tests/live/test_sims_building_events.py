"""The simulated BACnet device, heard by a bacpypes3 client on real sockets, in virtual time."""

from __future__ import annotations

import asyncio
import itertools
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from bacpypes3.apdu import (
    GetAlarmSummaryRequest,
    GetEventInformationRequest,
    SimpleAckPDU,
    WritePropertyMultipleRequest,
)
from bacpypes3.basetypes import PropertyValue, TimeStamp, WriteAccessSpecification
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import Boolean, Enumerated, Real

from sims import SimulatedSite, SiteOptions
from sims.alarm_states import AlarmState
from sims.building_options import BuildingOptions
from sims.controller import Action
from sims.durations import NS_PER_MS, NS_PER_S
from sims.points import REMOTE
from sims.truth import changes
from tests.peers.bacnet_client import BacnetClient, bacnet_client, value_of
from tests.peers.virtual_time import run

HIGH = ("binary-input", 2)  # bulk-a.high
Scene = Callable[[SimulatedSite, BacnetClient], Awaitable[None]]


@asynccontextmanager
async def site_and_client(*defects: str, listed: bool = True, **options: Any) -> AsyncIterator[tuple[Any, Any]]:
    """A site with the device, and a client that is in its Recipient_List."""
    async with bacnet_client() as client:
        recipients = (*options.pop("recipients", ()), *((("127.0.0.1", client.port),) if listed else ()))
        building = BuildingOptions(recipients=recipients, **options)
        async with SimulatedSite(SiteOptions(building=building, defects=defects)) as site:
            client.talk_to(site.building_port)
            yield site, client


def play(scene: Scene, *defects: str, listed: bool = True, **options: Any) -> None:
    """Let a scene happen in virtual time."""

    async def main() -> None:
        async with site_and_client(*defects, listed=listed, **options) as (site, client):
            await scene(site, client)

    run(main)


def entries(site: SimulatedSite, kind: str, **match: Any) -> list[dict[str, Any]]:
    return [e for e in site.truth.entries if e["kind"] == kind and all(e[k] == v for k, v in match.items())]


async def shows(site: SimulatedSite, signal: str, value: int, place: str = "building") -> int:
    """Wait until the truth log says so; the instant."""
    await site.until(lambda: bool((c := changes(site.truth.entries, place, signal)) and c[-1][0] == value))
    return changes(site.truth.entries, place, signal)[-1][1].after_ns


def bits(flags: Any) -> str:
    return "".join(str(int(flag)) for flag in flags)


class TestEvents:
    def test_an_alarm_is_notified_when_it_comes_and_when_it_goes(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("bulk-a.low", Action.RAISE)
            await client.next_event(2)
            site.command("bulk-a.low", Action.CLEAR)
            await client.next_event(4)
            told = [
                (
                    str(e.eventObjectIdentifier),
                    str(e.fromState),
                    str(e.toState),
                    e.priority,
                    bool(e.ackRequired),
                    str(e.eventType),
                    e.notificationClass,
                    str(e.messageText),
                )
                for e in client.events
            ]
            level = ("analog-input,1", "out-of-range", "BULK A LEVEL")
            alarm = ("binary-input,3", "change-of-state", "BULK A LOW")
            assert sorted(told) == sorted(
                (where, *states, priority, ack, kind, 1, text)
                for where, kind, text, off in ((*level, "low-limit"), (*alarm, "offnormal"))
                for states, priority, ack in (((("normal", off)), 64, True), ((off, "normal"), 192, False))
            )
            assert all(str(e.notifyType) == "alarm" for e in client.events)
            assert {e.initiatingDeviceIdentifier[1] for e in client.events} == {260001}

        play(scene)

    def test_the_parameters_say_what_the_value_was(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("bulk-a.high", Action.RAISE)
            await client.next_event(2)
            by_type = {str(e.eventType): e.eventValues for e in client.events}
            changed = by_type["change-of-state"].changeOfState
            assert (int(changed.newState.binaryValue), bits(changed.statusFlags)) == (1, "1000")
            beyond = by_type["out-of-range"].outOfRange
            assert (beyond.exceedingValue, beyond.deadband, beyond.exceededLimit) == (92.0, 2.0, 90.0)
            assert bits(beyond.statusFlags) == "1000"

        play(scene)

    def test_the_truth_log_knows_when_each_was_handed_over(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("sump-a.leak", Action.RAISE)
            await client.next_event(1)
            told_ns = time.monotonic_ns()
            appeared = changes(site.truth.entries, "building", "sump-a.leak")
            (sent,) = entries(site, "notification", signal="sump-a.leak", what="event")
            assert appeared[0][1].after_ns == sent["sent_before_ns"] == sent["sent_after_ns"] == told_ns
            assert (sent["recipient"], sent["attempt"], sent["to_state"]) == (
                f"127.0.0.1:{client.port}",
                1,
                "offnormal",
            )
            await site.until(lambda: bool(entries(site, "notification-end", signal="sump-a.leak")))
            (end,) = entries(site, "notification-end", signal="sump-a.leak")
            assert end["outcome"] == "acked"

        play(scene)

    @pytest.mark.parametrize("confirmed", [True, False])
    def test_confirmed_or_not(self, confirmed: bool) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("sump-a.leak", Action.RAISE)
            event = await client.next_event(1)
            assert type(event).__name__.startswith("Confirmed" if confirmed else "Unconfirmed")
            (listed,) = await client.read("notification-class,1", "recipient-list")
            assert bool(listed.issueConfirmedNotifications) is confirmed
            assert listed.recipient.address.macAddress == bytes((127, 0, 0, 1)) + client.port.to_bytes(2, "big")

        play(scene, confirmed=confirmed)

    def test_what_is_over_before_its_time_delay_is_not_notified(self) -> None:
        """ASHRAE 135, 13.3.2: the condition must hold for Time_Delay; the value changes all the same."""

        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(HIGH, issueConfirmedNotifications=False, lifetime=0)
            site.command("bulk-a.high", Action.RAISE)
            await asyncio.sleep(1.5)
            site.command("bulk-a.high", Action.CLEAR)
            await asyncio.sleep(10)
            assert [e for e in client.events if str(e.eventObjectIdentifier) == "binary-input,2"] == []
            assert [bits(value_of(v)[1]) for v in client.values] == ["0000"] * 3
            site.command("bulk-a.high", Action.RAISE)
            since_ns = await shows(site, "bulk-a.high", 1)
            await site.until(lambda: bool(entries(site, "notification", table=HIGH[0], address=HIGH[1], what="event")))
            (sent,) = entries(site, "notification", table=HIGH[0], address=HIGH[1], what="event")
            assert sent["sent_before_ns"] - since_ns == pytest.approx(2 * NS_PER_S, abs=1000)

        play(scene, time_delays_ns={"bulk-a.high": 2 * NS_PER_S})

    def test_a_faulty_probe_is_a_fault_of_its_level(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("day.probe-fault", Action.RAISE)
            await client.next_event(2)
            (event,) = [e for e in client.events if str(e.eventObjectIdentifier) == "analog-input,3"]
            assert (str(event.toState), str(event.eventType), event.priority) == ("fault", "change-of-reliability", 96)
            told = event.eventValues.changeOfReliability
            assert (str(told.reliability), bits(told.statusFlags)) == ("no-sensor", "1100")
            assert str(await client.read("analog-input,3", "reliability")) == "no-sensor"
            assert str(await client.read("analog-input,3", "event-state")) == "fault"

        play(scene)


class TestRecipients:
    def test_a_dead_recipient_is_given_up_and_delays_nobody_else(self) -> None:
        """Four attempts 3 s apart, given up after 12 s: APDU_Timeout and retries as the device object shows them."""

        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            for name in ("sump-a.leak", "sump-b.leak"):
                site.command(name, Action.RAISE)
            await client.next_event(4)
            assert await client.read("device,260001", "apdu-timeout") == 3000
            await site.until(lambda: len(entries(site, "notification-end", outcome="given-up")) == 4)
            dead = f"127.0.0.1:{sleeper.getsockname()[1]}"
            sent = entries(site, "notification", recipient=dead)
            assert [e["attempt"] for e in sent] == [1, 2, 3, 4] * 4, "one after the other, each from its start"
            first = [e["sent_before_ns"] for e in sent[:4]]
            assert [at - first[0] for at in first] == [n * 3 * NS_PER_S for n in range(4)]
            assert len({e["invoke_id"] for e in sent}) == 4
            alive = entries(site, "notification", recipient=f"127.0.0.1:{client.port}")
            shown = [
                at.after_ns
                for s in ("sump-a.leak", "sump-b.leak")
                for _, at in changes(site.truth.entries, "building", s)
            ]
            assert sorted(e["sent_before_ns"] for e in alive) == sorted(shown), "each at once, when its value showed"

        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sleeper:
            sleeper.bind(("127.0.0.1", 0))
            play(scene, recipients=(sleeper.getsockname(),))

    def test_a_recipient_that_does_not_answer_gets_the_same_again(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            client.answers = False
            site.command("day.high", Action.RAISE)
            await client.next_event(2)
            client.answers = True
            first, second = client.events[:2]
            assert first.apduInvokeID == second.apduInvokeID
            assert first.encode().pduData == second.encode().pduData
            await client.next_event(3)
            await site.until(lambda: len(entries(site, "notification-end", outcome="acked")) == 2)

        play(scene)


class TestAcknowledging:
    def test_over_bacnet_reaches_the_controller_and_is_notified(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("sump-a.leak", Action.RAISE)
            event = await client.next_event(1)
            where = str(event.eventObjectIdentifier)
            assert bits(await client.read(where, "acked-transitions")) == "011"
            assert isinstance(await client.acknowledge(event), SimpleAckPDU)
            told = await client.next_event(2)
            assert (str(told.notifyType), str(told.toState)) == ("ack-notification", "offnormal")
            assert (told.ackRequired, told.fromState, told.eventValues) == (None, None, None)
            assert bits(await client.read(where, "acked-transitions")) == "111"
            await shows(site, "sump-a.leak", AlarmState.ACKED.code, "building.states")
            assert await client.read("multi-state-value,19", "present-value") == 3
            (stimulus,) = entries(site, "stimulus", action="acknowledge")
            assert (stimulus["alarm"], stimulus["by"]) == ("sump-a.leak", "building: desk")
            assert len(client.events) == 2, "acknowledged once, notified once"

        play(scene)

    def test_what_fits_no_transition_is_refused(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("bulk-a.interstitial-leak", Action.RAISE)
            event = await client.next_event(1)
            refused = await client.acknowledge(event, eventStateAcknowledged=0)
            assert str(refused.errorCode) == "invalid-event-state"
            refused = await client.acknowledge(event, timeStamp=TimeStamp(sequenceNumber=1))
            assert str(refused.errorCode) == "invalid-time-stamp"
            refused = await client.acknowledge(event, eventObjectIdentifier=("binary-input", 777))
            assert str(refused.errorCode) == "unknown-object"
            refused = await client.acknowledge(event, eventObjectIdentifier=("binary-value", 100))
            assert str(refused.errorCode) == "no-alarm-configured"
            assert bits(await client.read(str(event.eventObjectIdentifier), "acked-transitions")) == "011"
            assert not entries(site, "stimulus", action="acknowledge")

        play(scene)

    def test_the_off_normal_transition_can_be_acknowledged_after_the_alarm_has_gone(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("fill-sump.splash", Action.RAISE)
            raised = await client.next_event(1)
            await client.next_event(2)
            assert isinstance(await client.acknowledge(raised), SimpleAckPDU)
            assert bits(await client.read("binary-input,21", "acked-transitions")) == "111"

        play(scene)

    def test_at_the_panel_counts_too(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("bulk-a.interstitial-leak", Action.RAISE)
            await client.next_event(1)
            site.command("bulk-a.interstitial-leak", Action.ACKNOWLEDGE)
            told = await client.next_event(2)
            assert str(told.notifyType) == "ack-notification"
            assert bits(await client.read("binary-input,17", "acked-transitions")) == "111"

        play(scene)


class TestSummaries:
    def test_event_information_comes_in_parts_and_is_whole(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            for alarm in REMOTE:
                site.command(alarm.name, Action.RAISE)
            await shows(site, "day.probe-fault", 1)
            found: list[Any] = []
            last: dict[str, Any] = {}
            while True:
                answer = await client.ask(GetEventInformationRequest(**last))
                found += answer.listOfEventSummaries
                if not answer.moreEvents:
                    break
                last = {"lastReceivedObjectIdentifier": found[-1].objectIdentifier}
            identifiers = [str(s.objectIdentifier) for s in found]
            assert identifiers == [f"analog-input,{n}" for n in (1, 2, 3)] + [f"binary-input,{n}" for n in range(1, 25)]
            assert {tuple(s.eventPriorities) for s in found} == {(64, 96, 192)}
            summary = await client.ask(GetAlarmSummaryRequest())
            assert [str(s.objectIdentifier) for s in summary.listOfAlarmSummaries] == identifiers

        play(scene)

    def test_a_normal_object_is_in_one_as_long_as_something_is_unacknowledged(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            site.command("bulk-a.interstitial-leak", Action.RAISE)
            site.command("fill-sump.splash", Action.RAISE)
            await client.next_event(3)
            splash = "binary-input,21"
            waiting = (await client.ask(GetEventInformationRequest())).listOfEventSummaries
            assert [str(s.objectIdentifier) for s in waiting] == ["binary-input,17", splash]
            assert [bits(s.acknowledgedTransitions) for s in waiting] == ["011", "011"]
            active = (await client.ask(GetAlarmSummaryRequest())).listOfAlarmSummaries
            assert [str(s.objectIdentifier) for s in active] == ["binary-input,17"]
            (raised,) = [
                e for e in client.events if str(e.eventObjectIdentifier) == splash and str(e.toState) != "normal"
            ]
            await client.acknowledge(raised)
            waiting = (await client.ask(GetEventInformationRequest())).listOfEventSummaries
            assert [str(s.objectIdentifier) for s in waiting] == ["binary-input,17"]

        play(scene)


class TestSubscriptions:
    @pytest.mark.parametrize("confirmed", [True, False])
    def test_first_how_it_stands_then_every_change(self, confirmed: bool) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(HIGH, issueConfirmedNotifications=confirmed, lifetime=60, process=18)
            first = await client.next_value(1)
            assert (first.subscriberProcessIdentifier, first.timeRemaining) == (18, 60)
            assert type(first).__name__.startswith("Confirmed" if confirmed else "Unconfirmed")
            site.command("bulk-a.high", Action.RAISE)
            await client.next_value(2)
            site.command("bulk-a.high", Action.CLEAR)
            last = await client.next_value(3)
            told = [(int(v.cast_out(Enumerated)), bits(f)) for v, f in map(value_of, client.values)]
            assert told == [(0, "0000"), (1, "1000"), (0, "0000")], "with Time_Delay 0 in-alarm comes with the value"
            assert last.timeRemaining == 60
            sent = entries(site, "notification", what="cov")
            assert [(e["value"], e["flags"]) for e in sent] == [(0, 0), (1, 8), (0, 0)]

        play(scene)

    def test_ends_silently_with_its_lifetime_unless_renewed(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(HIGH, issueConfirmedNotifications=False, lifetime=10)
            await asyncio.sleep(9)
            await client.subscribe(HIGH, issueConfirmedNotifications=False, lifetime=10)
            assert (await client.next_value(2)).timeRemaining == 10
            await asyncio.sleep(9)
            site.command("bulk-a.high", Action.RAISE)
            await client.next_value(3)
            await asyncio.sleep(2)
            site.command("bulk-a.high", Action.CLEAR)
            await shows(site, "bulk-a.high", 0)
            await asyncio.sleep(1)
            assert len(client.values) == 3

        play(scene)

    def test_cancelled_and_never_there(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            await client.subscribe(HIGH, issueConfirmedNotifications=False, lifetime=0)
            assert (await client.next_value(1)).timeRemaining == 0
            for _ in range(2):
                assert isinstance(await client.subscribe(HIGH), SimpleAckPDU)
            site.command("bulk-a.high", Action.RAISE)
            await shows(site, "bulk-a.high", 1)
            await asyncio.sleep(1)
            assert len(client.values) == 1
            refused = await client.subscribe(("binary-input", 777), issueConfirmedNotifications=False, lifetime=0)
            assert str(refused.errorCode) == "unknown-object"

        play(scene)

    def test_an_analog_is_told_by_its_increment(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            increment = await client.read("analog-input,1", "cov-increment")
            await client.subscribe(("analog-input", 1), issueConfirmedNotifications=False, lifetime=0)
            await asyncio.sleep(100)  # the level wanders once around
            levels = [value_of(v)[0].cast_out(Real) for v in client.values]
            steps = [abs(b - a) for a, b in itertools.pairwise(levels)]
            assert 10 <= len(levels) <= 18, "there and back over 16 % in steps of 2 %"
            assert all(increment <= step <= increment + 0.5 for step in steps), steps

        play(scene)


class TestOutOfService:
    def test_the_value_is_decoupled_and_can_be_written(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            denied = await client.write(HIGH, "presentValue", Enumerated(1))
            assert str(denied.errorCode) == "write-access-denied"
            assert isinstance(await client.write(HIGH, "outOfService", Boolean(True)), SimpleAckPDU)
            site.command("bulk-a.high", Action.RAISE)
            await shows(site, "bulk-a.high", AlarmState.UNACK.code, "building.states")
            assert str(await client.read("binary-input,2", "present-value")) == "inactive"
            assert bits(await client.read("binary-input,2", "status-flags")) == "0001"
            await client.write(HIGH, "presentValue", Enumerated(1))
            assert bits(await client.read("binary-input,2", "status-flags")) == "1001"
            site.command("bulk-a.high", Action.CLEAR)
            await shows(site, "bulk-a.high", AlarmState.RTNUN.code, "building.states")
            await client.write(HIGH, "outOfService", Boolean(False))
            assert str(await client.read("binary-input,2", "present-value")) == "inactive"
            assert bits(await client.read("binary-input,2", "status-flags")) == "0000"

        play(scene)

    def test_nothing_else_can_be_written(self) -> None:
        async def scene(site: SimulatedSite, client: BacnetClient) -> None:
            for name, datum in (("timeDelay", Enumerated(1)), ("eventEnable", Enumerated(1))):
                denied = await client.write(HIGH, name, datum)
                assert str(denied.errorCode) == "write-access-denied"
            several = WriteAccessSpecification(
                objectIdentifier=HIGH,
                listOfProperties=[PropertyValue(propertyIdentifier="outOfService", value=AnyValue(Boolean(True)))],
            )
            rejected = await client.ask(WritePropertyMultipleRequest(listOfWriteAccessSpecs=[several]))
            assert type(rejected).__name__ == "RejectPDU"

        play(scene)


def test_its_delay_is_kept() -> None:
    async def scene(site: SimulatedSite, client: BacnetClient) -> None:
        site.command("bulk-b.high", Action.RAISE)
        await shows(site, "bulk-b.high", 1)
        (raised,) = entries(site, "alarm", alarm="bulk-b.high")
        (_, shown), *_ = changes(site.truth.entries, "building", "bulk-b.high")
        assert shown.before_ns - raised["at_ns"] == 700 * NS_PER_MS

    play(scene, delay_ns=700 * NS_PER_MS)


def test_a_taken_port_is_said() -> None:
    async def main() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
            taken.bind(("127.0.0.1", 0))
            with pytest.raises(OSError, match="in use"):
                async with SimulatedSite(SiteOptions(building=BuildingOptions(port=taken.getsockname()[1]))):
                    pass

    run(main)
