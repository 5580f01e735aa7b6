"""Reference points of alarms: a point by its name, or a place by link and address that no row need map."""

from __future__ import annotations

from dataclasses import replace

from harness.core.links import BacnetLink, ModbusLink
from harness.core.model import Alarm, Point
from harness.site.fields import ROW
from harness.site.forms import Form, read_entries
from harness.site.names import did_you_mean, shown
from harness.site.placed import RowAlarms
from harness.site.placing import modbus_point
from harness.site.placing_bacnet import bacnet_points
from harness.site.pointmap import PointMap
from harness.site.row_alarms import Context
from harness.site.row_files import OnlyValues
from harness.site.row_limits import hold_of
from harness.site.yaml_nodes import Scalar


def with_reference(alarm: Alarm, point_map: PointMap, context: Context) -> Alarm:
    """The alarm with its reference resolved to a point's name; a place that no row maps becomes a point."""
    form = context.alarm_forms[alarm.name]
    if alarm.reference is None or alarm.reference in point_map.points:
        return alarm
    name = _reference_point(alarm.reference, form, point_map, context)
    return replace(alarm, reference=name)


def _reference_point(written: str, form: Form, point_map: PointMap, context: Context) -> str | None:
    origin, problems = form.at("reference"), context.problems
    link_name, colon, number = written.partition(":")
    link = context.links.get(link_name)
    if link is None or not colon:
        if link_name in context.declared and colon:
            return None  # the link itself was reported
        names = [*point_map.points, *(f"{name}:{number}" for name in context.declared if colon)]
        problems.error(origin, "unknown-point", f"reference={shown(written)}: no such point",
                       did_you_mean(written, names, otherwise="write link:address, such as panel:10001"))  # fmt: skip
        return None
    if not isinstance(link, ModbusLink | BacnetLink):
        problems.error(origin, "unknown-point", f"reference={shown(written)}: no point of this name on {link_name}",
                       did_you_mean(written, point_map.points, otherwise="map it as a point first"))  # fmt: skip
        return None
    entries = {"link": link_name, "object" if isinstance(link, BacnetLink) else "address": number}
    nodes = {name: (origin, Scalar(text=text, origin=origin)) for name, text in entries.items()}
    row = read_entries(ROW, nodes, origin, OnlyValues(problems))
    return _reference_on(row, link, point_map, context)


def _reference_on(row: Form, link: ModbusLink | BacnetLink, point_map: PointMap, context: Context) -> str | None:
    link_form = context.link_forms[link.name]
    if isinstance(link, BacnetLink):
        nobody = RowAlarms(names=(), alarms=context.alarms, forms=context.alarm_forms)
        placed = next(iter(bacnet_points(row, link, nobody, context.problems)), None)
    else:
        placed = modbus_point(row, (), link, link_form, context.problems)
    if placed is None:
        return None
    known = point_map.by_place.get((link.name, placed.place))
    if known is not None:
        return known
    point_map.points[placed.name] = Point(
        name=placed.name,
        link=link.name,
        place=placed.place,
        hold=hold_of(row, link_form, context.defaults),
        written=placed.written,
        origin=row.origin,
    )
    point_map.by_place[link.name, placed.place] = placed.name
    return placed.name
