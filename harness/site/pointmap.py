"""From the rows of a point map to points and expectations: patterns and classes are spread out over the alarms."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from harness.core.errors import Origin
from harness.core.links import LinkSpec, ModbusTcpLink
from harness.core.model import (
    LEAK_DEFAULT_NS,
    SEARCH_DEFAULT_NS,
    SETTLE_DEFAULT_NS,
    Alarm,
    AlarmClass,
    Behaviour,
    Expectation,
    Hold,
    Limits,
    Point,
    Step,
)
from harness.site.alarming import known_link
from harness.site.durations import write_duration
from harness.site.fields import EVERY_POINT, LIMIT_NAMES, MODBUS_ROW_NAMES, TEXT_ROW_NAMES
from harness.site.forms import Form
from harness.site.names import did_you_mean, plain, shown
from harness.site.placing import Placed, modbus_point, text_point
from harness.site.problems import Problems

_LOUD_ONLY = ("appears within", "visible for", "dwell")


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """All that a row may refer to. ``declared``: names of links, also of those that could not be read."""

    links: Mapping[str, LinkSpec]
    link_forms: Mapping[str, Form]
    alarms: Mapping[str, Alarm]
    alarm_forms: Mapping[str, Form]
    defaults: Form | None
    problems: Problems

    called: Mapping[str, tuple[str, ...]]
    """Alarms by their texts and tags, spelt plainly (see ``names.plain``)."""

    @property
    def declared(self) -> tuple[str, ...]:
        """The names of all links of the site file."""
        return tuple(self.link_forms)


@dataclass(slots=True, kw_only=True)
class PointMap:
    """What the rows come to. ``asks``: how specially a row names its alarm (3 by name, 2 by pattern, 1 by class)."""

    points: dict[str, Point] = field(default_factory=dict)
    expectations: dict[str, Expectation] = field(default_factory=dict)
    asks: dict[str, int] = field(default_factory=dict)
    by_place: dict[tuple[str, object], str] = field(default_factory=dict)
    is_named: set[str] = field(default_factory=set)


def names_by_call(alarm_forms: Mapping[str, Form]) -> Mapping[str, tuple[str, ...]]:
    """Names of alarms by what else they are called: their texts and tags."""
    called: dict[str, tuple[str, ...]] = {}
    for name, form in alarm_forms.items():
        for call in {plain(form.text("text")), *(plain(str(tag.means)) for tag in form.many("tags"))} - {""}:
            called[call] = (*called.get(call, ()), name)
    return called


def build_point_map(rows: Iterable[Form], context: Context) -> PointMap:
    """Points and expectations of all rows; rows for every point of a link come last, whatever their order."""
    result = PointMap()
    later: list[tuple[Form, tuple[str, ...], int]] = []
    for row in rows:
        names, asks = _alarms_of(row, context)
        link = known_link(row, context.links, context.link_forms, context.problems)
        _check_fields(row, context.problems)
        if plain(row.text("address")) in EVERY_POINT:
            later.append((row, names, asks))
        elif link is not None:
            for placed in _place(row, names, link, context):
                point = _add_point(placed, row, result, context)
                for name in placed.alarms if point is not None else ():
                    _add_expectation(name, point or "", row, asks, result, context)
    for row, names, asks in later:
        own = row.text("link")
        on_link = [point.name for point in result.points.values() if point.link == own]
        if not on_link and own in context.links:
            found = f"address={shown(row.text('address'))}: no point of link {own} is mapped by another row"
            context.problems.error(row.at("address"), "every-point", found, "add rows for its points")
        for point_name in on_link:
            for name in names:
                _add_expectation(name, point_name, row, asks, result, context)
    return result


# --- which alarms ---------------------------------------------------------------------------------


def _alarms_of(row: Form, context: Context) -> tuple[tuple[str, ...], int]:
    """The alarms that a row is for, and how specially it names them."""
    wanted = row.text("alarm")
    if not wanted:
        return (), 0
    alarms = context.alarms
    if wanted in alarms:
        return (wanted,), 3
    if plain(wanted).startswith("class:"):
        return _of_class(row, wanted.split(":", 1)[1].strip(), context), 1
    called = context.called.get(plain(wanted), ())
    if len(called) == 1:
        return (called[0],), 3
    if called:
        found = f"alarm={shown(wanted)}: this is the text or tag of {', '.join(called)}"
        context.problems.error(row.at("alarm"), "ambiguous-alarm", found, "write the alarm's name")
        return (), 0
    if any(sign in wanted for sign in "*?["):
        matched = tuple(name for name in alarms if fnmatch.fnmatchcase(name, wanted))
        if not matched:
            context.problems.error(row.at("alarm"), "unknown-alarm", f"alarm={shown(wanted)}: matches no alarm",
                                   did_you_mean(wanted.strip("*?"), alarms))  # fmt: skip
        return matched, 2
    if context.problems.is_full:
        return (), 0
    known = [*alarms, *(form.text("text") for form in context.alarm_forms.values() if form.text("text"))]
    context.problems.error(row.at("alarm"), "unknown-alarm", f"alarm={shown(wanted)}: no such alarm",
                           did_you_mean(wanted, known, otherwise="add it under alarms:"))  # fmt: skip
    return (), 0


def _of_class(row: Form, word: str, context: Context) -> tuple[str, ...]:
    words = [member.value for member in AlarmClass]
    if word not in words:
        found = f"alarm={shown(row.text('alarm'))}: expected class:alarm, class:warning or class:fault"
        known = [f"class:{known}" for known in words]
        context.problems.error(row.at("alarm"), "unknown-class", found, did_you_mean(f"class:{word}", known))
        return ()
    names = tuple(name for name, alarm in context.alarms.items() if alarm.alarm_class.value == word)
    if not names:
        found = f"alarm={shown(row.text('alarm'))}: no alarm has this class"
        context.problems.warning(row.at("alarm"), "empty-class", found, "delete the row, or set class: of its alarms")
    return names


# --- which point ----------------------------------------------------------------------------------


def _check_fields(row: Form, problems: Problems) -> None:
    behaviour = row.get("behaviour", Behaviour)
    if behaviour is None:
        return
    unfit: tuple[str, ...] = ()
    if behaviour is Behaviour.QUIET:
        unfit = _LOUD_ONLY
    elif behaviour is Behaviour.PULSE:
        unfit = ("dwell", "shortest leak")
    else:
        unfit = ("shortest leak",)
    if behaviour is not Behaviour.LATCHED:
        unfit = (*unfit, "released by")
    for name in unfit:
        if row.has(name) and name in row.values:
            found = f"{name}={shown(row.written(name))}: says nothing about behaviour={behaviour.value}"
            problems.error(row.at(name), "unfit-limit", found, "delete it, or mend the behaviour")


def _place(row: Form, names: tuple[str, ...], link: LinkSpec, context: Context) -> Iterable[Placed]:
    foreign = TEXT_ROW_NAMES if isinstance(link, ModbusTcpLink) else MODBUS_ROW_NAMES
    strange = [name for name in foreign if name in row.values]
    for name in strange:
        kind = "modbus-tcp" if isinstance(link, ModbusTcpLink) else "text"
        found = f"{name}={shown(row.written(name))}: a point of a {kind} link has none"
        context.problems.error(row.at(name), "foreign-field", found, "delete it, or mend link=")
    if strange:
        return
    link_form = context.link_forms[link.name]
    if isinstance(link, ModbusTcpLink):
        placed = modbus_point(row, names, link, link_form, context.problems)
        if placed is not None:
            yield placed
    else:
        yield from text_point(row, names, link_form, context.alarms, context.alarm_forms, context.problems)


def hold_of(row: Form, link_form: Form, defaults: Form | None) -> Hold:
    found: dict[str, int | None] = {}
    for name in ("shortest on", "shortest off"):
        sources = [row, link_form] if defaults is None else [row, link_form, defaults]
        found[name] = next((value for s in sources if (value := s.get(name, int)) is not None), None)
    on_ns, off_ns = found["shortest on"], found["shortest off"]
    assumed = Hold()
    return Hold(
        on_ns=assumed.on_ns if on_ns is None else on_ns,
        off_ns=assumed.off_ns if off_ns is None else off_ns,
        on_declared=on_ns is not None,
        off_declared=off_ns is not None,
    )


def _add_point(placed: Placed, row: Form, result: PointMap, context: Context) -> str | None:
    """Add a point, or find the one that is there already. Returns its name, None where the row contradicts another."""
    link_name = row.text("link")
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
    origin = row.at("address") if row.has("address") else row.at("raised") if row.has("raised") else row.origin
    if before is None:
        point = Point(name=name, link=link_name, place=placed.place, hold=hold, written=placed.written, origin=origin)
        result.points[name] = point
    elif row.has("shortest on") or row.has("shortest off"):
        result.points[name] = replace(before, hold=_merged_hold(before, hold, row, context.problems))
    result.by_place[by_place] = name
    return name


def _merged_hold(before: Point, hold: Hold, row: Form, problems: Problems) -> Hold:
    """The hold of a point that several rows speak of: the shorter, for that rules out less."""
    if before.hold.on_declared and before.hold != hold:
        text = f"shortest on/off of {before.name}: {write_duration(hold.on_ns)}/{write_duration(hold.off_ns)} here, "
        text += f"{write_duration(before.hold.on_ns)}/{write_duration(before.hold.off_ns)} at {before.origin}"
        problems.warning(row.origin, "hold-differs", text, "the shorter of the two is used; write the same in both")
    on = (before.hold, hold) if before.hold.on_declared == hold.on_declared else (hold,)
    off = (before.hold, hold) if before.hold.off_declared == hold.off_declared else (hold,)
    return Hold(
        on_ns=min(h.on_ns for h in on),
        off_ns=min(h.off_ns for h in off),
        on_declared=hold.on_declared or before.hold.on_declared,
        off_declared=hold.off_declared or before.hold.off_declared,
    )


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


def _limit(name: str, row: Form, defaults: Form | None) -> int | None:
    found = row.get(name, int)
    return found if found is not None or defaults is None else defaults.get(name, int)


def limits_of(row: Form, defaults: Form | None, behaviour: Behaviour) -> Limits:
    """The limits of a row: its own, else the site's defaults, else farend's."""
    found = {name: _limit(name, row, defaults) for name in LIMIT_NAMES}
    quiet = behaviour is Behaviour.QUIET
    appears = None if quiet else found["appears within"]
    search = found["search"]
    settle, leak = found["settle"], found["shortest leak"]
    return Limits(
        appears_within_ns=appears,
        visible_for_ns=None if quiet else found["visible for"],
        gone_within_ns=found["gone within"],
        dwell_ns=0 if quiet or behaviour is Behaviour.PULSE else found["dwell"] or 0,
        search_ns=max(SEARCH_DEFAULT_NS, appears or 0) if search is None else search,
        settle_ns=SETTLE_DEFAULT_NS if settle is None else settle,
        leak_ns=LEAK_DEFAULT_NS if leak is None else leak,
    )


def _add_expectation(alarm: str, point: str, row: Form, asks: int, result: PointMap, context: Context) -> None:
    behaviour = row.get("behaviour", Behaviour)
    if behaviour is None or row.broken & set(LIMIT_NAMES):
        return
    limits = limits_of(row, context.defaults, behaviour)
    key = f"{alarm}@{point}"
    new = Expectation(
        key=key,
        alarm=alarm,
        point=point,
        behaviour=behaviour,
        limits=limits,
        released_by=row.get("released by", Step) or Step.ACKNOWLEDGE,
        origin=_row_origin(row),
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
    _check_search(row, limits, context)


def _row_origin(row: Form) -> Origin:
    return row.at("alarm")


def _check_search(row: Form, limits: Limits, context: Context) -> None:
    if limits.appears_within_ns is not None and limits.search_ns < limits.appears_within_ns:
        name = "search" if row.has("search") or not row.has("appears within") else "appears within"
        source = row if row.has(name) or context.defaults is None else context.defaults
        found = f"{name}={write_duration(limits.search_ns if name == 'search' else limits.appears_within_ns)}"
        text = f"{found}: expected search of at least appears within"
        remedy = f"set search to {write_duration(limits.appears_within_ns)} or more"
        context.problems.error(source.at(name), "search", text, remedy)
