"""The BACnet side of the simulated building device: which services it executes, and how its answers are made.

bacpypes3 reads, decodes and answers. Subscriptions, acknowledgements and event summaries go to a ``Keeper``, which
knows how the objects stand; so do the answers to notifications, which bacpypes3 did not send and would drop.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, Final, Protocol

from bacpypes3.apdu import (
    AcknowledgeAlarmRequest,
    GetAlarmSummaryRequest,
    GetEventInformationRequest,
    SimpleAckPDU,
    SubscribeCOVRequest,
    WritePropertyRequest,
)
from bacpypes3.app import Application, DeviceInfoCache
from bacpypes3.appservice import ApplicationServiceAccessPoint
from bacpypes3.basetypes import TimeStamp
from bacpypes3.comm import bind
from bacpypes3.errors import ExecutionError
from bacpypes3.ipv4.bvll import BVLLCodec
from bacpypes3.ipv4.service import BIPNormal, UDPMultiplexer
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier

from sims.building_alarming import AckRefusedError
from sims.building_cov import NoRoomError, ObjectId, Subscriber
from sims.building_events import EventState
from sims.building_link import UdpServer
from sims.building_summaries import alarm_summary, event_information, standing_out
from sims.building_views import PRIORITIES, Device, Standing

_OUTCOMES: Final = {2: "acked", 3: "acked", 5: "error", 6: "reject", 7: "abort"}  # by PDU type, ASHRAE 135, 20.1


class Keeper(Protocol):
    """Who knows how the objects stand."""

    def standing(self, object_id: ObjectId) -> Standing | None:
        """One object, or None where there is none."""

    def reporting(self) -> Iterable[Standing]:
        """The objects that report events, in the order of their identifiers."""

    def subscribe(
        self, subscriber: Subscriber, process: int, object_id: ObjectId, *, confirmed: bool, lifetime_s: int
    ) -> None:
        """Take a subscription. Raises NoRoomError."""

    def subscribed(self, object_id: ObjectId) -> None:
        """A subscription of the object was acknowledged: now its first notification is due."""

    def unsubscribe(self, subscriber: Subscriber, process: int, object_id: ObjectId) -> None:
        """End a subscription, if there is one."""

    def acknowledge(self, object_id: ObjectId, state: EventState, stamp: datetime | None, source: str) -> None:
        """Acknowledge a transition. Raises AckRefusedError."""

    def write(self, object_id: ObjectId, name: str, value: float) -> bool:
        """Write a property, named as bacpypes3 spells it; False where it may not be written."""

    def command(self, object_id: ObjectId, value: float | None, priority: int) -> bool:
        """Command an object at a priority, or relinquish (None); False where it takes no commands there."""

    def answered(self, sender: Subscriber, invoke_id: int, outcome: str) -> bool:
        """A peer answered a confirmed request: whether it was one of the device's notifications."""


class _AccessPoint(ApplicationServiceAccessPoint):  # type: ignore[misc]
    """Answers to notifications are told to the keeper; bacpypes3 knows nothing of them."""

    keeper: Keeper | None = None

    async def confirmation(self, pdu: Any) -> None:
        octets = bytes(pdu.pduData[:2])
        outcome = _OUTCOMES.get(octets[0] >> 4) if len(octets) == 2 else None
        if outcome is not None and self.keeper is not None:
            sender = pdu.pduSource
            if isinstance(sender, IPv4Address) and self.keeper.answered(sender.addrTuple, octets[1], outcome):
                return
        await super().confirmation(pdu)


class BuildingNetwork(Application):  # type: ignore[misc]
    """One BACnet/IP device on one UDP port. Raises OSError where the port is taken."""

    # Rejected as unrecognised: WriteProperty is enough for what can be written, and there are no logs.
    do_WritePropertyMultipleRequest = None  # noqa: N815 - bacpypes3 looks for it
    do_ReadRangeRequest = None  # noqa: N815

    def __init__(self, host: str, port: int, device: Device, views: Sequence[Any], keeper: Keeper | None) -> None:
        """``keeper`` is None for a device that only answers reads and Who-Is."""
        super().__init__(device_info_cache=DeviceInfoCache())
        self._keeper = keeper
        self.server = UdpServer(host, port)
        self.asap = _AccessPoint(device, self.device_info_cache)
        self.asap.keeper = keeper
        self.nsap = NetworkServiceAccessPoint()
        self.nse = NetworkServiceElement()
        bind(self.nse, self.nsap)
        bind(self, self.asap, self.nsap)
        link, multiplexer = BIPNormal(), UDPMultiplexer()
        bind(link, BVLLCodec(), multiplexer.annexJ)
        bind(multiplexer, self.server)
        self.nsap.bind(link, address=IPv4Address(self.server.address))
        for view in (device, *views):
            self.add_object(view)

    async def do_SubscribeCOVRequest(self, apdu: SubscribeCOVRequest) -> None:  # noqa: N802 - bacpypes3 looks for it
        """ASHRAE 135, 13.14. Without a lifetime and a kind of notification it is a cancellation."""
        keeper = self._needs_keeper()
        if not isinstance(apdu.pduSource, IPv4Address):  # from behind a router: there are none here
            raise ExecutionError("services", "covSubscriptionFailed")
        subscriber = apdu.pduSource.addrTuple
        object_id = _object_id(apdu.monitoredObjectIdentifier)
        process = int(apdu.subscriberProcessIdentifier)
        confirmed, lifetime = apdu.issueConfirmedNotifications, apdu.lifetime
        if confirmed is None and lifetime is None:
            keeper.unsubscribe(subscriber, process, object_id)
            await self.response(SimpleAckPDU(context=apdu))
            return
        if keeper.standing(object_id) is None:
            known = apdu.monitoredObjectIdentifier in self.objectIdentifier
            raise ExecutionError("object", "optionalFunctionalityNotSupported" if known else "unknownObject")
        lifetime_s = 0 if lifetime is None else int(lifetime)
        try:
            keeper.subscribe(subscriber, process, object_id, confirmed=bool(confirmed), lifetime_s=lifetime_s)
        except NoRoomError as exc:
            raise ExecutionError("resources", "noSpaceToAddListElement") from exc
        await self.response(SimpleAckPDU(context=apdu))
        keeper.subscribed(object_id)

    async def do_AcknowledgeAlarmRequest(self, apdu: AcknowledgeAlarmRequest) -> None:  # noqa: N802
        """ASHRAE 135, 13.5."""
        keeper = self._needs_keeper()
        object_id = _object_id(apdu.eventObjectIdentifier)
        standing = keeper.standing(object_id)
        if standing is None:
            raise ExecutionError("object", "unknownObject")
        if standing.alarming is None:
            raise ExecutionError("object", "noAlarmConfigured")
        try:
            state = EventState(int(apdu.eventStateAcknowledged))
        except ValueError as exc:
            raise ExecutionError("services", "invalidEventState") from exc
        try:
            keeper.acknowledge(object_id, state, _instant(apdu.timeStamp), str(apdu.acknowledgmentSource))
        except AckRefusedError as exc:
            raise ExecutionError("services", exc.refusal.value) from exc
        await self.response(SimpleAckPDU(context=apdu))

    async def do_GetEventInformationRequest(self, apdu: GetEventInformationRequest) -> None:  # noqa: N802
        """ASHRAE 135, 13.12: objects that are not normal, and those with transitions that nobody acknowledged."""
        found = standing_out(self._needs_keeper().reporting())
        last = apdu.lastReceivedObjectIdentifier
        if last is not None:
            after = [number for number, s in enumerate(found) if s.object_id == _object_id(last)]
            if not after:
                raise ExecutionError("object", "unknownObject")
            found = found[after[0] + 1 :]
        await self.response(event_information(found, context=apdu))

    async def do_GetAlarmSummaryRequest(self, apdu: GetAlarmSummaryRequest) -> None:  # noqa: N802
        """ASHRAE 135, 13.10: the objects that are not normal."""
        await self.response(alarm_summary(self._needs_keeper().reporting(), context=apdu))

    async def do_WritePropertyRequest(self, apdu: WritePropertyRequest) -> None:  # noqa: N802
        """Commands to test objects; Out_Of_Service, and what an object shows while it is out of service."""
        view = self.get_object_id(apdu.objectIdentifier)
        if view is None:
            raise ExecutionError("object", "unknownObject")
        name = apdu.propertyIdentifier.attr
        kind = view.get_property_type(apdu.propertyIdentifier)
        if kind is None:
            raise ExecutionError("property", "unknownProperty")
        object_id = _object_id(apdu.objectIdentifier)
        if self._keeper is None or name not in ("outOfService", "presentValue", "reliability"):
            raise ExecutionError("property", "writeAccessDenied")
        standing = self._keeper.standing(object_id)
        if standing is not None and standing.commands is not None and name == "presentValue":
            self._command(self._keeper, object_id, apdu, kind)
            await self.response(SimpleAckPDU(context=apdu))
            return
        try:
            value = float(apdu.propertyValue.cast_out(kind))
        except (ValueError, TypeError) as exc:
            raise ExecutionError("property", "invalidDataType") from exc
        if not self._keeper.write(object_id, name, value):
            raise ExecutionError("property", "writeAccessDenied")
        await self.response(SimpleAckPDU(context=apdu))

    def _command(self, keeper: Keeper, object_id: ObjectId, apdu: WritePropertyRequest, kind: Any) -> None:
        """ASHRAE 135, 15.9 and 19.2: without a priority it is 16; Null relinquishes."""
        priority = PRIORITIES if apdu.priority is None else int(apdu.priority)
        numbers = [int(tag.tag_number) for tag in apdu.propertyValue.tagList if int(tag.tag_class) == 0]
        value: float | None = None
        if numbers != [0]:  # application tag 0 is Null (20.2.2)
            try:
                value = float(apdu.propertyValue.cast_out(kind))
            except (ValueError, TypeError) as exc:
                raise ExecutionError("property", "invalidDataType") from exc
            if value not in (0.0, 1.0):
                raise ExecutionError("property", "valueOutOfRange")
        if not keeper.command(object_id, value, priority):
            raise ExecutionError("property", "writeAccessDenied")

    def _needs_keeper(self) -> Keeper:
        if self._keeper is None:
            raise ExecutionError("services", "serviceRequestDenied")
        return self._keeper


def _object_id(identifier: ObjectIdentifier) -> ObjectId:
    kind, instance = identifier
    return str(kind), int(instance)


def _instant(stamp: TimeStamp) -> datetime | None:
    """A time stamp as the device gave it out; None for what it never gives out. The week day is not looked at."""
    given = stamp.dateTime
    if given is None:
        return None
    year, month, day, _ = given.date
    hour, minute, second, hundredths = given.time
    try:
        return datetime(1900 + year, month, day, hour, minute, second, hundredths * 10_000, tzinfo=UTC)
    except ValueError:
        return None
