"""The BACnet objects of the simulated building device, as a client reads them, and how they are filled.

How an object stands at this moment is kept in a ``Standing``; its view, a bacpypes3 object, shows it to whoever reads.
The two are apart because a device with a stale cache answers reads with old values while it notifies of new ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from bacpypes3.basetypes import (
    Destination,
    DeviceAddress,
    EventTransitionBits,
    LimitEnable,
    PriorityValue,
    Recipient,
    ServicesSupported,
)
from bacpypes3.constructeddata import ListOf
from bacpypes3.local.device import DeviceObject as LocalDeviceObject
from bacpypes3.local.object import Object as LocalObject
from bacpypes3.object import (
    AnalogInputObject,
    BinaryInputObject,
    BinaryValueObject,
    MultiStateValueObject,
    NotificationClassObject,
)
from bacpypes3.primitivedata import Date, Enumerated, Real, Time, Unsigned

from sims.building_alarming import Alarming, NotificationClass
from sims.building_apdu import time_stamp
from sims.building_cov import ObjectId
from sims.building_events import NO_FAULT, ChangeOfState, EventMachine, EventState, OutOfRange
from sims.clock import SiteClock

NS_PER_S: Final = 1_000_000_000
STATE_TEXTS: Final = ("normal", "active unacknowledged", "active acknowledged", "returned unacknowledged")
SERVICES: Final = (
    "acknowledgeAlarm",
    "confirmedCOVNotification",
    "confirmedEventNotification",
    "getAlarmSummary",
    "getEventInformation",
    "iAm",
    "readProperty",
    "readPropertyMultiple",
    "subscribeCOV",
    "unconfirmedCOVNotification",
    "unconfirmedEventNotification",
    "whoIs",
    "writeProperty",
)
PRIORITIES: Final = 16  # slots of a Priority_Array (ASHRAE 135, 19.2)
RELINQUISH_DEFAULT: Final = 0.0
_EVERY_DAY: Final = [1] * 7


@dataclass(slots=True, kw_only=True)
class Standing:
    """One object at this moment. ``signal``: what it shows: an alarm, ``common-alarm`` or a tank.

    ``input``: what the object would show were it in service. ``machine`` and ``alarming`` are None where the object
    reports no events. ``increment``: COV_Increment of an analog. ``commands``: the Priority_Array, None
    where the object takes no commands.
    """

    object_id: ObjectId
    signal: str
    text: str
    value: float = 0.0
    input: float = 0.0
    reliability: int = NO_FAULT
    out_of_service: bool = False
    increment: float | None = None
    algorithm: ChangeOfState | OutOfRange | None = None
    machine: EventMachine | None = None
    alarming: Alarming | None = None
    commands: list[float | None] | None = None

    @property
    def commanded(self) -> float:
        """What the commands make of Present_Value: that of the highest priority, else Relinquish_Default (19.2)."""
        return next((value for value in self.commands or () if value is not None), RELINQUISH_DEFAULT)

    @property
    def event_state(self) -> EventState:
        """Its event state; an object that reports no events is always normal."""
        return EventState.NORMAL if self.machine is None else self.machine.state

    @property
    def flags(self) -> int:
        """Status_Flags: in-alarm, fault, overridden, out-of-service, the first in the highest bit (ASHRAE 135, 12)."""
        in_alarm = self.event_state is not EventState.NORMAL
        return in_alarm << 3 | (self.reliability != NO_FAULT) << 2 | self.out_of_service

    @property
    def datum(self) -> Any:
        """Present_Value with its BACnet data type."""
        match self.object_id[0]:
            case "analog-input":
                return Real(self.value)
            case "multi-state-value":
                return Unsigned(int(self.value))
        return Enumerated(int(self.value))


class _Local(LocalObject):  # type: ignore[misc]
    """Property list and status flags as bacpypes3 works them out, without its own events and their set-up task."""

    async def _post_init(self) -> None:
        pass


class _BinaryInput(_Local, BinaryInputObject):  # type: ignore[misc]
    pass


class _BinaryValue(_Local, BinaryValueObject):  # type: ignore[misc]
    pass


class _MultiStateValue(_Local, MultiStateValueObject):  # type: ignore[misc]
    pass


class _AnalogInput(_Local, AnalogInputObject):  # type: ignore[misc]
    pass


class _NotificationClass(_Local, NotificationClassObject):  # type: ignore[misc]
    pass


class Device(LocalDeviceObject):  # type: ignore[misc]
    """The device object; it lives in UTC, by the clock that it is given."""

    _site_clock: SiteClock | None = None

    def follow(self, clock: SiteClock) -> None:
        """Show the time of this clock from now on."""
        self._site_clock = clock

    def _now(self) -> datetime:
        return datetime.now(UTC) if self._site_clock is None else self._site_clock.read()

    @property
    def localDate(self) -> Date:  # noqa: N802 - a name of the standard, as bacpypes3 spells it
        """Its date."""
        now = self._now()
        return Date((now.year - 1900, now.month, now.day, now.isoweekday()))

    @localDate.setter
    def localDate(self, value: object) -> None:  # noqa: N802
        """Called by bacpypes3 while it sets the object up."""

    @property
    def localTime(self) -> Time:  # noqa: N802
        """Its time of day."""
        now = self._now()
        return Time((now.hour, now.minute, now.second, now.microsecond // 10_000))

    @localTime.setter
    def localTime(self, value: object) -> None:  # noqa: N802
        """Called by bacpypes3 while it sets the object up."""

    @property
    def protocolServicesSupported(self) -> ServicesSupported:  # noqa: N802
        """What it executes and initiates."""
        return ServicesSupported([getattr(ServicesSupported, name) for name in SERVICES])

    @protocolServicesSupported.setter
    def protocolServicesSupported(self, value: object) -> None:  # noqa: N802
        """Called by bacpypes3 while it sets the object up."""


def device_view(instance: int, timeout_s: float, retries: int, clock: SiteClock) -> Device:
    """The device object."""
    device = Device(
        objectIdentifier=("device", instance),
        objectName="hollowmere-building",
        description="Simulated building controller; everything about it is invented",
        vendorName="none",
        modelName="simulated",
        utcOffset=0,
        daylightSavingsStatus=False,
        maxApduLengthAccepted=1476,
        apduTimeout=round(timeout_s * 1000),
        numberOfApduRetries=retries,
    )
    device.follow(clock)
    return device


def notification_class_view(
    given: NotificationClass, recipients: Sequence[tuple[str, int]], process: int, *, confirmed: bool
) -> Any:
    """The notification class object with its Recipient_List."""
    return _NotificationClass(
        objectIdentifier=("notification-class", given.number),
        objectName=f"notification-class-{given.number}",
        notificationClass=given.number,
        priority=list(given.priorities),
        ackRequired=EventTransitionBits([int(flag) for flag in given.ack_required]),
        recipientList=ListOf(Destination)([_destination(r, process, confirmed=confirmed) for r in recipients]),
    )


def _destination(recipient: tuple[str, int], process: int, *, confirmed: bool) -> Destination:
    host, port = recipient
    mac = bytes(int(part) for part in host.split(".")) + port.to_bytes(2, "big")  # ASHRAE 135, annex J.1.2
    return Destination(
        validDays=_EVERY_DAY,
        fromTime=Time((0, 0, 0, 0)),
        toTime=Time((23, 59, 59, 99)),
        recipient=Recipient(address=DeviceAddress(networkNumber=0, macAddress=mac)),
        processIdentifier=process,
        issueConfirmedNotifications=confirmed,
        transitions=[1, 1, 1],
    )


def view_of(standing: Standing) -> Any:
    """The object that a client reads, with everything that never changes."""
    kind, instance = standing.object_id
    common = {
        "objectIdentifier": standing.object_id,
        "objectName": f"{kind}-{instance}",
        "description": standing.text,
        "eventState": 0,
        "reliability": standing.reliability,
        "outOfService": standing.out_of_service,
    }
    match kind:
        case "binary-input":
            view = _BinaryInput(**common, **_reporting(standing), presentValue=0, polarity="normal")
        case "binary-value":
            view = _BinaryValue(**common, presentValue=0, **_commandable(standing))
        case "multi-state-value":
            texts = list(STATE_TEXTS)
            view = _MultiStateValue(**common, presentValue=1, numberOfStates=len(texts), stateText=texts)
        case _:
            view = _AnalogInput(
                **common,
                **_reporting(standing),
                presentValue=standing.value,
                units="percent",
                covIncrement=standing.increment,
            )
    fill(view, standing)
    fill_events(view, standing)
    return view


def _commandable(standing: Standing) -> dict[str, Any]:
    if standing.commands is None:
        return {}
    return {"priorityArray": _priority_array(standing.commands), "relinquishDefault": int(RELINQUISH_DEFAULT)}


def _priority_array(commands: Sequence[float | None]) -> list[PriorityValue]:
    return [
        PriorityValue(null=()) if value is None else PriorityValue(enumerated=Enumerated(int(value)))
        for value in commands
    ]


def _reporting(standing: Standing) -> dict[str, Any]:
    """The properties of intrinsic reporting (ASHRAE 135, table 13-2 and those of the object types)."""
    algorithm, alarming = standing.algorithm, standing.alarming
    if algorithm is None or alarming is None:
        return {}
    properties: dict[str, Any] = {
        "timeDelay": algorithm.delays.time_delay_ns // NS_PER_S,
        "timeDelayNormal": algorithm.delays.to_normal_ns // NS_PER_S,
        "notificationClass": alarming.notification_class.number,
        "eventEnable": [int(flag) for flag in alarming.event_enable],
        "notifyType": "alarm",
        "eventDetectionEnable": True,
    }
    if isinstance(algorithm, ChangeOfState):
        return {**properties, "alarmValue": min(algorithm.alarm_values)}
    return {
        **properties,
        "highLimit": algorithm.high_limit,
        "lowLimit": algorithm.low_limit,
        "deadband": algorithm.deadband,
        "limitEnable": LimitEnable([int(algorithm.low_enable), int(algorithm.high_enable)]),
    }


def fill(view: Any, standing: Standing) -> None:
    """Let the view show how the object stands now."""
    view.presentValue = standing.datum if standing.object_id[0] == "analog-input" else int(standing.value)
    view.reliability = standing.reliability
    view.outOfService = standing.out_of_service
    view.eventState = int(standing.event_state)
    if standing.commands is not None:
        view.priorityArray = _priority_array(standing.commands)


def fill_events(view: Any, standing: Standing) -> None:
    """Let the view show what the object remembers of its events."""
    if standing.alarming is not None:
        view.ackedTransitions = [int(flag) for flag in standing.alarming.acked]
        view.eventTimeStamps = [time_stamp(stamp) for stamp in standing.alarming.stamps]
