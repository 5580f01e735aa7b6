"""Reads every point that a stimulus may write: as found before a test, as left after it. Reads only.

Modbus coils and registers by functions 1 and 3; of BACnet objects the listed property, and for a Present_Value that
takes commands the slot of Priority_Array as well (ASHRAE 135, 19.2): a command that was forgotten there may change no
value today.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.core.as_left import FoundValue
from harness.core.errors import LinkError
from harness.core.model import Site
from harness.core.writing import PRIORITY_DEFAULT, AnyWritable, ObjectProperty, WritableProperty, WritableRange
from harness.links.modbus_client import RequestRefusedError
from harness.stimulus.devices import Devices


async def read_writable(site: Site, devices: Devices) -> tuple[FoundValue, ...]:
    """What every entry of the site's ``writable`` holds now, in its order, one value for each coil, register, property
    and slot. What cannot be read is not known, with the reason; nothing is raised.

    A link that does not answer is asked once: everything behind that on it is not known for the same reason.
    """
    dead: dict[str, str] = {}
    found: list[FoundValue] = []
    for entry in site.writable:
        if isinstance(entry, WritableRange):
            found += await _range(entry, devices, dead)
            continue
        for instance in range(entry.instance, entry.instance + entry.count):
            found += await _object(entry, instance, devices, dead)
    return tuple(found)


def _value(entry: AnyWritable, name: str, value: float | None, why: str = "") -> FoundValue:
    return FoundValue(name=name, value=value, why=why, tolerance=entry.tolerance, may_differ=entry.may_differ)


async def _range(entry: WritableRange, devices: Devices, dead: dict[str, str]) -> list[FoundValue]:
    from harness.stimulus.modbus_values import read_values

    why = dead.get(entry.link, "")
    if not why:
        try:
            read = await read_values(devices, entry.link, entry.unit, entry.table, entry.address, entry.count)
        except LinkError as exc:
            why = str(exc)
            if not isinstance(exc, RequestRefusedError):
                dead[entry.link] = why
        else:
            return [_value(entry, name, held) for name, held in zip(_names(entry), read.values, strict=True)]
    return [_value(entry, name, None, why) for name in _names(entry)]


def _names(entry: WritableRange) -> Iterator[str]:
    table = entry.table.value.replace("-", " ")
    for address in range(entry.address, entry.address + entry.count):
        yield f"{entry.link}: unit {entry.unit}, {table} {address} on the wire"


async def _object(entry: WritableProperty, instance: int, devices: Devices, dead: dict[str, str]) -> list[FoundValue]:
    from harness.links.bacnet_app import RefusedError
    from harness.stimulus.bacnet_property import read_property, read_slot  # a protocol stack

    target = (entry.object_type, instance)
    name = f"{entry.link}: {entry.object_type.value} {instance} {entry.property.value}"
    priority = PRIORITY_DEFAULT if entry.priority is None else entry.priority
    slot_name = f"{entry.link}: {entry.object_type.value} {instance} priority-array {priority}"
    takes_commands = entry.property is ObjectProperty.PRESENT_VALUE
    why = dead.get(entry.link, "")
    found: list[FoundValue] = []
    try:
        if not why:
            held = await read_property(devices, entry.link, target, entry.property)
            found.append(_value(entry, name, held.value))
            slot = await read_slot(devices, entry.link, target, priority) if takes_commands else None
            if slot is not None:
                found.append(_value(entry, slot_name, slot.value))
            elif entry.priority is not None:
                found.append(_value(entry, slot_name, None, "the object has no Priority_Array"))
            return found
    except LinkError as exc:
        why = str(exc)
        if not isinstance(exc, RefusedError):
            dead[entry.link] = why
    names = [name, slot_name] if entry.priority is not None else [name]
    return found + [_value(entry, it, None, why) for it in names[len(found) :]]
