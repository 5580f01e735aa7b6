"""The place that one row of a point map means: where in the tables of a device, or which printed lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.core.links import ModbusTcpLink
from harness.core.model import Alarm
from harness.core.places import ModbusPlace, OnWhen, Order, Place, Table, TextPlace, ValueType
from harness.site.addresses import ADDRESS_MAX, WORD_OF, Address, read_address, read_by_any, write_address
from harness.site.fields import PATTERN_NAMES
from harness.site.forms import Form
from harness.site.kinds import When
from harness.site.names import shown
from harness.site.patterns import check_pattern, filled, needs
from harness.site.problems import Mismatch, Problems


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A place, the name that it gets by itself, its address as written, and the alarms of the row that show there."""

    name: str
    place: Place
    written: str
    alarms: tuple[str, ...]


_RANGES = {
    ValueType.U16: (0, 2**16 - 1),
    ValueType.S16: (-(2**15), 2**15 - 1),
    ValueType.U32: (0, 2**32 - 1),
    ValueType.S32: (-(2**31), 2**31 - 1),
}


def modbus_point(
    row: Form, names: tuple[str, ...], link: ModbusTcpLink, link_form: Form, problems: Problems
) -> Placed | None:
    """The place in the tables of a Modbus device; None where the row does not tell one (problems say why)."""
    if not row.has("address") and not problems.is_cut_short:
        text = f"row {row.text('alarm')}: address is missing"
        problems.error(row.origin, "missing", text, f"add the address on {link.name}, or * for every point")
    if "address" not in row.values or row.broken & {"type", "on when", "table", "unit", "scale", "offset"}:
        return None
    written = row.text("address")
    table, bits_from = row.get("table", Table), link_form.get("bits from", int) or 0
    try:
        if "numbering" not in link_form.values:
            address = read_by_any(written, table=table, bits_from=bits_from)
        else:
            address = read_address(written, numbering=link.numbering, table=table, bits_from=bits_from)
    except Mismatch as mismatch:
        problems.mismatch(row.at("address"), "address", written, mismatch)
        return None
    return _modbus_place(row, names, link, link_form, address, problems)


def _modbus_place(
    row: Form, names: tuple[str, ...], link: ModbusTcpLink, link_form: Form, address: Address, problems: Problems
) -> Placed | None:
    when = row.get("on when", When) or When(on_when=OnWhen.SET)
    try:
        value_type = _value_type(row, address, when)
        unit = row.get("unit", int)
        place = ModbusPlace(
            unit=link.unit if unit is None else unit,
            table=address.table,
            address=address.address,
            value_type=value_type,
            bit=address.bit or 0,
            bit_count=address.bit_count,
            byte_order=row.get("byte order", Order) or Order.BIG,
            word_order=row.get("word order", Order) or Order.BIG,
            scale=row.get("scale", float) or 1.0,
            offset=row.get("offset", float) or 0.0,
            on_when=when.on_when,
            threshold=when.threshold,
        )
    except Mismatch as mismatch:
        problems.mismatch(row.at("address"), "address", row.text("address"), mismatch)
        return None
    if not _check_place(row, place, problems):
        return None
    bits_from = link_form.get("bits from", int) or 0
    written = write_address(address, link.numbering, bits_from)
    where = link.name if place.unit == link.unit else f"{link.name}/{place.unit}"
    return Placed(name=f"{where}:{written}{when.suffix}", place=place, written=written, alarms=names)


def _value_type(row: Form, address: Address, when: When) -> ValueType:
    told = row.get("type", ValueType)
    word = WORD_OF[address.table]
    if address.table.is_bits:
        if told not in (None, ValueType.BIT):
            raise Mismatch(f"a {word} is one bit, and type={told} needs registers", "delete the type", code="type")
        return ValueType.BIT
    if address.bit is not None:
        natural = ValueType.BIT if address.bit_count == 1 else ValueType.BITS
        if told not in (None, natural, ValueType.BITS):
            raise Mismatch(
                f"it names a bit, and type={told} takes the whole register", "delete one of the two", code="type"
            )
        return told or natural
    if told in (ValueType.BIT, ValueType.BITS) or (told is None and when.threshold is None):
        remedy = f"write {row.text('address')}.0 for its lowest bit, or type: u16 for the whole register"
        raise Mismatch(f"a {word} has 16 bits, and none is named", remedy, code="bit")
    return told or ValueType.U16


def _check_place(row: Form, place: ModbusPlace, problems: Problems) -> bool:
    """True where the place can be read and its ``on when`` can be both met and not met."""
    if place.address + place.count - 1 > ADDRESS_MAX:
        text = f"address={shown(row.text('address'))}: its second register lies beyond the last address"
        problems.error(row.at("address"), "address-range", text, "")
        return False
    for name in ("word order", "byte order"):
        useless = place.value_type.registers == 1 if name == "word order" else place.table.is_bits
        if name in row.values and useless:
            what = "two registers" if name == "word order" else "registers"
            text = f"{name}={shown(row.written(name))}: only values of {what} have one"
            problems.error(row.at(name), "order", text, "delete it, or mend the type")
            return False
    for name in ("scale", "offset"):
        if name in row.values and (place.table.is_bits or place.value_type is ValueType.BIT):
            problems.error(row.at(name), "scale", f"{name}={shown(row.written(name))}: a bit has none", "delete it")
            return False
    return _check_threshold(row, place, problems)


def _check_threshold(row: Form, place: ModbusPlace, problems: Problems) -> bool:
    if place.threshold is None:
        return True
    at, written = row.at("on when"), shown(row.written("on when"))
    if place.value_type is ValueType.BIT:
        problems.error(at, "on-when", f"on when={written}: a single bit is set or clear", "write set or clear")
        return False
    if place.value_type is ValueType.F32:
        return True
    low, high = _RANGES.get(place.value_type, (0, 2**place.bit_count - 1))
    ends = sorted((low * place.scale + place.offset, high * place.scale + place.offset))
    raw = (place.threshold - place.offset) / place.scale
    never = {
        OnWhen.EQUAL: not ends[0] <= place.threshold <= ends[1] or abs(raw - round(raw)) > 1e-6,
        OnWhen.ABOVE: not ends[0] <= place.threshold < ends[1],
        OnWhen.BELOW: not ends[0] < place.threshold <= ends[1],
    }[place.on_when]
    if never:
        text = f"on when={written}: a {place.value_type.value} here goes from {ends[0]:g} to {ends[1]:g}"
        if abs(raw - round(raw)) > 1e-6 and ends[0] <= place.threshold <= ends[1]:
            text = f"on when={written}: a scale of {place.scale:g} never gives exactly this number"
        problems.error(at, "on-when", f"{text}, so it never changes", "mend the number, the type or the scale")
    return not never


def text_point(
    row: Form,
    names: tuple[str, ...],
    link_form: Form,
    alarms: Mapping[str, Alarm],
    alarm_forms: Mapping[str, Form],
    problems: Problems,
) -> Iterable[Placed]:
    """The printed lines of a row: one place for each alarm where a pattern holds its text, else one for all."""
    templates = {name: row.text(name) or link_form.text(name) for name in PATTERN_NAMES}
    if not templates["raised"]:
        if "raised" not in row.broken | link_form.broken and not problems.is_cut_short:
            text = f"row {row.text('alarm')}: raised is missing, here and in link {link_form.name}"
            problems.error(row.origin, "missing", text, "add the pattern of the line that is printed when raised")
        return
    printed_time = row.text("printed time") or link_form.text("printed time")
    link_name = row.text("link")
    if not any(needs(template, word) for template in templates.values() for word in ("text", "code")):
        own = names[0] if len(names) == 1 else row.text("alarm")
        place = _text_place(templates, printed_time, row, link_form, problems)
        if place is not None:
            yield Placed(name=f"{link_name}:{own}", place=place, written=place.raised, alarms=names)
        return
    for name in names:
        form = alarm_forms[name]
        lacking = [w for w in ("text", "code") if any(needs(t, w) for t in templates.values()) and not form.has(w)]
        for word in lacking if not problems.is_cut_short else ():
            text = f"alarm {name}: {word} is missing, and the pattern of {link_name} holds {{{word}}}"
            problems.error(form.origin, "missing", text, f"add {word}: as it is printed")
        if lacking or form.broken & {"text", "code"}:
            continue
        own_texts = {k: filled(v, text=alarms[name].text, code=form.written("code")) for k, v in templates.items()}
        place = _text_place(own_texts, printed_time, row, link_form, problems)
        if place is None:
            return
        yield Placed(name=f"{link_name}:{name}", place=place, written=place.raised, alarms=(name,))


def _text_place(
    patterns: Mapping[str, str], printed_time: str, row: Form, link_form: Form, problems: Problems
) -> TextPlace | None:
    for name, pattern in patterns.items():
        if not pattern:
            continue
        source = row if row.text(name) else link_form
        try:
            check_pattern(pattern)
        except Mismatch as mismatch:
            problems.mismatch(source.at(name), name, source.text(name), mismatch)
            return None
    return TextPlace(
        raised=patterns["raised"],
        cleared=patterns["cleared"] or None,
        acknowledged=patterns["acknowledged"] or None,
        printed_time=printed_time or None,
    )
