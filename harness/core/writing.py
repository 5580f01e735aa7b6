"""What a stimulus writes to a device, and the list of all that it may ever write. Frozen values.

Priorities of BACnet commands are those of ASHRAE 135, 19.2 (from memory): 1 to 16, the lower number stands above the
higher one, and a command is taken back (relinquished) by writing Null at its own priority.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from harness.core.errors import Origin
from harness.core.places import ObjectType, Table

PRIORITY_MAX: Final = 16
PRIORITY_MINIMUM_ON_OFF: Final = 6
"""Kept for the minimum on and off times of the object itself (19.2.3, from memory); nobody else writes there."""
PRIORITY_DEFAULT: Final = 16
"""What a device takes a write for that names no priority (15.9, from memory)."""


@unique
class ObjectProperty(StrEnum):
    """The properties of BACnet objects that a stimulus may write, by their names in the standard."""

    PRESENT_VALUE = "present-value"
    OUT_OF_SERVICE = "out-of-service"
    HIGH_LIMIT = "high-limit"
    LOW_LIMIT = "low-limit"


INPUT_TYPES: Final = frozenset({ObjectType.ANALOG_INPUT, ObjectType.BINARY_INPUT, ObjectType.MULTI_STATE_INPUT})
"""They have no Priority_Array; what they show can be written while they are out of service (clause 12)."""
ANALOG_TYPES: Final = frozenset({ObjectType.ANALOG_INPUT, ObjectType.ANALOG_VALUE})
MULTI_STATE_TYPES: Final = frozenset({ObjectType.MULTI_STATE_INPUT, ObjectType.MULTI_STATE_VALUE})
COMMANDABLE_TYPES: Final = frozenset({ObjectType.BINARY_OUTPUT})
"""They always have a Priority_Array; values may have one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """One Modbus write: coils take 0 or 1, registers 0 to 65535. ``address`` counts from 0."""

    link: str
    unit: int
    table: Table
    address: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PropertyWrite:
    """One BACnet WriteProperty (ASHRAE 135, 15.9).

    ``value``: 0 and 1 for inactive and active, or no and yes; a state from 1; else the number in the property's own
    units. None relinquishes: Null is written at ``priority``. ``priority``: None where the request names none.
    """

    link: str
    object_type: ObjectType
    instance: int
    property: ObjectProperty
    value: float | None
    priority: int | None = None


AnyWrite = Write | PropertyWrite


@dataclass(frozen=True, slots=True, kw_only=True)
class _Writable:
    """What the site file says of anything that a stimulus may write.

    ``read_back``: False where the controller takes away what was written (``because`` says why): then the answer to
    the write is its only proof. ``may_differ``: as left need not be as found. ``tolerance``: by how much it may differ
    and still be as found.
    """

    link: str
    read_back: bool = True
    because: str = ""
    may_differ: bool = False
    tolerance: float = 0.0
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class WritableRange(_Writable):
    """Modbus addresses that a stimulus may write: ``address`` (from 0) and ``count``; ``tolerance`` in raw counts."""

    unit: int
    table: Table
    address: int
    count: int

    def covers(self, write: AnyWrite) -> bool:
        """Whether every address of a write is among these."""
        if not isinstance(write, Write):
            return False
        same = (self.link, self.unit, self.table) == (write.link, write.unit, write.table)
        end = write.address + len(write.values)
        return same and self.address <= write.address and end <= self.address + self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class WritableProperty(_Writable):
    """One property of BACnet objects (``instance`` and the ``count - 1`` behind it), at one priority or at none.

    ``tolerance`` is in the property's own units.
    """

    object_type: ObjectType
    instance: int
    count: int = 1
    property: ObjectProperty
    priority: int | None = None

    def covers(self, write: AnyWrite) -> bool:
        """Whether a write is of this property, of one of these objects, at this very priority."""
        if not isinstance(write, PropertyWrite):
            return False
        mine = (self.link, self.object_type, self.property, self.priority)
        same = mine == (write.link, write.object_type, write.property, write.priority)
        return same and self.instance <= write.instance < self.instance + self.count


AnyWritable = WritableRange | WritableProperty


def written_words(write: AnyWrite) -> str:
    """Where a write goes, as in ``unit=1 table=coil addresses 0 to 3 (from 0)``, for messages."""
    if isinstance(write, Write):
        last = write.address + len(write.values) - 1
        return f"unit={write.unit} table={write.table.value} addresses {write.address} to {last} (from 0)"
    at = "no priority" if write.priority is None else f"priority={write.priority}"
    return f"object={write.object_type.value} {write.instance} property={write.property.value} {at}"


def writable_words(it: AnyWritable) -> str:
    """One entry of the list, in words, with its wire address."""
    if isinstance(it, WritableRange):
        table, last = it.table.value.replace("-", " "), it.address + it.count - 1
        return f"{it.link}: unit {it.unit}, {table} {it.address} to {last} on the wire"
    last = it.instance + it.count - 1
    which = f"{it.instance}" if it.count == 1 else f"{it.instance} to {last}"
    at = "" if it.priority is None else f" at priority {it.priority}"
    return f"{it.link}: {it.object_type.value} {which}, {it.property.value}{at}"
