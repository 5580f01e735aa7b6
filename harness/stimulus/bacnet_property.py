"""WriteProperty and what reading says of it afterwards (ASHRAE 135, 15.9 and 15.5; priorities: 19.2, from memory).

It stands apart from the listening code on purpose, and uses a socket of its own: what listens cannot even build it.
A device may take a command and show another value, because a command of a higher priority stands; so what counts is
what it holds: its own slot of Priority_Array where it has one, and Present_Value.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any, Final

from bacpypes3.apdu import WritePropertyRequest
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import Boolean, Enumerated, Null, Real, Unsigned

from harness.core.errors import LinkError
from harness.core.places import ObjectType
from harness.core.writing import (
    ANALOG_TYPES,
    INPUT_TYPES,
    MULTI_STATE_TYPES,
    PRIORITY_DEFAULT,
    ObjectProperty,
    PropertyWrite,
)
from harness.links.bacnet_apdu import (
    HIGH_LIMIT,
    LOW_LIMIT,
    OUT_OF_SERVICE,
    PRESENT_VALUE,
    TYPE_NUMBERS,
    read_one,
    value_of,
    values_of,
)
from harness.links.bacnet_app import Answer, RefusedError
from harness.stimulus.devices import Devices

PRIORITY_ARRAY: Final = 87
"""BACnetPropertyIdentifier (clause 21)."""
UNKNOWN_PROPERTY: Final = 32
"""BACnetErrorCode (clause 21)."""
APPLICATION: Final = 0
"""The class of application tags, as bacpypes3 numbers it."""
NULL: Final = 0
"""The application tag number of Null (20.2.2)."""
RELATIVE_ERROR: Final = 1e-6
"""What is written as single precision is read as single precision: it agrees to seven digits."""

NUMBERS: Final = {
    ObjectProperty.PRESENT_VALUE: PRESENT_VALUE,
    ObjectProperty.OUT_OF_SERVICE: OUT_OF_SERVICE,
    ObjectProperty.HIGH_LIMIT: HIGH_LIMIT,
    ObjectProperty.LOW_LIMIT: LOW_LIMIT,
}

Target = tuple[ObjectType, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What a property holds: ``value``, None for Null; true at some instant from ``asked_ns`` to ``told_ns``."""

    value: float | None
    asked_ns: int
    told_ns: int


def request_of(write: PropertyWrite) -> WritePropertyRequest:
    """The request as it is sent; Null where the command is relinquished."""
    request = WritePropertyRequest(
        objectIdentifier=(TYPE_NUMBERS[write.object_type], write.instance),
        propertyIdentifier=NUMBERS[write.property],
        propertyValue=AnyValue(_datum(write)),
    )
    if write.priority is not None:
        request.priority = write.priority
    return request


def _datum(write: PropertyWrite) -> Any:
    if write.value is None:
        return Null(())
    if write.property is ObjectProperty.OUT_OF_SERVICE:
        return Boolean(int(write.value))
    if write.property is not ObjectProperty.PRESENT_VALUE or write.object_type in ANALOG_TYPES:
        return Real(write.value)
    return Unsigned(int(write.value)) if write.object_type in MULTI_STATE_TYPES else Enumerated(int(write.value))


async def objection(devices: Devices, write: PropertyWrite) -> str:
    """Why a command must not be sent, '' where nothing speaks against it: the first one of ours to its slot.

    Whatever stands in that slot is somebody else's command, which relinquishing would take away for good; and what
    cannot be relinquished is not commanded. Raises LinkError where that cannot be read.
    """
    if write.value is None or write.property is not ObjectProperty.PRESENT_VALUE or write.object_type in INPUT_TYPES:
        return ""
    what = f"{write.object_type.value} {write.instance}"
    priority = PRIORITY_DEFAULT if write.priority is None else write.priority
    slot = await read_slot(devices, write.link, (write.object_type, write.instance), priority)
    if write.priority is None:
        if slot is None:
            return ""
        return f"{what} takes commands at priorities: list and write it at one, so that it can be relinquished"
    if slot is None:
        return f"{what} has no Priority_Array, so nothing written at priority {priority} could be relinquished"
    if slot.value is None:
        return ""
    return (
        f"{what} holds {slot.value:g} at priority {priority}: somebody else's command, which relinquishing would take "
        "away; agree on another priority, or let them relinquish it first"
    )


async def write_property(devices: Devices, write: PropertyWrite) -> Answer:
    """The answer to a write. Raises LinkError: RefusedError where the device did nothing, else NoAnswerError."""
    return await devices.ask(write.link, request_of(write))


async def read_property(devices: Devices, link: str, target: Target, prop: ObjectProperty) -> Held:
    """What a property holds. Raises LinkError."""
    return await _read(devices, link, target, NUMBERS[prop])


async def read_slot(devices: Devices, link: str, target: Target, priority: int) -> Held | None:
    """What stands in a slot of Priority_Array; None where the object has no such array. Raises LinkError."""
    if target[0] in INPUT_TYPES:
        return None
    try:
        return await _read(devices, link, target, PRIORITY_ARRAY, priority)
    except RefusedError as exc:
        if exc.refusal.kind == "error" and exc.refusal.number == UNKNOWN_PROPERTY:
            return None
        raise


async def _read(devices: Devices, link: str, target: Target, number: int, index: int | None = None) -> Held:
    answer = await devices.ask(link, read_one((TYPE_NUMBERS[target[0]], target[1]), number, index))
    return Held(value=_single(answer.apdu.propertyValue), asked_ns=answer.asked_ns, told_ns=answer.told_ns)


def _single(value: Any) -> float | None:
    """A number or None for Null. LinkError for anything else."""
    numbers = [int(tag.tag_number) for tag in value.tagList if int(tag.tag_class) == APPLICATION]
    if numbers == [NULL]:  # some answers keep the brackets around it
        return None
    found = value_of(value)
    if not isinstance(found, int | float):
        raise LinkError(f"a value that is neither a number nor Null: application tags {numbers}")
    return float(found)


async def read_again(devices: Devices, write: PropertyWrite) -> tuple[str, int]:
    """What is wrong with what a device holds of a write ('' where nothing is), and when that was told.

    Raises LinkError where it cannot be read.
    """
    target = (write.object_type, write.instance)
    what = f"{write.object_type.value} {write.instance}"
    slot = None
    priority = PRIORITY_DEFAULT if write.priority is None else write.priority
    if write.property is ObjectProperty.PRESENT_VALUE:
        slot = await read_slot(devices, write.link, target, priority)
    if write.value is None:
        if slot is None:
            raise LinkError(f"{what} has no Priority_Array, so nothing can be relinquished there")
        wrong = "" if slot.value is None else f"{what} still holds {slot.value:g} at priority {priority}"
        return wrong, slot.told_ns
    if slot is not None and not _same(slot.value, write):
        held = "nothing" if slot.value is None else f"{slot.value:g}"
        return f"{what} holds {held} at priority {priority}, {write.value:g} was written", slot.told_ns
    held_now = await read_property(devices, write.link, target, write.property)
    if _same(held_now.value, write):
        return "", held_now.told_ns
    shown = "Null" if held_now.value is None else f"{held_now.value:g}"
    text = f"{what} took {write.value:g} and shows {write.property.value} {shown}"
    if slot is not None:
        text += await _standing_above(devices, write, target, priority)
    return text, held_now.told_ns


def _same(held: float | None, write: PropertyWrite) -> bool:
    """Whether a value is what was written, as single precision has it."""
    if held is None or write.value is None:
        return False
    (meant,) = struct.unpack("f", struct.pack("f", write.value))
    return bool(abs(held - meant) <= RELATIVE_ERROR * abs(meant))


async def _standing_above(devices: Devices, write: PropertyWrite, target: Target, priority: int) -> str:
    """Which command of a higher priority stands, in words; '' where none does or it cannot be read."""
    try:
        number = (TYPE_NUMBERS[target[0]], target[1])
        answer = await devices.ask(write.link, read_one(number, PRIORITY_ARRAY))
    except LinkError:
        return ""
    for at, value in enumerate(values_of(answer.apdu.propertyValue)[: priority - 1], 1):
        if isinstance(value, int | float):
            return f": a command of priority {at} stands above priority {priority}, {float(value):g}"
    return ""
