"""Between bacpypes3's APDUs and our values: the requests that listening sends, and what answers and notifications say.

Nothing here opens a socket, and nothing here can build a request that changes a device: that are only
``stimulus.bacnet_acknowledge`` and ``stimulus.bacnet_property``. Clauses are those of ASHRAE 135.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bacpypes3.apdu import (
    APDU,
    AbortPDU,
    ConfirmedRequestPDU,
    ErrorPDU,
    ReadPropertyMultipleRequest,
    ReadPropertyRequest,
    RejectPDU,
    SubscribeCOVRequest,
)
from bacpypes3.basetypes import PropertyReference, ReadAccessSpecification

from harness.core.links import CovKind
from harness.core.places import ObjectType
from harness.links.bacnet_messages import EventNotice, ObjectId, Stamp, ValueChange
from harness.links.bacnet_values import ObjectReading, Status

TYPE_NUMBERS: Final[Mapping[ObjectType, int]] = {
    ObjectType.ANALOG_INPUT: 0,
    ObjectType.ANALOG_VALUE: 2,
    ObjectType.BINARY_INPUT: 3,
    ObjectType.BINARY_OUTPUT: 4,
    ObjectType.BINARY_VALUE: 5,
    ObjectType.MULTI_STATE_INPUT: 13,
    ObjectType.MULTI_STATE_VALUE: 19,
}
"""BACnetObjectType (clause 21)."""

_TYPES: Final = {number: object_type for object_type, number in TYPE_NUMBERS.items()}
DEVICE: Final = 8
NOTIFICATION_CLASS: Final = 15
WILDCARD_INSTANCE: Final = 4_194_303
"""A device answers a ReadProperty of this device instance for itself, whatever its own is (15.5.2)."""

# BACnetPropertyIdentifier (clause 21)
ACTIVE_COV_SUBSCRIPTIONS: Final = 152
COV_INCREMENT: Final = 22
DEADBAND: Final = 25
EVENT_ENABLE: Final = 35
EVENT_STATE: Final = 36
HIGH_LIMIT: Final = 45
LIMIT_ENABLE: Final = 52
LOCAL_DATE: Final = 56
LOCAL_TIME: Final = 57
LOW_LIMIT: Final = 59
MAX_APDU_LENGTH_ACCEPTED: Final = 62
NOTIFICATION_CLASS_PROPERTY: Final = 17
OBJECT_IDENTIFIER: Final = 75
OBJECT_LIST: Final = 76
OUT_OF_SERVICE: Final = 81
PRESENT_VALUE: Final = 85
RECIPIENT_LIST: Final = 102
RELIABILITY: Final = 103
STATUS_FLAGS: Final = 111
TIME_DELAY: Final = 113
TIME_DELAY_NORMAL: Final = 356
TIME_OF_DEVICE_RESTART: Final = 203

READ: Final = (PRESENT_VALUE, STATUS_FLAGS, EVENT_STATE, RELIABILITY, OUT_OF_SERVICE)
"""What is read of every object."""

REQUEST_HEAD_OCTETS: Final = 4
"""Of a confirmed request that is not segmented (20.1.2)."""

REQUEST_OBJECT_OCTETS: Final = 5 + 2 + 2 * len(READ)
"""What one object adds to a ReadPropertyMultiple: its identifier, two brackets, and a tag and a number a property."""

REPORTING: Final = (
    TIME_DELAY,
    TIME_DELAY_NORMAL,
    NOTIFICATION_CLASS_PROPERTY,
    EVENT_ENABLE,
    HIGH_LIMIT,
    LOW_LIMIT,
    DEADBAND,
    LIMIT_ENABLE,
    COV_INCREMENT,
)
"""What is read once of every object that must notify: how it reports."""

CLOCK: Final = (LOCAL_DATE, LOCAL_TIME)
"""What a device's clock shows (12.11)."""

_APPLICATION, _CONTEXT, _OPENING, _CLOSING = range(4)
"""How bacpypes3 numbers the classes of tags."""

_BOOLEAN, _UNSIGNED, _SIGNED, _REAL, _DOUBLE, _OCTETS, _BITS, _ENUMERATED, _OBJECT = 1, 2, 3, 4, 5, 6, 8, 9, 12
_DATE, _TIME = 10, 11
"""Tag numbers of application tags (20.2.1.4)."""

Value = float | int | bool | tuple[bool, ...] | ObjectId | tuple[int, int]


def read_multiple(objects: Iterable[tuple[int, int]], properties: Sequence[int]) -> ReadPropertyMultipleRequest:
    """ReadPropertyMultiple (15.7) of the same properties of several objects, each (type number, instance)."""
    return ReadPropertyMultipleRequest(
        listOfReadAccessSpecs=[
            ReadAccessSpecification(
                objectIdentifier=object_id,
                listOfPropertyReferences=[PropertyReference(propertyIdentifier=it) for it in properties],
            )
            for object_id in objects
        ]
    )


def read_one(object_id: tuple[int, int], number: int, index: int | None = None) -> ReadPropertyRequest:
    """ReadProperty (15.5); ``index``: of one element of an array, 0 for how many it has."""
    if index is None:
        return ReadPropertyRequest(objectIdentifier=object_id, propertyIdentifier=number)
    return ReadPropertyRequest(objectIdentifier=object_id, propertyIdentifier=number, propertyArrayIndex=index)


def subscribe(object_id: ObjectId, process: int, kind: CovKind, lifetime_s: int) -> SubscribeCOVRequest:
    """SubscribeCOV (13.14)."""
    return SubscribeCOVRequest(
        subscriberProcessIdentifier=process,
        monitoredObjectIdentifier=number_of(object_id),
        issueConfirmedNotifications=kind is CovKind.CONFIRMED,
        lifetime=lifetime_s,
    )


def unsubscribe(object_id: ObjectId, process: int) -> SubscribeCOVRequest:
    """SubscribeCOV without kind and lifetime: it cancels (13.14.1.3)."""
    return SubscribeCOVRequest(subscriberProcessIdentifier=process, monitoredObjectIdentifier=number_of(object_id))


def number_of(object_id: ObjectId) -> tuple[int, int]:
    """(type number, instance) of one of our objects."""
    return TYPE_NUMBERS[object_id[0]], object_id[1]


def id_of(identifier: Any) -> ObjectId | None:
    """One of our objects from bacpypes3's identifier; None where it is of a type that farend does not read."""
    object_type = _TYPES.get(int(identifier[0]))
    return None if object_type is None else (object_type, int(identifier[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """An Error, Reject or Abort: ``name`` in the words of the standard; ``number`` is its reason or error code."""

    kind: str
    number: int
    name: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.name}"


def refusal_of(apdu: APDU) -> Refusal | None:
    """What an answer refuses with; None where it is no refusal."""
    if isinstance(apdu, ErrorPDU):
        inner = getattr(apdu, "errorType", apdu)  # SubscribeCOV and others nest it
        return Refusal(kind="error", number=int(inner.errorCode), name=f"{inner.errorClass}, {inner.errorCode}")
    if isinstance(apdu, RejectPDU | AbortPDU):
        kind = "reject" if isinstance(apdu, RejectPDU) else "abort"
        return Refusal(kind=kind, number=int(apdu.apduAbortRejectReason), name=str(apdu.apduAbortRejectReason))
    return None


Results = dict[tuple[int, int], dict[int, Any]]
"""By object and property: the primitive values, in order, of what is read again and again (one, where it is no list),
and bacpypes3's Any of everything else."""


def results_of(ack: Any) -> Results:
    """What a ReadPropertyMultiple gave, decoded or with its ``results`` beside it; what was an error is left out."""
    known: Results | None = getattr(ack, "results", None)
    if known is not None:
        return known
    found: Results = {}
    for result in ack.listOfReadAccessResults:
        identifier = (int(result.objectIdentifier[0]), int(result.objectIdentifier[1]))
        values = found.setdefault(identifier, {})
        for element in result.listOfResults or ():
            value = element.readResult.propertyValue
            if value is not None:
                number = int(element.propertyIdentifier)
                values[number] = tuple(values_of(value)) if number in READ else value
    return found


def reading_of(values: Mapping[int, Any]) -> ObjectReading:
    """What was read of one object, by property. Out_Of_Service counts where Status_Flags does not say so itself."""
    plain = {number: value_of(value) for number, value in values.items() if number in READ}
    value, flags = plain.get(PRESENT_VALUE), plain.get(STATUS_FLAGS)
    status: Status | None = None
    if isinstance(flags, tuple) and len(flags) == 4:
        status = Status(sum(bit << (3 - at) for at, bit in enumerate(flags)))
    if plain.get(OUT_OF_SERVICE) is True:
        status = (status or Status(0)) | Status.OUT_OF_SERVICE
    state, reliability = plain.get(EVENT_STATE), plain.get(RELIABILITY)
    return ObjectReading(
        value=float(value) if isinstance(value, int | float) else None,
        status=status,
        event_state=_small(state, 255),
        reliability=_small(reliability, 65_535),
    )


def _small(value: object, highest: int) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= highest else None


def value_of(value: Any) -> Value | None:
    """A primitive value (20.2): number, boolean, bits, or (type number, instance); None where it is none of these."""
    found = values_of(value)
    return found[0] if len(found) == 1 else None


def values_of(value: Any) -> Sequence[Value | None]:
    """The primitive values of a list or an array, in order; of what holds them already, those."""
    return (
        value
        if isinstance(value, tuple)
        else [_of_tag(tag) for tag in value.tagList if int(tag.tag_class) == _APPLICATION]
    )


def _of_tag(tag: Any) -> Value | None:
    data, number = bytes(tag.tag_data), int(tag.tag_number)
    if number == _BOOLEAN:
        return bool(tag.tag_lvt)
    if number in (_UNSIGNED, _ENUMERATED):
        return int.from_bytes(data, "big")
    if number == _SIGNED:
        return int.from_bytes(data, "big", signed=True)
    if number in (_REAL, _DOUBLE):
        decoded: float = struct.unpack(">f" if number == _REAL else ">d", data)[0]
        return decoded
    if number == _BITS:
        count = 8 * (len(data) - 1) - data[0]
        return tuple(bool(data[1 + at // 8] >> (7 - at % 8) & 1) for at in range(count))
    if number == _OBJECT:
        packed = int.from_bytes(data, "big")
        return packed >> 22, packed & 0x3F_FFFF
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscribed:
    """One entry of Active_COV_Subscriptions: to whom (device instance, or octets of an address), and what."""

    device: int | None
    address: bytes | None
    process: int
    object: ObjectId | None


def subscriptions_of(value: Any) -> list[Subscribed]:
    """A list of BACnetCOVSubscription (clause 21). Raises ValueError where it is none."""
    tags = [(int(it.tag_class), int(it.tag_number), bytes(it.tag_data)) for it in value.tagList]
    if tags and tags[0][0] == _OPENING and tags[0][1] != 0:
        tags = tags[1:-1]  # the brackets of the answer, which some answers keep
    found: list[Subscribed] = []
    path: list[int] = []
    device, address, process, object_id = None, None, None, None
    for tag_class, number, data in tags:
        whole = int.from_bytes(data, "big")
        if tag_class == _OPENING:
            path.append(number)
        elif tag_class == _CLOSING:
            if not path or path.pop() != number:
                raise ValueError("a list of subscriptions whose brackets do not match")
        elif (path, tag_class, number) == ([0, 0], _CONTEXT, 0):
            device = whole & 0x3F_FFFF
        elif (path, tag_class, number) == ([0, 0, 1], _APPLICATION, _OCTETS):
            address = data
        elif (path, tag_class, number) == ([0], _CONTEXT, 1):
            process = whole
        elif (path, tag_class, number) == ([1], _CONTEXT, 0):
            object_id = whole >> 22, whole & 0x3F_FFFF
        elif (path, tag_class, number) == ([], _CONTEXT, 2):
            if process is None or object_id is None:
                raise ValueError("a subscription without its process or its object")
            one = Subscribed(device=device, address=address, process=process, object=id_of(object_id))
            found.append(one)
            device, address, process, object_id = None, None, None, None
    return found


def octets_of(value: Any) -> str:
    """Any value as hexadecimal digits of its tags, for telling whether it is the same as before."""
    return "".join(f"{int(it.tag_class)}{int(it.tag_number):02x}{bytes(it.tag_data).hex()}" for it in value.tagList)


def four_of(value: Any) -> tuple[int, int, int, int] | None:
    """A Date or a Time (20.2.12, 20.2.13) as its four octets; None where it is neither."""
    tags = [] if value is None else [it for it in value.tagList if int(it.tag_class) == _APPLICATION]
    if len(tags) != 1 or int(tags[0].tag_number) not in (_DATE, _TIME) or len(tags[0].tag_data) != 4:
        return None
    return _four(bytes(tags[0].tag_data))


def change_of(apdu: Any) -> ValueChange | None:
    """A COV notification, confirmed or not (13.7, 13.8); None where its object is of no type that farend reads."""
    object_id = id_of(apdu.monitoredObjectIdentifier)
    if object_id is None:
        return None
    values = {int(it.propertyIdentifier): it.value for it in apdu.listOfValues}
    return ValueChange(
        object=object_id,
        process=int(apdu.subscriberProcessIdentifier),
        invoke=_invoke_of(apdu),
        remaining_s=int(apdu.timeRemaining),
        reading=reading_of(values),
    )


def event_of(apdu: Any) -> EventNotice:
    """A Confirmed- or UnconfirmedEventNotification (13.10, 13.11)."""
    return EventNotice(
        object=id_of(apdu.eventObjectIdentifier),
        process=int(apdu.processIdentifier),
        invoke=_invoke_of(apdu),
        stamp=stamp_of(apdu.timeStamp),
        notification_class=int(apdu.notificationClass),
        priority=int(apdu.priority),
        event_type=int(apdu.eventType),
        notify_type=int(apdu.notifyType),
        ack_required=None if apdu.ackRequired is None else bool(apdu.ackRequired),
        from_state=None if apdu.fromState is None else int(apdu.fromState),
        to_state=int(apdu.toState),
        text="" if apdu.messageText is None else str(apdu.messageText),
    )


def stamp_of(stamp: Any) -> Stamp:
    """A BACnetTimeStamp (clause 21)."""
    if stamp.sequenceNumber is not None:
        return Stamp(sequence=int(stamp.sequenceNumber))
    if stamp.time is not None:
        return Stamp(time=_four(stamp.time))
    return Stamp(time=_four(stamp.dateTime.time), date=_four(stamp.dateTime.date))


def _four(values: Any) -> tuple[int, int, int, int]:
    first, second, third, fourth = (int(it) for it in tuple(values))
    return first, second, third, fourth


def _invoke_of(apdu: Any) -> int | None:
    return int(apdu.apduInvokeID) if isinstance(apdu, ConfirmedRequestPDU) else None
