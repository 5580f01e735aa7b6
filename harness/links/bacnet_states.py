"""What a notification of a BACnet object, or a read of it, says of a place: on, off, or nothing. Pure functions.

Clauses are those of ASHRAE 135.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.core.places import Arrival, BacnetPlace, ObjectPart, ObjectType
from harness.links import bacnet_values
from harness.links.bacnet_messages import NOTIFY_ACK, BacnetMessage, EventNotice, ValueChange
from harness.links.bacnet_values import ObjectReading

_ANALOG: Final = (ObjectType.ANALOG_INPUT, ObjectType.ANALOG_VALUE)


def state_told(place: BacnetPlace, message: BacnetMessage) -> bool | None:
    """Whether a message says that the place is on; None where it says nothing of it."""
    mine = (place.object_type, place.instance)
    if place.arrives is Arrival.COV and isinstance(message, ValueChange) and message.object == mine:
        return bacnet_values.is_on(place, message.reading)
    if place.arrives is Arrival.EVENT and isinstance(message, EventNotice) and message.object == mine:
        return None if message.notify_type == NOTIFY_ACK else event_is_on(place, message.to_state)
    return None


def state_read(place: BacnetPlace, reading: ObjectReading) -> bool | None:
    """What a poll says of what should have been told."""
    if place.arrives is not Arrival.EVENT:
        return bacnet_values.is_on(place, reading)
    return None if reading.event_state is None else event_is_on(place, reading.event_state)


def event_is_on(place: BacnetPlace, event_state: int) -> bool | None:
    """An Event_State as on or off. Fault hides whether the alarm is up (13.2.2.1: it takes precedence)."""
    if event_state == bacnet_values.FAULT:
        return True if place.part is ObjectPart.FAULT else None
    return bacnet_values.is_alarm(place, event_state)


def may_turn_untold(place: BacnetPlace, reading: ObjectReading, increment: float | None) -> bool:
    """Whether an analog value can come to the other side of a limit by less than the COV_Increment (13.1), untold.

    Where the increment is not known, it may be any.
    """
    if place.object_type not in _ANALOG or place.part is not ObjectPart.PRESENT_VALUE or reading.value is None:
        return False
    if increment is None:
        return True
    on = bacnet_values.is_on(place, reading)
    ends = (math.nextafter(reading.value + way * increment, reading.value) for way in (-1, 1))
    return increment > 0 and any(bacnet_values.is_on(place, replace(reading, value=end)) is not on for end in ends)
