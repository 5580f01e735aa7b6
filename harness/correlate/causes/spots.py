"""Places on the wire as numbers that can be compared: the block they lie in, and how far along it."""

from __future__ import annotations

from collections import defaultdict
from typing import Final, NamedTuple

from harness.core.links import ModbusLink
from harness.core.model import Point, Site
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    MqttPlace,
    Numbering,
    ObjectPart,
    PersonPlace,
    Place,
    Table,
    ValueType,
)

BITS_PER_REGISTER: Final = 16
LINES: Final = "line"
TOPICS: Final = "topic"
SIGNS: Final = "sign"
_TABLES: Final = frozenset(table.value for table in Table)
WRITTEN_MAX: Final = 60
_REFERENCE_DIGIT: Final = {
    Table.COIL: 0,
    Table.DISCRETE_INPUT: 1,
    Table.INPUT_REGISTER: 3,
    Table.HOLDING_REGISTER: 4,
}


class Block(NamedTuple):
    """Places of one kind. ``words``: whole registers and not bits of them.

    ``table``: the value of a Modbus table; ``line``, ``topic`` or ``sign`` with which kind of sign; or a BACnet object
    type with the part that is meant and how it arrives.
    """

    link: str
    unit: int
    table: str
    words: bool

    @property
    def is_text(self) -> bool:
        """True where places are told apart by what is printed, and their ranks are those of the site file."""
        return self.table == LINES

    @property
    def is_modbus(self) -> bool:
        """True for a table of the Modbus data model, which alone has addresses side by side in one request."""
        return self.table in _TABLES

    @property
    def is_ranked(self) -> bool:
        """True where positions are only the order of the site file."""
        return self.table in (LINES, TOPICS) or self.table.startswith(SIGNS)

    @property
    def is_register_bits(self) -> bool:
        """True where positions count the bits of registers."""
        return self.table in (Table.INPUT_REGISTER.value, Table.HOLDING_REGISTER.value) and not self.words


class Spot(NamedTuple):
    """A place: the address of a bit table or of a register, 16 * address + bit for a bit of a register, or its rank
    among the points of a link of printed lines.
    """

    block: Block
    position: int

    def moved(self, by: int) -> Spot:
        """The place so many positions further on."""
        return Spot(self.block, self.position + by)


def spot_of(link: str, place: ModbusPlace) -> Spot:
    """Where a Modbus place is. A number is where its first register is."""
    if place.table.is_bits:
        return Spot(Block(link, place.unit, place.table.value, words=False), place.address)
    if place.value_type is ValueType.BIT:
        block = Block(link, place.unit, place.table.value, words=False)
        return Spot(block, BITS_PER_REGISTER * place.address + place.bit)
    return Spot(Block(link, place.unit, place.table.value, words=True), place.address)


def spots_of(site: Site) -> dict[str, Spot]:
    """Where every point of a site is; what has no number of its own counts in the order of the site file."""
    found: dict[str, Spot] = {}
    ranks: dict[str, int] = defaultdict(int)
    for name, point in site.points.items():
        match point.place:
            case ModbusPlace():
                found[name] = spot_of(point.link, point.place)
            case BacnetPlace():
                found[name] = Spot(object_block(point.link, point.place), point.place.instance)
            case _:
                table = _RANKED.get(type(point.place), LINES)
                if isinstance(point.place, PersonPlace):
                    table = f"{SIGNS} {point.place.sign.value}"
                found[name] = Spot(Block(point.link, 0, table, words=False), ranks[point.link])
                ranks[point.link] += 1
    return found


_RANKED: Final[dict[type, str]] = {MqttPlace: TOPICS}


def object_block(link: str, place: BacnetPlace) -> Block:
    """The objects of one type of a device, by one part and one way of arriving."""
    part = "" if place.part is ObjectPart.PRESENT_VALUE else f" {place.part.value}"
    arrives = "" if place.arrives is Arrival.POLL else f" by {place.arrives.value}"
    return Block(link, 0, f"{place.object_type.value}{part}{arrives}", words=False)


def thing(point: Point) -> tuple[object, ...]:
    """What a point is of: a BACnet object is one thing, by however many ways its alarm arrives."""
    if isinstance(point.place, BacnetPlace):
        return point.link, point.place.object_type, point.place.instance
    return (point.name,)


def point_text(point: Point) -> str:
    """A point for a technician: its name, its address as written (not a long pattern), and the address on the wire."""
    wire = wire_text(point.place)
    told = [text for text in (point.written, wire) if text and len(text) <= WRITTEN_MAX]
    return f"{point.name} ({', '.join(dict.fromkeys(told))})" if told else point.name


def wire_text(place: Place) -> str:
    """The address on the wire, from 0; '' for what has none."""
    if not isinstance(place, ModbusPlace):
        return ""
    bit = f" bit {place.bit}" if place.value_type in (ValueType.BIT, ValueType.BITS) and not place.table.is_bits else ""
    unit = f" of unit {place.unit}" if place.unit != 1 else ""
    return f"{place.table.value.replace('-', ' ')} address {place.address}{bit}{unit}"


def spot_text(site: Site, spot: Spot) -> str:
    """A place that no point maps, in the numbering of its link and as the address on the wire."""
    block, position = spot
    if not block.is_modbus:
        return f"unmapped {block.table} {position}" if not block.is_ranked else f"an unmapped {block.table}"
    address, bit = divmod(position, BITS_PER_REGISTER) if block.is_register_bits else (position, 0)
    table = Table(block.table)
    value_type = ValueType.BIT if table.is_bits or block.is_register_bits else ValueType.U16
    wire = wire_text(ModbusPlace(unit=block.unit, table=table, address=address, bit=bit, value_type=value_type))
    written = written_text(site, block.link, table, address)
    if written and block.is_register_bits:
        written = f"{written}.{bit}"
    return f"unmapped {written} ({wire})" if written else f"unmapped {wire}"


def written_text(site: Site, link: str, table: Table, address: int) -> str:
    """An address as the numbering of its link would write it; '' where that is the address on the wire."""
    spec = site.links.get(link)
    if not isinstance(spec, ModbusLink) or spec.numbering is Numbering.FROM_ZERO:
        return ""
    if spec.numbering is Numbering.FROM_ONE:
        return str(address + 1)
    width = 4 if address < 9999 else 5
    return f"{_REFERENCE_DIGIT[table]}{address + 1:0{width}d}"
