"""Notifications as octets: APDUs encoded by bacpypes3, and the BACnet/IP header in front of them.

Only what the device sends by itself is made here; answers to requests are bacpypes3's own business.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple

from bacpypes3.apdu import (
    ConfirmedCOVNotificationRequest,
    ConfirmedEventNotificationRequest,
    UnconfirmedCOVNotificationRequest,
    UnconfirmedEventNotificationRequest,
)
from bacpypes3.basetypes import (
    DateTime,
    NotificationParameters,
    NotificationParametersChangeOfReliabilityType,
    NotificationParametersChangeOfState,
    NotificationParametersOutOfRange,
    PropertyStates,
    PropertyValue,
    StatusFlags,
    TimeStamp,
)
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import Date, Time

from sims.building_cov import ObjectId, Reported

MAX_RESPONSE_1476: Final = 5  # ASHRAE 135, 20.1.2.5: an answer may fill an Ethernet frame
_UNSPECIFIED: Final = 255


class Reporter(NamedTuple):
    """The device and process of a notification, and the object that it is of."""

    device: int
    process: int
    object_id: ObjectId


@dataclass(frozen=True, slots=True, kw_only=True)
class EventNote:
    """The parameters of an event notification, by the names of ASHRAE 135, 13.8 and 13.9.

    ``time_stamp``: a time, or a sequence number. ``event_type`` and ``notify_type`` as bacpypes3 spells them.
    ``from_state`` and ``values`` are None in the notification of an acknowledgement.
    """

    reporter: Reporter
    time_stamp: datetime | int
    notification_class: int
    priority: int
    event_type: str
    to_state: int
    notify_type: str = "alarm"
    ack_required: bool | None = None
    from_state: int | None = None
    values: NotificationParameters | None = None
    message_text: str | None = None


def time_stamp(stamp: datetime | int | None) -> TimeStamp:
    """A time stamp: date and time to the hundredth, a sequence number, or, for None, a time that never was."""
    if isinstance(stamp, int):
        return TimeStamp(sequenceNumber=stamp)
    if stamp is None:
        never = (_UNSPECIFIED,) * 4
        return TimeStamp(dateTime=DateTime(date=Date(never), time=Time(never)))
    date = Date((stamp.year - 1900, stamp.month, stamp.day, stamp.isoweekday()))
    time = Time((stamp.hour, stamp.minute, stamp.second, stamp.microsecond // 10_000))
    return TimeStamp(dateTime=DateTime(date=date, time=time))


def status_flags(flags: int) -> StatusFlags:
    """Four bits, in-alarm in the highest."""
    return StatusFlags([flags >> bit & 1 for bit in (3, 2, 1, 0)])


def out_of_range(value: float, flags: int, deadband: float, limit: float) -> NotificationParameters:
    """What an OUT_OF_RANGE notification tells."""
    return NotificationParameters(
        outOfRange=NotificationParametersOutOfRange(
            exceedingValue=value, statusFlags=status_flags(flags), deadband=deadband, exceededLimit=limit
        )
    )


def change_of_state(value: int, flags: int) -> NotificationParameters:
    """What a CHANGE_OF_STATE notification of a binary object tells."""
    return NotificationParameters(
        changeOfState=NotificationParametersChangeOfState(
            newState=PropertyStates(binaryValue=value), statusFlags=status_flags(flags)
        )
    )


def change_of_reliability(reliability: int, flags: int, value: Any) -> NotificationParameters:
    """What a CHANGE_OF_RELIABILITY notification tells; ``value``: Present_Value as a bacpypes3 datum."""
    return NotificationParameters(
        changeOfReliability=NotificationParametersChangeOfReliabilityType(
            reliability=reliability,
            statusFlags=status_flags(flags),
            propertyValues=[PropertyValue(propertyIdentifier="presentValue", value=AnyValue(value))],
        )
    )


def event_notification(note: EventNote, invoke_id: int | None, *, max_response: int = MAX_RESPONSE_1476) -> bytes:
    """The APDU of an event notification; unconfirmed where there is no invoke identifier."""
    reporter = note.reporter
    parameters: dict[str, Any] = {
        "processIdentifier": reporter.process,
        "initiatingDeviceIdentifier": ("device", reporter.device),
        "eventObjectIdentifier": reporter.object_id,
        "timeStamp": time_stamp(note.time_stamp),
        "notificationClass": note.notification_class,
        "priority": note.priority,
        "eventType": note.event_type,
        "notifyType": note.notify_type,
        "toState": note.to_state,
    }
    optional = {
        "messageText": note.message_text,
        "ackRequired": note.ack_required,
        "fromState": note.from_state,
        "eventValues": note.values,
    }
    parameters |= {name: value for name, value in optional.items() if value is not None}
    if invoke_id is None:
        return _octets(UnconfirmedEventNotificationRequest(**parameters))
    return _octets(_confirmed(ConfirmedEventNotificationRequest(**parameters), invoke_id, max_response))


def cov_notification(
    reporter: Reporter,
    reported: Reported,
    value: Any,
    time_remaining_s: int,
    invoke_id: int | None,
    *,
    max_response: int = MAX_RESPONSE_1476,
) -> bytes:
    """The APDU of a change-of-value notification. ``value``: Present_Value as a bacpypes3 datum."""
    parameters = {
        "subscriberProcessIdentifier": reporter.process,
        "initiatingDeviceIdentifier": ("device", reporter.device),
        "monitoredObjectIdentifier": reporter.object_id,
        "timeRemaining": time_remaining_s,
        "listOfValues": [
            PropertyValue(propertyIdentifier="presentValue", value=AnyValue(value)),
            PropertyValue(propertyIdentifier="statusFlags", value=AnyValue(status_flags(reported.flags))),
        ],
    }
    if invoke_id is None:
        return _octets(UnconfirmedCOVNotificationRequest(**parameters))
    return _octets(_confirmed(ConfirmedCOVNotificationRequest(**parameters), invoke_id, max_response))


def datagram(apdu: bytes) -> bytes:
    """An APDU to one station as BACnet/IP carries it: Original-Unicast-NPDU, ASHRAE 135, annex J.2.11 and clause 6.2.

    A confirmed request (PDU type 0) says in the NPDU that an answer is expected.
    """
    expects_reply = apdu[0] >> 4 == 0
    npdu = bytes((0x01, 0x04 if expects_reply else 0x00)) + apdu
    return struct.pack(">BBH", 0x81, 0x0A, 4 + len(npdu)) + npdu


def _confirmed(request: Any, invoke_id: int, max_response: int) -> Any:
    request.apduInvokeID = invoke_id
    request.apduMaxSegs = 0
    request.apduMaxResp = max_response
    request.apduSeg = request.apduMor = request.apduSA = False
    return request


def _octets(request: Any) -> bytes:
    return bytes(request.encode().encode().pduData)
