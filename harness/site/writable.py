"""All that a stimulus may ever write, as the site file lists it under ``writable``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final, TypeVar

from harness.core.links import BacnetLink, BusWay, LinkSpec, ModbusRtuLink, ModbusTcpLink, TextLink
from harness.core.places import Table
from harness.core.writing import AnyWritable, WritableProperty, WritableRange
from harness.site.acknowledging import check_permission
from harness.site.addresses import Address, read_address, read_by_any
from harness.site.forms import Form, Value
from harness.site.linking import kind_of, known_link
from harness.site.names import shown
from harness.site.problems import Mismatch, Problems
from harness.site.property_writes import writable_property_of

WRITTEN_TABLES: Final = {"coil": Table.COIL, "holding register": Table.HOLDING_REGISTER}

OneWritable = TypeVar("OneWritable", WritableRange, WritableProperty)


def build_writable(
    values: Iterable[Value], links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> tuple[AnyWritable, ...]:
    """The addresses and properties that a stimulus may write."""
    found: list[AnyWritable] = []
    for value in values:
        form = value.means
        if not isinstance(form, Form):
            continue
        if form.has("acknowledge"):
            check_permission(form, known_link(form, links, link_forms, problems), link_forms, problems)
        elif any(form.has(name) for name in ("object", "property", "priority")):
            written = writable_property_of(form, links, link_forms, problems)
            if written is not None:
                _check_proof(form, problems)
                found.append(_with_proof(written, form))
        else:
            block = _range_of(form, links, link_forms, problems)
            if block is not None:
                _check_proof(form, problems)
                found.append(_with_proof(block, form))
    return tuple(found)


def _with_proof(it: OneWritable, form: Form) -> OneWritable:
    read_back, may_differ = form.get("read back", bool), form.get("as left", bool)
    return replace(
        it,
        read_back=True if read_back is None else read_back,
        because=form.text("because"),
        may_differ=bool(may_differ),
        tolerance=form.get("tolerance", float) or 0.0,
    )


def _check_proof(form: Form, problems: Problems) -> None:
    """What cannot be read back says why; what may differ needs no tolerance."""
    if form.get("read back", bool) is False and not form.has("because"):
        text = "read back=no: only what the controller takes away cannot be read back, and it does not say so"
        remedy = "add for example because: the controller clears the command once it took it"
        problems.error(form.at("read back"), "read-back", text, remedy)
    if form.has("because") and form.get("read back", bool) is not False:
        text = f"because={shown(form.written('because'))}: expected beside read back: no"
        problems.error(form.at("because"), "read-back", text, "delete it, or write read back: no")
    if form.has("tolerance") and (form.has("coil") or form.get("as left", bool)):
        why = "a coil is on or off" if form.has("coil") else "as left may differ by any amount already"
        problems.error(form.at("tolerance"), "tolerance", f"tolerance={form.written('tolerance')}: {why}", "delete it")


def _range_of(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> WritableRange | None:
    link = written_link(form, links, link_forms, problems)
    target = written_table(form, problems) if link is not None or not form.text("link") else None
    if link is None or target is None:
        return None
    first, _, last = form.text(target).partition("-")
    low = address_of(form, target, first, link, link_forms, problems)
    high = address_of(form, target, last, link, link_forms, problems) if last else low
    if low is None or high is None:
        return None
    if high.address < low.address:
        found = f"{target}={shown(form.written(target))}: expected the lower number first"
        problems.error(form.at(target), "range", found, f"write {last.strip()}-{first.strip()}")
        return None
    unit = form.get("unit", int)
    return WritableRange(
        link=link.name,
        unit=link.unit if unit is None else unit,
        table=low.table,
        address=low.address,
        count=high.address - low.address + 1,
        origin=form.origin,
    )


def written_link(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> ModbusTcpLink | ModbusRtuLink | None:
    """The Modbus link that a line writes over; a problem where it names another, or one that is only overheard."""
    link = known_link(form, links, link_forms, problems)
    if link is None:
        return None
    if isinstance(link, ModbusTcpLink):
        return link
    if isinstance(link, ModbusRtuLink):
        if link.way is BusWay.POLL:
            return link if _is_one_unit(form, link, problems) else None
        text = f"link={link.name}: the bus has another master, and farend sends nothing there"
        problems.error(form.at("link"), "write-link", text, "write over another link; only a bus with way: poll "
                       "can be written to")  # fmt: skip
        return None
    kind = "text" if isinstance(link, TextLink) else kind_of(link_forms[link.name])
    remedy = "name a modbus link"
    if isinstance(link, BacnetLink):
        remedy = "name an object and its property, or acknowledge an event: acknowledge: {link, object}"
        text = f"link={link.name}: a bacnet link has no coils and registers"
    else:
        text = f"link={link.name}: nothing is ever written over a {kind} link"
    problems.error(form.at("link"), "write-link", text, remedy)
    return None


def _is_one_unit(form: Form, link: ModbusRtuLink, problems: Problems) -> bool:
    """Unit 0 of a serial bus is every unit at once, and none of them answers (V1.02, 2.1)."""
    unit = form.get("unit", int)
    if (link.unit if unit is None else unit) != 0:
        return True
    at = form.at("unit") if form.has("unit") else form.origin
    text = "unit=0: a write to unit 0 reaches every unit of the bus, and none of them answers"
    problems.error(at, "write-broadcast", text, "name one unit")
    return False


def written_table(form: Form, problems: Problems) -> str | None:
    """The field that says what is written: a coil or a holding register."""
    found = [name for name in WRITTEN_TABLES if form.has(name)]
    if len(found) != 1 and not problems.is_cut_short:
        text = f"{form.what}: expected either coil or holding register"
        problems.error(form.origin, "write-table", text, "add for example holding register: 40901")
        return None
    return found[0] if found and found[0] in form.values else None


def address_of(
    form: Form,
    name: str,
    text: str,
    link: ModbusTcpLink | ModbusRtuLink,
    link_forms: Mapping[str, Form],
    problems: Problems,
) -> Address | None:
    """The address of a whole coil or register in the numbering of its link."""
    try:
        if "numbering" not in link_forms[link.name].values:
            return read_by_any(text, table=WRITTEN_TABLES[name])
        address = read_address(text, numbering=link.numbering, table=WRITTEN_TABLES[name])
    except Mismatch as mismatch:
        problems.mismatch(form.at(name), name, form.written(name), mismatch)
        return None
    if address.bit is not None:
        found = f"{name}={shown(form.written(name))}: expected a whole register"
        problems.error(form.at(name), "bit", found, "delete the bit")
        return None
    return address
