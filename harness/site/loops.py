"""Current loops of a site file: the input that reads each, and how its rows become places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from harness.core.current_loop import objection
from harness.core.instants import NS_PER_S
from harness.core.links import BacnetLink, LinkSpec
from harness.core.places import BacnetPlace, CurrentLoop, ModbusPlace, OnWhen, ValueType
from harness.site.fields import LOOP_OWN_NAMES
from harness.site.forms import Form, Value
from harness.site.kinds import When
from harness.site.linking import family_of, kind_of, known_link
from harness.site.names import shown
from harness.site.placed import Placed
from harness.site.placing import modbus_point
from harness.site.problems import Problems
from harness.site.protocol_kinds import ObjectRef

PERSISTENCE_NS: Final = 4 * NS_PER_S
"""How long a failure current has to last before it counts (NAMUR NE 43, as given in trade literature)."""

_SPAN_MA: Final = 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A loop and the place at which it is read. ``link`` is the name of its link."""

    loop: CurrentLoop
    link: str
    place: ModbusPlace | BacnetPlace
    written: str


def build_loops(
    forms: Mapping[str, Form], links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> dict[str, Loop]:
    """The loops that could be read, by name."""
    loops = {}
    for name, form in forms.items():
        link = _link(form, links, link_forms, problems)
        if link is None:
            continue
        placed = _place(form, link, link_forms[link.name], problems)
        if placed is None or not isinstance(placed.place, ModbusPlace | BacnetPlace):
            continue
        loop = _current_loop(name, form, placed.place, problems)
        if loop is not None:
            loops[name] = Loop(loop=loop, link=link.name, place=placed.place, written=placed.written)
    return loops


def _link(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> LinkSpec | None:
    link = known_link(form, links, link_forms, problems)
    if link is not None and family_of(link) not in ("modbus", "bacnet"):
        text = f"link={link.name}: a {kind_of(link_forms[link.name])} link reads no analog input"
        problems.error(form.at("link"), "loop-link", text, "name a Modbus or BACnet link")
        return None
    return link


def _place(form: Form, link: LinkSpec, link_form: Form, problems: Problems) -> Placed | None:
    own, foreign = ("object", ("address", *_REGISTER)) if isinstance(link, BacnetLink) else ("address", ("object",))
    for name in foreign:
        if name in form.values:
            text = f"{name}={shown(form.written(name))}: an input on a {kind_of(link_form)} link has none"
            problems.error(form.at(name), "foreign-field", text, "delete it, or mend link:")
            return None
    if not form.has(own):
        if not problems.is_cut_short:
            text = f"loop {form.name}: {own} is missing"
            example = "analog-input 1" if own == "object" else "30001"
            problems.error(form.origin, "missing", text, f"add for example {own}: {example}")
        return None
    if isinstance(link, BacnetLink):
        return _object_place(form, link, problems)
    value_type = form.get("type", ValueType)
    if value_type in (ValueType.BIT, ValueType.BITS):
        text = f"type={value_type.value}: a current is read from a whole register"
        problems.error(form.at("type"), "type", text, "write u16, s16, u32, s32 or f32")
        return None
    if value_type is None and "type" not in form.broken:
        whole = Value(means=ValueType.U16, written="u16", origin=form.at("address"))
        form = replace(form, values={**form.values, "type": whole})
    return modbus_point(form, (), link, link_form, problems)  # type: ignore[arg-type] # only Modbus links come here


_REGISTER: Final = ("unit", "table", "type", "byte order", "word order")


def _object_place(form: Form, link: BacnetLink, problems: Problems) -> Placed | None:
    ref = form.get("object", ObjectRef)
    if ref is None:
        return None
    if ref.instance is None or not ref.object_type.value.startswith("analog"):
        text = f"object={shown(form.written('object'))}: expected the one analog object of this loop"
        problems.error(form.at("object"), "loop-object", text, "for example analog-input 1")
        return None
    written = f"{ref.object_type.value} {ref.instance}"
    place = BacnetPlace(object_type=ref.object_type, instance=ref.instance)
    return Placed(name=f"{link.name}:{written}", place=place, written=written, alarms=())


def _current_loop(name: str, form: Form, place: ModbusPlace | BacnetPlace, problems: Problems) -> CurrentLoop | None:
    raw = form.get("raw at 4 mA", float), form.get("raw at 20 mA", float)
    low, high = form.get("input from", float), form.get("input to", float)
    values = form.get("value at 4 mA", float), form.get("value at 20 mA", float)
    at_4, at_20 = 0.0 if values[0] is None else values[0], 100.0 if values[1] is None else values[1]
    resolution = form.get("resolution", float)
    if raw[0] is None or raw[1] is None or low is None or high is None or "resolution" in form.broken:
        return None
    if raw[0] == raw[1]:
        text = f"raw at 20 mA={raw[1]:g}: the same as at 4 mA, so nothing could be told"
        problems.error(form.at("raw at 20 mA"), "loop-scale", text, "write what the input reads at 20 mA")
        return None
    if at_4 == at_20:
        text = f"value at 20 mA={at_20:g}: the same as at 4 mA, so nothing could be told"
        problems.error(form.at("value at 20 mA"), "loop-scale", text, "write what 20 mA stands for")
        return None
    if not low < high:
        text = f"input to={high:g} mA: expected more than input from, which is {low:g} mA"
        problems.error(form.at("input to"), "loop-input", text, "write the range that the input can tell apart")
        return None
    if resolution is None:
        if isinstance(place, BacnetPlace) or place.value_type is ValueType.F32:
            if not problems.is_cut_short:
                text = f"loop {name}: resolution is missing, and a number with decimals does not tell it"
                problems.error(form.origin, "missing", text, "add the smallest step of the input, such as 0.006 mA")
            return None
        resolution = _SPAN_MA / abs(raw[1] - raw[0])
    persistence = form.get("persistence", int)
    return CurrentLoop(
        name=name,
        raw_at_4=raw[0],
        raw_at_20=raw[1],
        value_at_4=at_4,
        value_at_20=at_20,
        units=form.text("units") or "%",
        input_min_ma=low,
        input_max_ma=high,
        resolution_ma=resolution,
        accuracy_ma=form.get("accuracy", float) or 0.0,
        persistence_ns=PERSISTENCE_NS if persistence is None else persistence,
        damping_ns=form.get("damping", int),
        rest=form.get("at rest", tuple),
    )


def loop_point(row: Form, names: tuple[str, ...], loop: Loop, problems: Problems) -> Placed | None:
    """The place of one row at a loop; None where it could never tell on from off (problems say why)."""
    strange = [name for name in (*LOOP_OWN_NAMES, "scale", "offset", "part", "arrives by") if name in row.values]
    for name in strange:
        if name == "link" and row.text("link") == loop.link:
            continue
        text = f"{name}={shown(row.written(name))}: loop {loop.loop.name} says where and how it is read"
        problems.error(row.at(name), "foreign-field", text, "delete it, or delete loop")
        return None
    if not row.has("on when") or "on when" in row.broken:
        return None  # reported
    when = row.get("on when", When) or When(on_when=OnWhen.SET)
    why = objection(loop.loop, when.on_when, when.threshold)
    if why:
        problems.error(row.at("on when"), "loop", why)
        return None
    place = replace(loop.place, on_when=when.on_when, threshold=when.threshold, loop=loop.loop)
    name = f"{loop.link}:{loop.loop.name}{when.suffix}"
    return Placed(name=name, place=place, written=loop.written, alarms=names)
