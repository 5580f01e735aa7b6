"""Writing properties, read back: against the simulated building device, and against another implementation.

Values and slots are checked from the other side: rusty-bacnet's client reads what farend wrote, and writes above it.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any, Final

import pytest

from harness.core.as_left import differences
from harness.core.errors import SafetyError
from harness.core.instants import NS_PER_MS
from harness.core.model import Site
from harness.core.places import ObjectType
from harness.core.writing import ObjectProperty, PropertyWrite, WritableProperty
from harness.stimulus import armed
from harness.stimulus.armed import ArmedWriter
from harness.stimulus.as_found import read_writable
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.peers.bacnet import bacnet_link
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import DEADLINE_S, ORIGIN

rusty = pytest.importorskip("rusty_bacnet")

Kind, Property, Value = rusty.ObjectType, rusty.PropertyIdentifier, rusty.PropertyValue
BI, BO, BV = ObjectType.BINARY_INPUT, ObjectType.BINARY_OUTPUT, ObjectType.BINARY_VALUE
AV, MSV = ObjectType.ANALOG_VALUE, ObjectType.MULTI_STATE_VALUE
PRESENT, OUT = ObjectProperty.PRESENT_VALUE, ObjectProperty.OUT_OF_SERVICE
DEVICE: Final = 4711
SHORT_NS: Final = 200 * NS_PER_MS
WATER: Final = 205
"""The test object of bulk-a.water."""


def may(object_type: ObjectType, instance: int, prop: ObjectProperty = PRESENT, **rest: Any) -> WritableProperty:
    return WritableProperty(
        link="building", object_type=object_type, instance=instance, property=prop, origin=ORIGIN, **rest
    )


def write(it: WritableProperty, value: float | None, instance: int | None = None) -> PropertyWrite:
    return PropertyWrite(
        link=it.link,
        object_type=it.object_type,
        instance=it.instance if instance is None else instance,
        property=it.property,
        value=value,
        priority=it.priority,
    )


def site_with(port: int, device: int, *writable: WritableProperty, **rest: Any) -> Site:
    return Site(
        name="wharf",
        title="",
        controller="",
        firmware="",
        links={"building": bacnet_link(port, device, **rest)},
        points={},
        alarms={},
        side_effects={},
        writable=writable,
        expectations=(),
    )


@asynccontextmanager
async def writing(site: Site) -> AsyncIterator[ArmedWriter]:
    async with asyncio.timeout(DEADLINE_S), ArmedWriter(site, time.monotonic_ns, site.name) as writer:
        yield writer


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is wrong is said after a fifth of a second: here nothing takes a scan to show."""
    monkeypatch.setattr(armed, "READ_BACK_WITHIN_NS", SHORT_NS)


# --- the simulated building device --------------------------------------------------------------------


async def test_a_test_object_raises_its_alarm_and_gives_it_back() -> None:
    listed = may(BV, WATER, priority=8)
    options = SiteOptions(building=BuildingOptions(test_objects=True))
    async with SimulatedSite(options) as sim:
        site = site_with(sim.building_port, 260001, listed)
        async with writing(site) as writer:
            before = await read_writable(site, writer.devices)
            raised = await writer.perform([write(listed, 1)])
            assert (raised.proven, raised.why, raised.proof) == (True, "", "answered and read back")
            await sim.until(lambda: sim.controller.state("bulk-a.water").active)
            during = await read_writable(site, writer.devices)
            cleared = await writer.perform([write(listed, None)])
            assert (cleared.proven, cleared.why) == (True, "")
            await sim.until(lambda: not sim.controller.state("bulk-a.water").active)
            after = await read_writable(site, writer.devices)
    commands = [entry for entry in sim.truth.entries if entry["kind"] == "command"]
    assert [(it["signal"], it["priority"], it["value"]) for it in commands] == [
        ("bulk-a.water", 8, 1.0),
        ("bulk-a.water", 8, None),
    ]
    for it, step in zip(commands, (raised, cleared), strict=True):
        assert step.at.lo <= int(str(it["at_ns"])) <= step.at.hi
    assert [it.name for it in before] == [
        "building: binary-value 205 present-value",
        "building: binary-value 205 priority-array 8",
    ]
    assert [str(it) for it in differences(before, during)] == [
        "building: binary-value 205 present-value: found 0, left 1",
        "building: binary-value 205 priority-array 8: found nothing, left 1",
    ]
    assert differences(before, after) == ()


async def test_an_input_is_written_while_it_is_out_of_service_and_put_back() -> None:
    """What a building system does to an input that cannot be commanded (ASHRAE 135, clause 12, Out_Of_Service)."""
    value, out = may(BI, 5), may(BI, 5, OUT)
    async with SimulatedSite(SiteOptions(building=BuildingOptions())) as sim:
        site = site_with(sim.building_port, 260001, value, out)
        async with writing(site) as writer:
            before = await read_writable(site, writer.devices)
            refused = await writer.perform([write(value, 1)])
            assert (refused.proven, refused.is_sent) == (False, False)
            assert "write-access-denied" in refused.why
            raised = await writer.perform([write(out, 1), write(value, 1)])
            assert raised.proven, raised.why
            assert [it.value for it in await read_writable(site, writer.devices)] == [1, 1]
            cleared = await writer.perform([write(value, 0), write(out, 0)])
            assert cleared.proven, cleared.why
            assert differences(before, await read_writable(site, writer.devices)) == ()


# --- another implementation ----------------------------------------------------------------------------


class Outside:
    """A device of another implementation, and its client, which looks at it and commands it as somebody else would."""

    def __init__(self, client: Any, port: int) -> None:
        self._client = client
        self._address = f"127.0.0.1:{port}"
        self.port = port

    async def read(self, kind: Any, instance: int, name: Any, index: int | None = None) -> Any:
        oid = rusty.ObjectIdentifier(kind, instance)
        return (await self._client.read_property(self._address, oid, name, index)).value

    async def command(self, kind: Any, instance: int, value: Any, priority: int) -> None:
        oid = rusty.ObjectIdentifier(kind, instance)
        await self._client.write_property(self._address, oid, Property.PRESENT_VALUE, value, priority)


@asynccontextmanager
async def outside() -> AsyncIterator[Outside]:
    port = free_udp_port()
    server = rusty.BACnetServer(DEVICE, "outside", "127.0.0.1", port, "127.0.0.1")
    server.add_binary_output(1, "BO 1")
    server.add_binary_value(7, "BV 7")
    server.add_analog_value(2, "AV 2", 62)
    server.add_multistate_value(3, "MSV 3", 4)
    await server.start()
    try:
        async with rusty.BACnetClient("127.0.0.1", 0, broadcast_address="127.0.0.1", apdu_timeout_ms=3000) as client:
            yield Outside(client, port)
    finally:
        await server.stop()


async def test_commands_are_held_at_their_own_priority_and_given_back() -> None:
    listed = [
        (may(BV, 7, priority=8), 1.0, Kind.BINARY_VALUE),
        (may(BO, 1, priority=10), 1.0, Kind.BINARY_OUTPUT),
        (may(AV, 2, priority=9), 72.3, Kind.ANALOG_VALUE),
        (may(MSV, 3, priority=16), 3.0, Kind.MULTI_STATE_VALUE),
    ]
    async with outside() as peer:
        site = site_with(peer.port, DEVICE, *(it for it, _, _ in listed))
        async with writing(site) as writer:
            before = await read_writable(site, writer.devices)
            for it, value, kind in listed:
                done = await writer.perform([write(it, value)])
                assert done.proven, done.why
                seen = await peer.read(kind, it.instance, Property.PRESENT_VALUE)
                assert seen == pytest.approx(value)
                slot = await peer.read(kind, it.instance, Property.PRIORITY_ARRAY, it.priority)
                assert slot == pytest.approx(value)
            assert len(differences(before, await read_writable(site, writer.devices))) == 2 * len(listed)
            for it, _, kind in listed:
                done = await writer.perform([write(it, None)])
                assert done.proven, done.why
                assert await peer.read(kind, it.instance, Property.PRIORITY_ARRAY, it.priority) is None
            assert differences(before, await read_writable(site, writer.devices)) == ()


@pytest.mark.usefixtures("patient")
async def test_a_command_under_a_higher_one_is_not_proven_and_says_which_one_stands() -> None:
    listed = may(BV, 7, priority=8)
    async with outside() as peer:
        await peer.command(Kind.BINARY_VALUE, 7, Value.enumerated(0), 5)
        async with writing(site_with(peer.port, DEVICE, listed)) as writer:
            done = await writer.perform([write(listed, 1)])
            assert (done.proven, done.is_sent) == (False, True)
            assert done.why == (
                "answered, but binary-value 7 took 1 and shows present-value 0: a command of priority 5 stands above "
                "priority 8, 0"
            )
            back = await writer.perform([write(listed, None)])
            assert back.proven, back.why
        assert await peer.read(Kind.BINARY_VALUE, 7, Property.PRIORITY_ARRAY, 8) is None
        assert await peer.read(Kind.BINARY_VALUE, 7, Property.PRIORITY_ARRAY, 5) == 0


async def test_a_slot_in_which_somebody_elses_command_stands_is_left_alone() -> None:
    """Relinquishing it afterwards would take their command away for good."""
    listed = may(BV, 7, priority=8)
    async with outside() as peer:
        await peer.command(Kind.BINARY_VALUE, 7, Value.enumerated(0), 8)
        async with writing(site_with(peer.port, DEVICE, listed)) as writer:
            done = await writer.perform([write(listed, 1)])
            assert (done.proven, done.is_sent) == (False, False)
            assert done.why.startswith("binary-value 7 holds 0 at priority 8: somebody else's command")
            assert await peer.read(Kind.BINARY_VALUE, 7, Property.PRIORITY_ARRAY, 8) == 0
            await peer.command(Kind.BINARY_VALUE, 7, Value.null(), 8)
            for value in (1, 0, 1, None):
                assert (await writer.perform([write(listed, value)])).proven, "from then on it is ours"


async def test_what_could_not_be_given_back_is_not_commanded() -> None:
    listed, unlisted = may(BV, 7), may(BV, 100, priority=8)
    async with outside() as peer, writing(site_with(peer.port, DEVICE, listed)) as writer:
        done = await writer.perform([write(listed, 1)])
        assert (done.proven, done.is_sent) == (False, False)
        assert "takes commands at priorities: list and write it at one" in done.why
    async with (
        SimulatedSite(SiteOptions(building=BuildingOptions())) as sim,
        writing(site_with(sim.building_port, 260001, unlisted)) as writer,
    ):
        done = await writer.perform([write(unlisted, 1)])
        assert (done.proven, done.is_sent) == (False, False)
        assert "binary-value 100 has no Priority_Array" in done.why


@pytest.mark.usefixtures("patient")
async def test_what_puts_back_goes_on_after_a_failure() -> None:
    missing, there = may(BV, 99, priority=8), may(BV, 7, priority=8)
    async with outside() as peer:
        async with writing(site_with(peer.port, DEVICE, missing, there)) as writer:
            assert (await writer.perform([write(there, 1)])).proven
            back = await writer.perform([write(missing, None), write(there, None)], all_of_them=True)
            assert (back.proven, back.is_sent) == (False, True)
            assert "unknown-object" in back.why
        assert await peer.read(Kind.BINARY_VALUE, 7, Property.PRIORITY_ARRAY, 8) is None


async def test_what_is_not_listed_is_refused_before_anything_is_sent() -> None:
    listed = may(BV, 7, priority=8)
    async with outside() as peer:
        async with writing(site_with(peer.port, DEVICE, listed)) as writer:
            for other in (
                write(replace(listed, priority=9), 1),
                write(replace(listed, priority=None), 1),
                write(listed, 1, instance=8),
                write(replace(listed, object_type=BO), 1),
                write(replace(listed, property=OUT), 1),
                write(replace(listed, link="another"), 1),
            ):
                with pytest.raises(SafetyError, match="not on the site file's list of writable points"):
                    await writer.perform([write(listed, 1), other])
        assert await peer.read(Kind.BINARY_VALUE, 7, Property.PRIORITY_ARRAY, 8) is None


async def test_what_is_not_there_is_refused_by_the_device_and_not_known_as_found() -> None:
    missing, there = may(BV, 99, priority=8), may(BV, 7, priority=8)
    async with outside() as peer:
        site = site_with(peer.port, DEVICE, missing, there)
        async with writing(site) as writer:
            done = await writer.perform([write(missing, 1)])
            assert (done.proven, done.is_sent) == (False, False)
            assert "unknown-object" in done.why
            found = await read_writable(site, writer.devices)
            assert ["unknown-object" in it.why for it in found] == [True, True, False, False]
            assert {it.name for it in differences(found, found)} == {it.name for it in found[:2]}


async def test_a_device_that_is_away_is_asked_once(monkeypatch: pytest.MonkeyPatch) -> None:
    listed = may(BV, 1, count=24, priority=8)
    site = site_with(free_udp_port(), DEVICE, listed, timeout_ns=SHORT_NS)
    async with writing(site) as writer:
        asked: list[object] = []
        ask = writer.devices.ask

        async def counted(link: str, apdu: Any) -> Any:
            asked.append(apdu)
            return await ask(link, apdu)

        monkeypatch.setattr(writer.devices, "ask", counted)
        found = await read_writable(site, writer.devices)
        assert len(asked) == 1
        assert len(found) == 48
        assert all(it.why for it in found)
        done = await writer.perform([write(listed, 1)])
        assert (done.proven, done.is_sent) == (False, False), "read first, it was never written"
        back = await writer.perform([write(listed, None)])
        assert (back.proven, back.is_sent) == (False, True)
