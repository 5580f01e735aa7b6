"""Places of a point map that cannot be right side by side: read twice in different ways, inverted, misnumbered."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from harness.core.model import Point, Site
from harness.core.places import BacnetPlace, ModbusPlace, MqttPlace, Numbering, OnWhen, ValueType
from harness.site.addresses import write_number
from harness.site.forms import Form
from harness.site.names import shown
from harness.site.problems import Problems


def check_places(site: Site, form: Form, problems: Problems) -> None:
    """Check every place against the others."""
    for check in (_contradictions, _loops, _unused_loops, _overlaps, _numbering):
        check(site, form, problems)


def _modbus_points(site: Site) -> list[tuple[Point, ModbusPlace]]:
    return [(p, p.place) for p in site.points.values() if isinstance(p.place, ModbusPlace)]


def _contradictions(site: Site, _form: Form, problems: Problems) -> None:
    """Two points that read the same bits, objects or messages the other way round cannot both be at rest."""
    seen: dict[tuple[object, ...], tuple[Point, ModbusPlace | BacnetPlace | MqttPlace]] = {}
    for point in site.points.values():
        place = point.place
        if not isinstance(place, ModbusPlace | BacnetPlace | MqttPlace):
            continue
        if place.on_when not in (OnWhen.SET, OnWhen.CLEAR):
            continue
        where = (point.link, replace(place, on_when=OnWhen.SET))
        first = seen.setdefault(where, (point, place))
        if first[1].on_when is not place.on_when:
            text = f"on when={place.on_when.value}: {first[0].name} at {first[0].origin} reads the same {_what(place)}"
            text += f", and is on when {first[1].on_when.value}"
            problems.error(point.origin, "inverted", text, "both cannot hold; mend one of the two")


def _what(place: ModbusPlace | BacnetPlace | MqttPlace) -> str:
    return "bit" if isinstance(place, ModbusPlace) else "object" if isinstance(place, BacnetPlace) else "message"


def _loops(site: Site, form: Form, problems: Problems) -> None:
    """Two loops that are read by one input: one of them is not."""
    seen: dict[tuple[object, ...], str] = {}
    for point in site.points.values():
        place = point.place
        if not isinstance(place, ModbusPlace | BacnetPlace) or place.loop is None:
            continue
        where = (point.link, replace(place, loop=None, on_when=OnWhen.SET, threshold=None))
        first = seen.setdefault(where, place.loop.name)
        if first != place.loop.name:
            loop_form = form.forms("loops")[place.loop.name]
            name = "object" if isinstance(place, BacnetPlace) else "address"
            text = f"{name}={shown(loop_form.written(name))}: loop {first} is read by the same input"
            problems.error(loop_form.at(name), "same-input", text, "mend one of the two")


def _unused_loops(site: Site, form: Form, problems: Problems) -> None:
    if "points" in form.broken or problems.has_errors:
        return
    used = {point.place.loop.name for point in site.points.values()
            if isinstance(point.place, ModbusPlace | BacnetPlace) and point.place.loop is not None}  # fmt: skip
    for name, loop_form in form.forms("loops").items():
        if name not in used:
            text = f"loop {name}: no row of the point map names it"
            problems.warning(loop_form.origin, "unused-loop", text, f"add a row with loop: {name}, or delete it")


def _overlaps(site: Site, _form: Form, problems: Problems) -> None:
    """Registers that are read as parts of different values."""
    tables: dict[tuple[object, ...], dict[tuple[int, str, str, str], Point]] = {}
    for point, place in _modbus_points(site):
        if place.table.is_bits:
            continue
        kind = "u16" if place.value_type in (ValueType.BIT, ValueType.BITS) else place.value_type.value
        how = (place.address, kind, place.byte_order.value, place.word_order.value)
        tables.setdefault((point.link, place.unit, place.table), {}).setdefault(how, point)
    for found in tables.values():
        for (one, first), (other, second) in pairwise(sorted(found.items(), key=lambda item: item[0])):
            words = 2 if one[1] in ("u32", "s32", "f32") else 1
            if one[0] + words > other[0]:
                later, earlier = (second, first) if second.origin.line >= first.origin.line else (first, second)
                text = f"address={later.written}: {_as_read(later)} overlaps {earlier.written}, {_as_read(earlier)} "
                text += f"at {earlier.origin}"
                problems.error(
                    later.origin, "overlap", text, "mend the type, the order or the address of one of the two"
                )


def _as_read(point: Point) -> str:
    place = point.place
    if not isinstance(place, ModbusPlace):
        return ""
    orders = [f"{w} order {o}" for w, o in (("byte", place.byte_order), ("word", place.word_order)) if o != "big"]
    return f"read as {', '.join([place.value_type.value, *orders])}"


def _numbering(site: Site, _form: Form, problems: Problems) -> None:
    for point, place in _modbus_points(site):
        link = site.links[point.link]
        numbering = getattr(link, "numbering", Numbering.REFERENCE)
        number = write_number(place.table, place.address, numbering)
        if numbering is not Numbering.REFERENCE and len(number) == 5 and number[0] in "134":
            text = f"address={point.written}: read as a number counted {numbering.value.replace('-', ' ')}"
            remedy = f"if it is a reference number, declare numbering: reference in link {link.name}"
            problems.warning(point.origin, "looks-like-reference", text, remedy)
