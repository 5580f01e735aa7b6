"""Rigs of BACnet/IP links: polled, told by COV, told by events. UDP has no connections."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, Final

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BacnetLink, CovKind
from harness.core.places import Arrival, BacnetPlace, ObjectType, Place
from harness.links.bacnet_messages import Subscription, SubscriptionStep, ValueChange, decode
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from sims.controller import Action
from sims.truth import changes
from tests.conformance.datagram_wire import LOOPBACK, DatagramWire
from tests.conformance.rig import DEADLINE_NS, LINK, ORIGIN, Ears, Rig, clock
from tests.conformance.tcp_rigs import DELAY_NS
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import eventually

DEVICE: Final = 260_001
OTHER_DEVICE: Final = 260_002
SIGNAL: Final = "bulk-a.high"
INPUT: Final = 2  # binary-input 2 is the second alarm
NO_CONNECTION: Final = "BACnet/IP runs over UDP, which has no connection that could be lost or counted"
REPEATED: Final = "what is confirmed is sent again until it has arrived whole; the same link without that is checked"
TRIAL_S: Final = 1.5
CONFIRMED, UNCONFIRMED, SIMPLE_ACK = 0x0, 0x1, 0x2
MAY_ASK: Final = {5: "SubscribeCOV", 12: "ReadProperty", 14: "ReadPropertyMultiple"}
MAY_CONFIRM: Final = {1: "ConfirmedCOVNotification", 2: "ConfirmedEventNotification"}
MAY_SAY: Final = {8: "Who-Is"}
"""Service choices (ASHRAE 135, clause 21)."""

QUIET = "test_quiet_is_proved_while_the_link_lives"
LOSSY = "a datagram that nobody confirms may be lost without a trace, so silence proves nothing, whatever was promised"


class DatagramRig(Rig):
    """The faults of a way for datagrams. Subclasses bring the device."""

    flood_bytes = 1024 * 1024
    slow_s = 0.000_1
    instants = 15
    cycles = 15  # that it is gone is known after three time-outs only
    faults = ("refuse", "hold", "slow", "tear", "garbage")
    left_out = {  # noqa: RUF012 - as declared by Rig
        "test_a_lost_connection_comes_back_and_the_time_between_is_blind": NO_CONNECTION,
        "test_attempts_to_connect_are_spaced_and_the_spacing_is_capped": NO_CONNECTION,
    }
    arrives = Arrival.POLL
    cov = CovKind.CONFIRMED
    torn: int | None = None
    """Which kind of APDU is torn; None for the next of any."""

    def __init__(self) -> None:
        self.listen_port = free_udp_port()
        self.device_port = 0
        self.wire = DatagramWire(self.listen_port, lambda: self.device_port)
        self.passage = self.wire.passage
        self.shown = []
        self._device = DEVICE

    def spec(self) -> BacnetLink:
        return BacnetLink(
            name=LINK,
            host=LOOPBACK,
            port=self.wire.near_port,
            device=self._device,
            listen_host=LOOPBACK,
            listen_port=self.listen_port,
            poll_period_ns=20 * NS_PER_MS,
            timeout_ns=300 * NS_PER_MS,
            cov=self.cov,
            longest_delay_ns=DELAY_NS,
            promises_every_change=True,
            origin=ORIGIN,
        )

    def place(self) -> Place:
        return BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=INPUT, arrives=self.arrives)

    async def refuse(self) -> None:
        await self.wire.refuse()

    async def admit(self) -> None:
        await self.wire.admit()

    def cut(self) -> None:
        raise NotImplementedError(NO_CONNECTION)

    def hold(self) -> None:
        self.wire.hold()

    def release(self) -> None:
        self.wire.release()

    def slow(self, seconds: float) -> None:
        self.wire.slow(seconds)

    def tear(self) -> None:
        # A torn answer to a read is asked for again, and so is the value that a lost notification may have told.
        self.wire.tear(self.torn)

    def inject(self, data: bytes) -> None:
        self.wire.inject(data)

    def attempts_ns(self) -> list[int]:
        """Each begins with a Who-Is."""
        return [at_ns for at_ns, data in self.wire.from_listener if data[6:8] == b"\x10\x08"]

    def forget(self) -> None:
        super().forget()
        self.wire.from_listener.clear()

    def sent_by_listener(self) -> bytes:
        return b"".join(data for _, data in self.wire.from_listener)

    async def be_somebody_else(self) -> None:
        """The device at this address is of another instance than the link asks for."""
        await self.show(on=True)
        self._device = OTHER_DEVICE

    async def until_left(self) -> None:
        """UDP tells nobody."""

    async def until_well(self, ears: Ears) -> None:
        now_ns = clock()
        alive = ears.live.alive_ns
        assert await ears.live.wait_until(lambda: alive(LINK) > now_ns, clock() + DEADLINE_NS), ears.states()

    async def prove_alive(self, ears: Ears, instant: int) -> None:
        alive = ears.live.alive_ns
        assert await ears.live.wait_until(lambda: alive(LINK) > instant + DELAY_NS, clock() + DEADLINE_NS)

    def check_sent(self, sent: bytes) -> None:
        """Each datagram an Original-Unicast-NPDU (Annex J.2) with an APDU of what a listener may send."""
        at = 0
        while at < len(sent):
            length = int.from_bytes(sent[at + 2 : at + 4], "big")
            datagram = sent[at : at + length]
            at += length
            assert datagram[:2] == b"\x81\x0a", datagram
            assert datagram[4] == 1, datagram
            assert datagram[5] & 0xA8 == 0, datagram  # no message of the network layer, no address
            apdu = datagram[6:]
            kind = apdu[0] >> 4
            allowed = {
                CONFIRMED: lambda it: it[3] in MAY_ASK,
                UNCONFIRMED: lambda it: it[1] in MAY_SAY,
                SIMPLE_ACK: lambda it: it[2] in MAY_CONFIRM,
            }
            assert kind in allowed, datagram
            assert allowed[kind](apdu), datagram


class BuildingRig(DatagramRig):
    """A binary input of the simulated building. Notifications that are not confirmed are sent once more."""

    confirmed = True

    def __init__(self) -> None:
        super().__init__()
        self._site: SimulatedSite | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        await self.wire.start()
        building = BuildingOptions(
            delay_ns=0,
            recipients=((LOOPBACK, self.wire.far_port),),
            confirmed=self.confirmed,
            apdu_timeout_s=0.1,
            apdu_retries=1,
        )
        options = SiteOptions(building=building, bus_port=None, bus_tap_port=None, annunciator_port=None)
        try:
            async with SimulatedSite(options) as self._site:
                self.device_port = self._site.building_port
                yield
        finally:
            await self.wire.stop()

    async def set_output(self, *, on: bool) -> Bounds:
        site = self._site
        assert site is not None
        found = self._changes()
        if bool(found[-1][0] if found else 0) is on:
            now = clock()
            return Bounds(now, now)
        site.command(SIGNAL, Action.RAISE if on else Action.CLEAR)
        async with asyncio.timeout(DEADLINE_NS / NS_PER_S):
            await site.until(lambda: len(self._changes()) > len(found))
        return Bounds(*self._changes()[-1][1])

    def _changes(self) -> list[tuple[int, Any]]:
        assert self._site is not None
        return changes(self._site.truth.entries, "building", SIGNAL)


class BacnetCovRig(BuildingRig):
    """By confirmed COV notifications."""

    name = "bacnet-cov"
    is_pushed = True
    arrives = Arrival.COV
    left_out = {**DatagramRig.left_out, "test_half_a_message_is_no_value": REPEATED}  # noqa: RUF012 - as declared by Rig

    async def begin(self, ears: Ears) -> None:
        """A listener may subscribe once more, to see whether the device lists its subscriptions."""
        await super().begin(ears)
        await asyncio.sleep(TRIAL_S)

    async def until_joined(self, ears: Ears) -> None:
        """Subscribed since the link came up last, and told the first value."""
        up_ns = ears.live.link_changes[LINK][-1].at_ns

        def is_joined() -> bool:
            heard = [decode(it.data) for it in ears.live.heard[LINK] if it.last_ns >= up_ns]
            kept = [it for it in heard if isinstance(it, Subscription) and it.step is SubscriptionStep.KEPT]
            return bool(kept) and any(isinstance(it, ValueChange) for it in heard)

        assert await ears.live.wait_until(is_joined, clock() + DEADLINE_NS), ears.states()

    async def until_left(self) -> None:
        """The device has no subscription any more."""
        assert self._site is not None
        entries = self._site.truth.entries

        def is_alone() -> bool:
            last = [it["what"] for it in entries if it["kind"] == "subscription"][-1:]
            return last in ([], ["cancelled"])

        await eventually(is_alone)


class BacnetUnconfirmedCovRig(BacnetCovRig):
    """By COV notifications that nobody confirms: what is lost stays lost."""

    name = "bacnet-cov-unconfirmed"
    cov = CovKind.UNCONFIRMED
    torn = UNCONFIRMED
    proves_quiet = False
    left_out = {**DatagramRig.left_out, QUIET: LOSSY}  # noqa: RUF012 - as declared by Rig


class BacnetEventRig(BuildingRig):
    """By confirmed event notifications."""

    name = "bacnet-event"
    is_pushed = True
    arrives = Arrival.EVENT
    left_out = {**DatagramRig.left_out, "test_half_a_message_is_no_value": REPEATED}  # noqa: RUF012 - as declared by Rig


class BacnetUnconfirmedEventRig(BacnetEventRig):
    """By event notifications that nobody confirms."""

    name = "bacnet-event-unconfirmed"
    confirmed = False
    torn = UNCONFIRMED
    proves_quiet = False
    left_out = {**DatagramRig.left_out, QUIET: LOSSY}  # noqa: RUF012 - as declared by Rig


class BacnetPollRig(DatagramRig):
    """A binary input of a device made with rusty-bacnet, polled."""

    name = "bacnet-poll"
    cycles = 8  # in real time: its device is another program
    in_process = False

    def __init__(self) -> None:
        super().__init__()
        self._set: Callable[[bool], Any] | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        rusty = pytest.importorskip("rusty_bacnet", reason="rusty-bacnet is not installed")
        self.device_port = free_udp_port()
        server = rusty.BACnetServer(
            DEVICE, "peer", interface=LOOPBACK, port=self.device_port, broadcast_address="127.255.255.255"
        )
        server.add_binary_input(INPUT, "high")
        await server.start()
        number = rusty.ObjectIdentifier(rusty.ObjectType.BINARY_INPUT, INPUT)
        self._set = lambda on: server.set_present_value_local(number, rusty.PropertyValue.enumerated(int(on)))
        await self.wire.start()
        try:
            yield
        finally:
            await self.wire.stop()
            await server.stop()

    async def set_output(self, *, on: bool) -> Bounds:
        assert self._set is not None
        before = clock()
        await self._set(on)
        return Bounds(before, clock())
