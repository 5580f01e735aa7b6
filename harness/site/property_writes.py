"""Writes to properties of BACnet objects: what a line of a step says, and what may be written at all.

Which property takes which value: ASHRAE 135, clause 12, for each object type; priorities: 19.2 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.core.links import BacnetLink, LinkSpec
from harness.core.places import ObjectType
from harness.core.writing import (
    ANALOG_TYPES,
    COMMANDABLE_TYPES,
    INPUT_TYPES,
    MULTI_STATE_TYPES,
    ObjectProperty,
    PropertyWrite,
    WritableProperty,
)
from harness.site.acknowledging import report_no_code
from harness.site.forms import Form, Value
from harness.site.kinds import number
from harness.site.linking import kind_of, known_link
from harness.site.names import shown
from harness.site.problems import Mismatch, Problems
from harness.site.protocol_kinds import ObjectRef, ObjectSpan

RELINQUISH: Final = ("relinquish", "null")
_BINARY: Final = {"active": 1.0, "inactive": 0.0}
_YES_NO: Final = {"yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0}
_STATES_MAX: Final = 65_535
_FOREIGN: Final = ("unit", "coil", "holding register", "values")


def is_property_write(value: Value) -> bool:
    """True for a line of a step that writes a property."""
    form = value.means
    return isinstance(form, Form) and any(form.has(name) for name in ("property", "value", "priority"))


def property_write_of(
    line: Value,
    code: int | None,
    links: Mapping[str, LinkSpec],
    link_forms: Mapping[str, Form],
    problems: Problems,
) -> PropertyWrite | None:
    """What a line of a step writes; ``code`` is the alarm's own, None where it has none."""
    form = line.means
    if not isinstance(form, Form):
        return None
    link = _bacnet_link(form, links, link_forms, problems)
    missing = next((name for name in ("object", "property", "value") if not form.has(name)), "")
    if missing and not problems.is_cut_short:
        text = f"write: {missing} is missing"
        example = {"object": "binary-value 7", "property": "present-value", "value": "active"}[missing]
        problems.error(form.origin, "missing", text, f"add for example {missing}: {example}")
        return None
    ref, prop = form.get("object", ObjectRef), form.get("property", ObjectProperty)
    if ref is None or prop is None or link is None or not form.text("value"):
        return None
    if not _fits(form, ref.object_type, prop, problems):
        return None
    instance = code if ref.instance is None else ref.instance
    if instance is None:
        report_no_code(line, f"object={shown(form.written('object'))}", problems)
        return None
    priority = form.get("priority", int)
    written = form.text("value").lower()
    value: float | None = None
    if written not in RELINQUISH:
        if written in ("code", "{code}") and code is None:
            report_no_code(line, f"value={shown(written)}", problems)
            return None
        try:
            value = float(code or 0) if written in ("code", "{code}") else _value(written, ref.object_type, prop)
        except Mismatch as mismatch:
            problems.mismatch(form.at("value"), "value", form.written("value"), mismatch)
            return None
    elif priority is None:
        text = f"value={shown(form.written('value'))}: a command is relinquished at its own priority"
        problems.error(form.at("value"), "priority-missing", text, "add priority: and the one that it was written at")
        return None
    return PropertyWrite(
        link=link.name,
        object_type=ref.object_type,
        instance=instance,
        property=prop,
        value=value,
        priority=priority,
    )


def writable_property_of(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> WritableProperty | None:
    """One line under ``writable`` that names a property; without what every line may say."""
    link = _bacnet_link(form, links, link_forms, problems)
    missing = next((name for name in ("object", "property") if not form.has(name)), "")
    if missing and not problems.is_cut_short:
        text = f"writable: {missing} is missing: what may be written is one property of named objects"
        problems.error(form.origin, "missing", text, "write for example object: binary-value 7, property: "
                       "present-value, priority: 8")  # fmt: skip
        return None
    span, prop = form.get("object", ObjectSpan), form.get("property", ObjectProperty)
    if span is None or prop is None or link is None or not _fits(form, span.object_type, prop, problems):
        return None
    return WritableProperty(
        link=link.name,
        object_type=span.object_type,
        instance=span.instance,
        count=span.count,
        property=prop,
        priority=form.get("priority", int),
        origin=form.origin,
    )


def _bacnet_link(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> BacnetLink | None:
    link = known_link(form, links, link_forms, problems)
    if link is not None and not isinstance(link, BacnetLink):
        name = next(name for name in ("property", "value", "priority", "object") if form.has(name))
        text = f"{name}={shown(form.written(name))}: a {kind_of(link_forms[link.name])} link has no properties"
        problems.error(form.at(name), "property-link", text, "name a bacnet link")
        return None
    strange = next((name for name in _FOREIGN if form.has(name)), "")
    if strange:
        text = f"{strange}={shown(form.written(strange))}: a property is written to an object, which has no address"
        problems.error(form.at(strange), "property-address", text, "delete it, or make two lines of it")
        return None
    return link


def _fits(form: Form, object_type: ObjectType, prop: ObjectProperty, problems: Problems) -> bool:
    """Whether objects of a type have the property, and commands of it a priority."""
    is_limit = prop in (ObjectProperty.HIGH_LIMIT, ObjectProperty.LOW_LIMIT)
    if is_limit and object_type not in ANALOG_TYPES:
        text = f"property={prop.value}: objects of type {object_type.value} have no limits"
        problems.error(form.at("property"), "property", text, "write present-value or out-of-service")
        return False
    if form.has("priority"):
        if prop is not ObjectProperty.PRESENT_VALUE:
            text = f"priority={form.written('priority')}: commands of present-value have one, {prop.value} has none"
            problems.error(form.at("priority"), "priority", text, "delete it")
            return False
        if object_type in INPUT_TYPES:
            text = f"priority={form.written('priority')}: an input has no priorities"
            remedy = "delete it; an input takes a value while it is out of service: write out-of-service: yes first"
            problems.error(form.at("priority"), "priority", text, remedy)
            return False
    elif prop is ObjectProperty.PRESENT_VALUE and object_type in COMMANDABLE_TYPES and not problems.is_cut_short:
        text = f"object={shown(form.written('object'))}: an output takes commands at a priority, and none is said"
        problems.error(form.at("object"), "priority-missing", text, "add priority: 8, or what the site agreed on")
        return False
    return "priority" not in form.broken


def _value(written: str, object_type: ObjectType, prop: ObjectProperty) -> float:
    if prop is ObjectProperty.OUT_OF_SERVICE:
        return _word(written, _YES_NO, "yes or no")
    if prop is ObjectProperty.PRESENT_VALUE and object_type in MULTI_STATE_TYPES:
        if not (written.isascii() and written.isdecimal() and 1 <= int(written) <= _STATES_MAX):
            raise Mismatch("expected the number of a state, from 1", "", code="write-value")
        return float(written)
    if prop is ObjectProperty.PRESENT_VALUE and object_type not in ANALOG_TYPES:
        return _word(written, _BINARY, "active, inactive or relinquish")
    return float(str(number().read(written)))


def _word(written: str, words: Mapping[str, float], expected: str) -> float:
    if written not in words:
        raise Mismatch(f"expected {expected}", "", code="write-value")
    return words[written]
