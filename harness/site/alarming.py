"""Turns the alarms, side effects and writes of a site file into the model."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import LinkSpec
from harness.core.model import Acknowledgement, Alarm, AlarmClass, SideEffect, Step
from harness.core.places import Table
from harness.core.writing import AnyWrite, Write
from harness.site.acknowledging import acknowledgements_of, is_acknowledgement, report_no_code
from harness.site.addresses import ADDRESS_MAX
from harness.site.fields import STEP_NAMES
from harness.site.forms import Form, Value
from harness.site.names import shown
from harness.site.ordering import acknowledge_after_of
from harness.site.problems import Problems
from harness.site.property_writes import is_property_write, property_write_of
from harness.site.writable import WRITTEN_TABLES, address_of, written_link, written_table

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
        writes: dict[Step, tuple[AnyWrite, ...]] = {}
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
            acknowledge_after=acknowledge_after_of(form, stimulus, problems),
            hold_off_ns=form.get("hold off", int),
            raised_at_most_ns=form.get("raised at most", int),
            isolated_by=form.text("isolated by"),
            by_hand=form.text("by hand"),
            origin=form.origin,
        )
    if stimulus is not None and not any(form.has("code") for form in forms.values()):
        # The template is checked even where no alarm uses it yet.
        for step in (name for name in STEP_NAMES if stimulus.has(name)):
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
) -> Iterable[AnyWrite]:
    for value in values:
        form = value.means
        if not isinstance(form, Form):
            continue
        if is_acknowledgement(value):
            if step is not Step.ACKNOWLEDGE:
                text = f"object={shown(form.written('object'))}: an event can be acknowledged, and nothing else"
                remedy = f"write it under acknowledge:, not {step.value}:, or add property: and value: to write there"
                problems.error(form.at("object"), "acknowledge", text, remedy)
            continue
        if is_property_write(value):
            property_write = property_write_of(value, code, links, link_forms, problems)
            if property_write is not None:
                yield property_write
            continue
        write = _write(form, code, links, link_forms, problems)
        if write is not None:
            yield write


def _write(
    form: Form, code: int | None, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> Write | None:
    """A Modbus write."""
    link = written_link(form, links, link_forms, problems)
    if link is None and form.text("link"):
        return None
    target = written_table(form, problems)
    if not form.has("values") and not problems.is_cut_short:
        problems.error(
            form.origin, "missing", "write: values is missing", "add values: what to write, such as [code, 1]"
        )
    if link is None or target is None:
        return None
    address = address_of(form, target, form.text(target), link, link_forms, problems)
    numbers = _numbers(form, WRITTEN_TABLES[target], code, problems)
    if address is None or not numbers:
        return None
    if address.address + len(numbers) - 1 > ADDRESS_MAX:
        text = f"{target}={shown(form.written(target))}: {len(numbers)} values run beyond the last address"
        problems.error(form.at(target), "address-range", text, "")
        return None
    unit = form.get("unit", int)
    return Write(
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
