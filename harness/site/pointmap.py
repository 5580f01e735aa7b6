"""From the rows of a point map to points and expectations: patterns and classes are spread out over the alarms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

from harness.core.links import BacnetLink, LinkSpec, ModbusLink, MqttLink, PersonLink
from harness.core.model import Behaviour, Expectation, Point, Step
from harness.site.declaring import check_declared
from harness.site.fields import EVERY_POINT, LIMIT_NAMES, PLACE_NAMES, PLACE_NAMES_OF
from harness.site.forms import Form
from harness.site.linking import family_of, kind_of, known_link
from harness.site.loops import Loop, loop_point
from harness.site.names import did_you_mean, plain, shown
from harness.site.placed import Placed, RowAlarms
from harness.site.placing import modbus_point
from harness.site.placing_bacnet import bacnet_points
from harness.site.placing_messages import mqtt_points, person_points
from harness.site.placing_text import text_point
from harness.site.row_alarms import Context, alarms_of
from harness.site.row_limits import check_fields, check_search, hold_of, limits_of, merged_hold

_SAYS_WHERE: Final = ("loop", "address", "object", "topic", "sign", "raised")
"""The fields of a row whose line a point is known by, the first that is there."""


@dataclass(slots=True, kw_only=True)
class PointMap:
    """What the rows come to. ``asks``: how specially a row names its alarm (3 by name, 2 by pattern, 1 by class)."""

    points: dict[str, Point] = field(default_factory=dict)
    expectations: dict[str, Expectation] = field(default_factory=dict)
    asks: dict[str, int] = field(default_factory=dict)
    by_place: dict[tuple[str, object], str] = field(default_factory=dict)
    is_named: set[str] = field(default_factory=set)


def build_point_map(rows: Iterable[Form], context: Context) -> PointMap:
    """Points and expectations of all rows; rows for every point of a link come last, whatever their order."""
    result = PointMap()
    later: list[tuple[Form, tuple[str, ...], int]] = []
    unplaced: set[str] = set()
    for row in rows:
        names, asks = alarms_of(row, context)
        link_name, loop = _where(row, context)
        check_fields(row, context.problems)
        link = context.links.get(link_name)
        if plain(row.text("address")) in EVERY_POINT:
            later.append((row, names, asks))
        elif link is not None:
            found = tuple(_place(row, names, link, loop, context))
            unplaced |= set() if found else {link_name}
            for placed in found:
                check_declared(row, placed.place, context.problems)
                point = _add_point(placed, row, link_name, result, context)
                for name in placed.alarms if point is not None else ():
                    _add_expectation(name, point or "", row, asks, result, context)
    for row, names, asks in later:
        own = row.text("link")
        on_link = [point.name for point in result.points.values() if point.link == own]
        if not on_link and own in context.links and own not in unplaced:  # what hinders its rows was said
            text = f"address={shown(row.text('address'))}: no point of link {own} is mapped by another row"
            context.problems.error(row.at("address"), "every-point", text, "add rows for its points")
        for point_name in on_link:
            for name in names:
                _add_expectation(name, point_name, row, asks, result, context)
    return result


# --- which point ----------------------------------------------------------------------------------


def _where(row: Form, context: Context) -> tuple[str, Loop | None]:
    """The link of a row, its own or that of its loop, and its loop; '' where neither can be told (problems say why)."""
    problems, name = context.problems, row.text("loop")
    if not row.has("loop"):
        if not row.has("link") and not problems.is_cut_short:
            text = f"row {row.text('alarm')}: link is missing"
            problems.error(row.origin, "missing", text, "add link: the link of the point, or loop: a current loop")
        known_link(row, context.links, context.link_forms, problems)
        return row.text("link"), None
    if name and name not in context.loop_forms:
        remedy = did_you_mean(name, context.loop_forms, otherwise="define it under loops:")
        problems.error(row.at("loop"), "unknown-loop", f"loop={shown(name)}: no such loop", remedy)
    if not row.has("on when") and not problems.is_cut_short:
        text = f"row {row.text('alarm')}: on when is missing"
        remedy = f"add when {name} is on: above N, below N, failure high or failure low"
        problems.error(row.origin, "missing", text, remedy)
    loop = context.loops.get(name)
    return ("", None) if loop is None else (loop.link, loop)


def _place(row: Form, names: tuple[str, ...], link: LinkSpec, loop: Loop | None, context: Context) -> Iterable[Placed]:
    family, problems = family_of(link), context.problems
    link_form = context.link_forms[link.name]
    strange = [name for name in PLACE_NAMES if name in row.values and name not in PLACE_NAMES_OF[family]]
    for name in strange:
        kind = "text" if family == "text" else kind_of(link_form)
        found = f"{name}={shown(row.written(name))}: a point of a {kind} link has none"
        problems.error(row.at(name), "foreign-field", found, "delete it, or mend link=")
    if strange:
        return
    own = RowAlarms(names=names, alarms=context.alarms, forms=context.alarm_forms)
    placed: Placed | None = None
    if loop is not None:
        placed = loop_point(row, names, loop, problems)
    elif isinstance(link, ModbusLink):
        placed = modbus_point(row, names, link, link_form, problems)
    elif isinstance(link, BacnetLink):
        yield from bacnet_points(row, link, own, problems)
    elif isinstance(link, MqttLink):
        yield from mqtt_points(row, link, own, problems)
    elif isinstance(link, PersonLink):
        yield from person_points(row, link, own, problems)
    else:
        yield from text_point(row, link_form, own, problems)
    if placed is not None:
        yield placed


def _add_point(placed: Placed, row: Form, link_name: str, result: PointMap, context: Context) -> str | None:
    """Add a point, or find the one that is there already. Returns its name, None where the row contradicts another."""
    hold = hold_of(row, context.link_forms[link_name], context.defaults)
    by_place = (link_name, placed.place)
    given = row.text("point")
    known = result.by_place.get(by_place)
    name = given or known or placed.name
    same_name = result.points.get(name)
    if same_name is not None and (same_name.link, same_name.place) != by_place:
        at = row.at("point")
        found = f"point={shown(name)}: this is another place than at {same_name.origin}"
        context.problems.error(at, "point-name", found, "give one of the two another name in point")
        return None
    if known is not None and given and known != given:
        if known in result.is_named:
            found = f"point={shown(given)}: the same place is called {known} at {result.points[known].origin}"
            context.problems.error(row.at("point"), "point-name", found, "call it the same in both rows")
            return None
        _rename(known, given, result)
    before = result.points.get(name)
    if given:
        result.is_named.add(name)
    origin = row.at(next((field for field in _SAYS_WHERE if row.has(field)), ""))
    if before is None:
        point = Point(name=name, link=link_name, place=placed.place, hold=hold, written=placed.written, origin=origin)
        result.points[name] = point
    elif row.has("shortest on") or row.has("shortest off"):
        result.points[name] = replace(before, hold=merged_hold(before, hold, row, context.problems))
    result.by_place[by_place] = name
    return name


def _rename(old: str, new: str, result: PointMap) -> None:
    """A later row gives the point a name of its own; earlier rows take it over."""
    result.points = {
        (new if name == old else name): (replace(point, name=new) if name == old else point)
        for name, point in result.points.items()
    }
    for key, row in list(result.expectations.items()):
        if row.point == old:
            renamed = replace(row, point=new, key=f"{row.alarm}@{new}")
            result.expectations = {
                (renamed.key if k == key else k): (renamed if k == key else r) for k, r in result.expectations.items()
            }
            result.asks[renamed.key] = result.asks.pop(key)


# --- what is expected -----------------------------------------------------------------------------


def _add_expectation(alarm: str, point: str, row: Form, asks: int, result: PointMap, context: Context) -> None:
    behaviour = row.get("behaviour", Behaviour)
    if behaviour is None or row.broken & set(LIMIT_NAMES):
        return
    link = context.links[result.points[point].link]
    limits = limits_of(row, context.defaults, behaviour, link)
    key = f"{alarm}@{point}"
    new = Expectation(
        key=key,
        alarm=alarm,
        point=point,
        behaviour=behaviour,
        limits=limits,
        released_by=row.get("released by", Step) or Step.ACKNOWLEDGE,
        time_delay_ns=row.get("time delay", int),
        time_delay_normal_ns=row.get("time delay normal", int),
        driven_to=row.get("driven to", float),
        origin=row.at("alarm"),
    )
    before = result.expectations.get(key)
    if before is not None:
        before_asks = result.asks[key]
        if before.behaviour is not behaviour or before.released_by is not new.released_by:
            found = f"behaviour={behaviour.value}: {alarm} at {point} is {before.behaviour.value} at {before.origin}"
            context.problems.error(
                row.at("behaviour"), "contradiction", found, "both cannot hold; delete one of the two"
            )
            return
        if before_asks == asks:
            found = f"alarm={alarm}: the row for {alarm} at {point} is already at {before.origin}"
            context.problems.error(row.at("alarm"), "duplicate-row", found, "delete one of the two")
            return
        if before_asks > asks:
            return
    result.expectations[key] = new
    result.asks[key] = asks
    check_search(row, limits, context.defaults, context.problems)
