"""The place that one row of a point map means in the tables of a Modbus device."""

from __future__ import annotations

from harness.core.links import ModbusLink
from harness.core.places import ModbusPlace, OnWhen, Order, Table, ValueType
from harness.site.addresses import ADDRESS_MAX, WORD_OF, Address, read_address, read_by_any, write_address
from harness.site.forms import Form
from harness.site.kinds import When
from harness.site.names import shown
from harness.site.placed import Placed
from harness.site.problems import Mismatch, Problems

_RANGES = {
    ValueType.U16: (0, 2**16 - 1),
    ValueType.S16: (-(2**15), 2**15 - 1),
    ValueType.U32: (0, 2**32 - 1),
    ValueType.S32: (-(2**31), 2**31 - 1),
}


def modbus_point(
    row: Form, names: tuple[str, ...], link: ModbusLink, link_form: Form, problems: Problems
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
    row: Form, names: tuple[str, ...], link: ModbusLink, link_form: Form, address: Address, problems: Problems
) -> Placed | None:
    when = row.get("on when", When) or When(on_when=OnWhen.SET)
    if when.is_failure:
        refuse_failure(row, problems)
        return None
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


def refuse_failure(row: Form, problems: Problems) -> None:
    """Only the current of a loop has ranges that mean a failure."""
    text = f"on when={shown(row.written('on when'))}: only a current loop has a failure range"
    problems.error(row.at("on when"), "on-when", text, "define the loop under loops: and name it in loop")


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
