"""What one read of a BACnet object gives, packed into a payload of constant length, and from there to on or off. Pure.

Sixteen bytes an object, big-endian: what was answered (flags below), Status_Flags, Event_State, spare, Reliability
(two bytes), spare (two bytes), Present_Value as a double. Binary values are 0 and 1 (inactive and active), multi-state
values their number from 1. Names and numbers as in ASHRAE 135, clause 21: Event_State 0 is normal, 1 is fault;
Status_Flags hold in-alarm, fault, overridden and out-of-service, the first in the highest bit.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from enum import IntFlag
from typing import Final

from harness.core import current_loop
from harness.core.places import BacnetPlace, ObjectPart, OnWhen
from harness.links.base import ObjectBlock

OBJECT_BYTES: Final = 16
_STRUCT: Final = struct.Struct(">BBBxHxxd")

NORMAL: Final = 0
FAULT: Final = 1


class Status(IntFlag):
    """The four flags of Status_Flags."""

    IN_ALARM = 8
    FAULT = 4
    OVERRIDDEN = 2
    OUT_OF_SERVICE = 1


class _Has(IntFlag):
    VALUE = 1
    STATUS = 2
    EVENT_STATE = 4
    RELIABILITY = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectReading:
    """What one object answered; None where it does not have the property, or answered an error for it."""

    value: float | None = None
    status: Status | None = None
    event_state: int | None = None
    reliability: int | None = None


def pack(reading: ObjectReading) -> bytes:
    """Its sixteen bytes."""
    has = _Has(0)
    for part, flag in (
        (reading.value, _Has.VALUE),
        (reading.status, _Has.STATUS),
        (reading.event_state, _Has.EVENT_STATE),
        (reading.reliability, _Has.RELIABILITY),
    ):
        if part is not None:
            has |= flag
    return _STRUCT.pack(
        has, reading.status or 0, reading.event_state or 0, reading.reliability or 0, reading.value or 0.0
    )


def unpack(payload: bytes, index: int) -> ObjectReading:
    """The reading of the object at ``index``. Raises ValueError where the payload is too short."""
    at = index * OBJECT_BYTES
    if len(payload) < at + OBJECT_BYTES:
        raise ValueError(f"a payload of {len(payload)} bytes holds no object {index}")
    has, status, event_state, reliability, value = _STRUCT.unpack_from(payload, at)
    return ObjectReading(
        value=value if has & _Has.VALUE else None,
        status=Status(status) if has & _Has.STATUS else None,
        event_state=event_state if has & _Has.EVENT_STATE else None,
        reliability=reliability if has & _Has.RELIABILITY else None,
    )


def index_of(place: BacnetPlace, block: ObjectBlock) -> int:
    """Which of the block's objects the place is. Raises ValueError where it is none."""
    return block.objects.index((place.object_type, place.instance))


def is_on(place: BacnetPlace, reading: ObjectReading) -> bool | None:
    """Whether what was read counts as on; None where it tells nothing.

    A value that is on while the object is out of service tells nothing: it may have been written by hand, and does
    not come from the alarm (ASHRAE 135, 12: Present_Value is then decoupled from the input). A fault takes precedence
    in the Event_State and sets the in-alarm flag too (13.2.2.1), so that it hides whether the alarm is up.
    """
    match place.part:
        case ObjectPart.EVENT_STATE:
            if reading.event_state is None or reading.event_state == FAULT:
                return None
            return is_alarm(place, reading.event_state)
        case ObjectPart.IN_ALARM:
            if reading.status is None or _is_fault(reading):
                return None
            return bool(reading.status & Status.IN_ALARM)
        case ObjectPart.FAULT:
            return None if reading.status is None else bool(reading.status & Status.FAULT)
    if reading.value is None or not math.isfinite(reading.value):
        return None
    on = _told(place, reading.value)
    if on and reading.status is not None and reading.status & Status.OUT_OF_SERVICE:
        return None
    return on


def is_alarm(place: BacnetPlace, event_state: int) -> bool:
    """Whether an Event_State that is no fault is the alarm: a low limit is none where the high one is waited for."""
    return event_state != NORMAL if place.event_state is None else event_state == place.event_state.number


def _is_fault(reading: ObjectReading) -> bool:
    """Whether the in-alarm flag may come of a fault alone."""
    if reading.event_state is not None:
        return reading.event_state == FAULT
    return reading.status is not None and Status.IN_ALARM | Status.FAULT in reading.status


def _told(place: BacnetPlace, value: float) -> bool | None:
    if place.loop is not None:
        return current_loop.is_on(place.loop, place.on_when, place.threshold, value)
    return _compared(place, value)


def _compared(place: BacnetPlace, value: float) -> bool:
    if place.on_when is OnWhen.SET or place.on_when is OnWhen.CLEAR:
        return (value != 0) is (place.on_when is OnWhen.SET)
    if place.threshold is None:
        raise ValueError(f"on_when={place.on_when.value}: needs a threshold, and the place has none: {place}")
    # A Real has 24 bits: 0.1 as the device holds it is not the 0.1 of the site file.
    threshold: float = struct.unpack(">f", struct.pack(">f", place.threshold))[0]
    if place.on_when is OnWhen.EQUAL:
        return value in (threshold, place.threshold)
    return value > threshold if place.on_when is OnWhen.ABOVE else value < threshold
