"""Turns the alarms, side effects and writes of a site file into the model."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import BacnetLink, LinkSpec, ModbusRtuLink, ModbusTcpLink, TextLink
from harness.core.model import Acknowledgement, Alarm, AlarmClass, SideEffect, Step, WritableRange, Write
from harness.core.places import Table
from harness.site.acknowledging import acknowledgements_of, check_permission, is_acknowledgement, report_no_code
from harness.site.addresses import ADDRESS_MAX, Address, read_address, read_by_any
from harness.site.fields import STEP_NAMES
from harness.site.forms import Form, Value
from harness.site.linking import kind_of, known_link
from harness.site.names import shown
from harness.site.problems import Mismatch, Problems

_WRITTEN_TABLES: Final = {"coil": Table.COIL, "holding register": Table.HOLDING_REGISTER}
WRITE_COUNT_MAX: Final = {Table.COIL: 1968, Table.HOLDING_REGISTER: 123}
"""What one write request may hold (MODBUS Application Protocol Specification V1.1b3, 6.11 and 6.12)."""


def build_side_effects(forms: Mapping[str, Form]) -> dict[str, SideEffect]:
    """The side effects by name."""
    return {
        name: SideEffect(
            name=name, text=form.text("text"), hazard=form.text("hazard"), safeguard=form.text("safeguard"),
            origin=form.origin,
        )
        for name, form in forms.items()
    }  # fmt: skip


def build_writable(
    values: Iterable[Value], links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> tuple[WritableRange, ...]:
    """The addresses that a stimulus may write."""
    ranges = []
    for value in values:
        form = value.means
        if not isinstance(form, Form):
            continue
        link = known_link(form, links, link_forms, problems)
        if form.has("acknowledge"):
            check_permission(form, link, link_forms, problems)
            continue
        if link is not None and not isinstance(link, ModbusTcpLink):
            _refuse_link(form, link, link_forms, problems)
            continue
        target = _written_table(form, problems)
        if link is None or target is None:
            continue
        first, _, last = form.text(target).partition("-")
        low = _address(form, target, first, link, link_forms, problems)
        high = _address(form, target, last, link, link_forms, problems) if last else low
        if low is None or high is None:
            continue
        if high.address < low.address:
            found = f"{target}={shown(form.written(target))}: expected the lower number first"
            problems.error(form.at(target), "range", found, f"write {last.strip()}-{first.strip()}")
            continue
        unit = form.get("unit", int)
        ranges.append(
            WritableRange(
                link=link.name,
                unit=link.unit if unit is None else unit,
                table=low.table,
                address=low.address,
                count=high.address - low.address + 1,
                origin=form.origin,
            )
        )
    return tuple(ranges)


def _refuse_link(form: Form, link: LinkSpec, link_forms: Mapping[str, Form], problems: Problems) -> None:
    """Only a Modbus TCP device is ever written to, by an armed stimulus."""
    kind = "text" if isinstance(link, TextLink) else kind_of(link_forms[link.name])
    remedy = "name a modbus-tcp link"
    if isinstance(link, ModbusRtuLink):
        remedy += "; a serial bus is only listened to"
    elif isinstance(link, BacnetLink):
        remedy += ", or acknowledge an event: acknowledge: {link, object}"
    text = f"link={link.name}: nothing is ever written over a {kind} link"
    problems.error(form.at("link"), "write-link", text, remedy)


def _written_table(form: Form, problems: Problems) -> str | None:
    found = [name for name in _WRITTEN_TABLES if form.has(name)]
    if len(found) != 1 and not problems.is_cut_short:
        text = f"{form.what}: expected either coil or holding register"
        problems.error(form.origin, "write-table", text, "add for example holding register: 40901")
        return None
    return found[0] if found and found[0] in form.values else None


def _address(
    form: Form, name: str, text: str, link: ModbusTcpLink, link_forms: Mapping[str, Form], problems: Problems
) -> Address | None:
    try:
        if "numbering" not in link_forms[link.name].values:
            return read_by_any(text, table=_WRITTEN_TABLES[name])
        address = read_address(text, numbering=link.numbering, table=_WRITTEN_TABLES[name])
    except Mismatch as mismatch:
        problems.mismatch(form.at(name), name, form.written(name), mismatch)
        return None
    if address.bit is not None:
        found = f"{name}={shown(form.written(name))}: expected a whole register"
        problems.error(form.at(name), "bit", found, "delete the bit")
        return None
    return address


def build_alarms(
    forms: Mapping[str, Form],
    stimulus: Form | None,
    links: Mapping[str, LinkSpec],
    link_forms: Mapping[str, Form],
    problems: Problems,
) -> dict[str, Alarm]:
    """The alarms by name, with their writes: their own, else those of the site's stimulus where they have a code."""
    alarms = {}
    for name, form in forms.items():
        writes: dict[Step, tuple[Write, ...]] = {}
        acknowledged: tuple[Acknowledgement, ...] = ()
        code = form.get("code", int)
        for step in STEP_NAMES:
            source = form if form.has(step) else stimulus if code is not None else None
            if source is not None and source.has(step):
                values = source.many(step)
                found = tuple(_writes(values, Step(step), code, links, link_forms, problems))
                if found:
                    writes[Step(step)] = found
                if step == Step.ACKNOWLEDGE.value:
                    acknowledged = tuple(acknowledgements_of(values, code, links, link_forms, problems))
        effects = form.get("side effects", tuple)
        priority = form.get("priority", int)
        alarms[name] = Alarm(
            name=name,
            alarm_class=form.get("class", AlarmClass) or AlarmClass.ALARM,
            priority=priority,
            text=form.text("text") or name,
            side_effects=None if effects is None else tuple(str(effect.means) for effect in effects),
            also_raises=tuple(str(value.means) for value in form.many("also raises")),
            lasts_ns=form.get("lasts", Bounds),
            reference=form.text("reference") or None,
            writes=writes,
            acknowledgements=acknowledged,
            origin=form.origin,
        )
    if stimulus is not None and not any(form.has("code") for form in forms.values()):
        for step in stimulus.values:  # the template is checked even where no alarm uses it yet
            tuple(_writes(stimulus.many(step), Step(step), 0, links, link_forms, problems))
            tuple(acknowledgements_of(stimulus.many(step), 0, links, link_forms, problems))
    return alarms


def _writes(
    values: Iterable[Value],
    step: Step,
    code: int | None,
    links: Mapping[str, LinkSpec],
    link_forms: Mapping[str, Form],
    problems: Problems,
) -> Iterable[Write]:
    for value in values:
        form = value.means
        if not isinstance(form, Form):
            continue
        if is_acknowledgement(value):
            if step is not Step.ACKNOWLEDGE:
                text = f"object={shown(form.written('object'))}: an event can be acknowledged, and nothing else"
                problems.error(
                    form.at("object"), "acknowledge", text, f"write it under acknowledge:, not {step.value}:"
                )
            continue
        link = known_link(form, links, link_forms, problems)
        if link is not None and not isinstance(link, ModbusTcpLink):
            _refuse_link(form, link, link_forms, problems)
            continue
        target = _written_table(form, problems)
        if not form.has("values") and not problems.is_cut_short:
            problems.error(
                form.origin, "missing", "write: values is missing", "add values: what to write, such as [code, 1]"
            )
        if link is None or target is None:
            continue
        address = _address(form, target, form.text(target), link, link_forms, problems)
        numbers = _numbers(form, _WRITTEN_TABLES[target], code, problems)
        if address is None or not numbers:
            continue
        if address.address + len(numbers) - 1 > ADDRESS_MAX:
            text = f"{target}={shown(form.written(target))}: {len(numbers)} values run beyond the last address"
            problems.error(form.at(target), "address-range", text, "")
            continue
        unit = form.get("unit", int)
        yield Write(
            link=link.name,
            unit=link.unit if unit is None else unit,
            table=address.table,
            address=address.address,
            values=numbers,
        )


def _numbers(form: Form, table: Table, code: int | None, problems: Problems) -> tuple[int, ...]:
    top = 1 if table is Table.COIL else 65535
    numbers = []
    for value in form.many("values"):
        written = str(value.means)
        if written in ("code", "{code}"):
            if code is None:
                report_no_code(value, f"values={shown(written)}", problems)
                return ()
            number = code
        elif written.isascii() and written.isdecimal() and len(written) <= 5:
            number = int(written)
        else:
            number = -1
        if not 0 <= number <= top:
            text = f"values={shown(written)}: expected a number from 0 to {top}, or the word code"
            problems.error(value.origin, "write-value", text, "")
            return ()
        numbers.append(number)
    if len(numbers) > WRITE_COUNT_MAX[table]:
        text = f"values={len(numbers)} of them: expected at most {WRITE_COUNT_MAX[table]} in one write"
        problems.error(form.at("values"), "write-count", text, "make two writes of it")
        return ()
    return tuple(numbers)
