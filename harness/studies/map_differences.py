"""What differs between two point maps, in words, and what of it was likely only renamed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from typing import Any, Final

from harness.core.declared_times import DeclaredTimes
from harness.core.durations import bounds, duration
from harness.core.instants import Bounds
from harness.core.links import LinkSpec
from harness.core.model import Alarm, Expectation, Limits, Point, Site
from harness.core.wording import link_address
from harness.report.comparison import MapChange, MapDifference
from harness.site.describe import describe_point
from harness.site.draft_links import quoted
from harness.site.renames import Renames, following

_LOOSER_IF_MORE: Final = {"appears_within_ns": True, "gone_within_ns": True, "visible_for_ns": False, "dwell_ns": False}
"""Of limits: whether more of it demands less. Without one nothing is demanded."""
_PLAIN: Final = re.compile(r"[A-Za-z_][\w./>-]*(:[\w./>-]+)*", re.ASCII)
"""Names that YAML reads as they are, but for the words below."""
_LIMIT_WORDS: Final = {
    "appears_within_ns": "appears within",
    "visible_for_ns": "visible for",
    "gone_within_ns": "gone within",
    "dwell_ns": "dwell",
    "search_ns": "search",
    "settle_ns": "settle",
    "leak_ns": "shortest leak",
}
_ALARM_FIELDS: Final = (
    *("alarm_class", "priority", "text", "also_raises", "lasts_ns", "reference"),
    *("acknowledge_after", "writes", "acknowledgements"),
)


def map_differences(before: Site, after: Site, renames: Renames) -> tuple[MapDifference, ...]:
    """All differences, looser limits first, then by link, point, alarm and row. ``renames``: what has another name."""
    found = [
        *_links(before, after, renames),
        *_alarms(before, after, renames),
        *_points(before, after, renames),
        *_rows(before, after, renames),
    ]
    return tuple(sorted(found, key=lambda it: it.change is not MapChange.LOOSER))


def likely_renames(before: Site, after: Site, renames: Renames) -> tuple[str, ...]:
    """Names that are gone and new names for the same thing, as lines of a renames file; a person decides about them."""
    gone_links = [it for it in before.links if renames.link(it) not in after.links]
    new_links = [it for it in after.links if it not in {renames.link(name) for name in before.links}]
    links = _pairs(
        {it: link_address(before.links[it]) for it in gone_links},
        {it: link_address(after.links[it]) for it in new_links},
    )
    gone_alarms = [it for it in before.alarms if renames.alarm(it) not in after.alarms]
    new_alarms = [it for it in after.alarms if it not in {renames.alarm(name) for name in before.alarms}]
    alarms = _pairs(
        {it: before.alarms[it].text for it in gone_alarms if before.alarms[it].text},
        {it: after.alarms[it].text for it in new_alarms if after.alarms[it].text},
    )
    known = replace(renames, links={**renames.links, **links}, alarms={**renames.alarms, **alarms})
    known = following(known, before, after)  # those need no line of their own
    gone_points = [it for it in before.points if known.point(it) not in after.points]
    new_points = [it for it in after.points if it not in {known.point(name) for name in before.points}]
    points = _pairs(
        {it: (known.link(before.points[it].link), before.points[it].place) for it in gone_points},
        {it: (after.points[it].link, after.points[it].place) for it in new_points},
    )
    sections = (("alarms", alarms, "the same text"), ("points", points, "the same address"))
    return tuple(_yaml((("links", links, "the same address"), *sections)))


def _yaml(sections: Iterable[tuple[str, dict[str, str], str]]) -> Iterator[str]:
    """Lines of a file for ``--renames``, with why each is likely; in quotes what YAML would read otherwise."""
    for name, found, why in sections:
        if found:
            yield f"{name}:"
        for old, new in found.items():
            yield f"  {_scalar(old)}: {_scalar(new)}  # {why}"


def _scalar(name: str) -> str:
    return name if _PLAIN.fullmatch(name) else quoted(name)


def _pairs(old: dict[str, Any], new: dict[str, Any]) -> dict[str, str]:
    """Names with the same value, where it occurs once on either side."""
    olds, news = Counter(map(repr, old.values())), Counter(map(repr, new.values()))
    by_value = {repr(value): name for name, value in new.items()}
    return {
        name: by_value[repr(value)] for name, value in old.items() if olds[repr(value)] == 1 and news[repr(value)] == 1
    }


def _links(before: Site, after: Site, renames: Renames) -> Iterator[MapDifference]:
    for name, spec in before.links.items():
        new = renames.link(name)
        if new not in after.links:
            yield _only(MapChange.ONLY_BEFORE, f"link {name}", link_address(spec))
        else:
            yield from _spec(f"link {new}", spec, after.links[new])
            yield from _declared(f"link {new}", before.times_of(name), after.times_of(new))
            behind, now = before.behind.get(name, ""), after.behind.get(new, "")
            if (renames.link(behind) if behind else "") != now:
                yield _changed(f"link {new}", f"behind {_value('', behind)} -> {_value('', now)}")
    named = {renames.link(name) for name in before.links}
    for name, spec in after.links.items():
        if name not in named:
            yield _only(MapChange.ONLY_AFTER, f"link {name}", link_address(spec))


def _spec(what: str, before: LinkSpec, after: LinkSpec) -> Iterator[MapDifference]:
    if type(before) is not type(after):
        yield _changed(what, f"{link_address(before)} -> {link_address(after)}")
        return
    for name in (it.name for it in fields(before)):
        old, new = getattr(before, name), getattr(after, name)
        if name not in ("name", "origin") and old != new:
            yield _changed(what, f"{_words(name)} {_value(name, old)} -> {_value(name, new)}")


def _declared(what: str, before: DeclaredTimes, after: DeclaredTimes) -> Iterator[MapDifference]:
    for name in (it.name for it in fields(before)):
        old, new = getattr(before, name), getattr(after, name)
        if old != new:
            yield _changed(what, f"declared {_words(name)} {_value(name, old)} -> {_value(name, new)}")


def _alarms(before: Site, after: Site, renames: Renames) -> Iterator[MapDifference]:
    for name, alarm in before.alarms.items():
        new = renames.alarm(name)
        if new not in after.alarms:
            yield _only(MapChange.ONLY_BEFORE, f"alarm {name}", alarm.text)
            continue
        yield from _alarm(f"alarm {new}", alarm, after.alarms[new], renames)
    named = {renames.alarm(name) for name in before.alarms}
    for name, alarm in after.alarms.items():
        if name not in named:
            yield _only(MapChange.ONLY_AFTER, f"alarm {name}", alarm.text)


def _alarm(what: str, before: Alarm, after: Alarm, renames: Renames) -> Iterator[MapDifference]:
    for name in _ALARM_FIELDS:
        old, new = getattr(before, name), getattr(after, name)
        if name == "also_raises":
            old = tuple(renames.alarm(it) for it in old)
        elif name == "reference" and old is not None:
            old = renames.point(old)
        if old == new:
            continue
        if name in ("writes", "acknowledgements"):
            yield _changed(what, "it is raised, cleared or acknowledged by other writes")
        else:
            yield _changed(what, f"{_words(name)} {_value(name, old)} -> {_value(name, new)}")


def _points(before: Site, after: Site, renames: Renames) -> Iterator[MapDifference]:
    for name, point in before.points.items():
        new = renames.point(name)
        if new not in after.points:
            continue  # its rows are told
        other = after.points[new]
        if renames.link(point.link) != other.link or point.place != other.place:
            yield _changed(f"point {new}", f"{_described(point, before)} -> {_described(other, after)}")
        if point.hold != other.hold:
            yield _changed(f"point {new}", f"hold {_hold(point)} -> {_hold(other)}")


def _rows(before: Site, after: Site, renames: Renames) -> Iterator[MapDifference]:
    rows = {row.key: row for row in after.expectations}
    named = set()
    for row in before.expectations:
        key = renames.key(row.key)
        named.add(key)
        if key not in rows:
            yield _only(MapChange.ONLY_BEFORE, f"row {row.key}", row.behaviour.value)
            continue
        yield from _row(f"row {key}", row, rows[key])
    for key, row in rows.items():
        if key not in named:
            yield _only(MapChange.ONLY_AFTER, f"row {key}", row.behaviour.value)


def _row(what: str, before: Expectation, after: Expectation) -> Iterator[MapDifference]:
    for name in ("behaviour", "released_by"):
        old, new = getattr(before, name), getattr(after, name)
        if old is not new:
            yield _changed(what, f"{_words(name)} {old.value} -> {new.value}")
    for field in fields(Limits):
        old, new = getattr(before.limits, field.name), getattr(after.limits, field.name)
        if old != new:
            change = _how(field.name, old, new)
            text = f"{_LIMIT_WORDS[field.name]} {_value(field.name, old)} -> {_value(field.name, new)}"
            yield MapDifference(change=change, what=what, text=text)


def _how(name: str, old: int | None, new: int | None) -> MapChange:
    looser_if_more = _LOOSER_IF_MORE.get(name)
    if looser_if_more is None:
        return MapChange.CHANGED
    is_looser = new is None or (old is not None and (new > old) is looser_if_more)
    return MapChange.LOOSER if is_looser else MapChange.TIGHTER


def _only(change: MapChange, what: str, text: str) -> MapDifference:
    return MapDifference(change=change, what=what, text=text)


def _changed(what: str, text: str) -> MapDifference:
    return MapDifference(change=MapChange.CHANGED, what=what, text=text)


def _described(point: Point, site: Site) -> str:
    where, _, _ = describe_point(point, site).partition(", shortest on ")  # the hold has a line of its own
    return f"{point.link}, {where}"


def _hold(point: Point) -> str:
    return f"on {duration(point.hold.on_ns)}, off {duration(point.hold.off_ns)}"


def _words(name: str) -> str:
    return name.removesuffix("_ns").removesuffix("_s").replace("_", " ")


def _value(name: str, value: Any) -> str:
    if value is None or value in ((), ""):
        return "not set"
    if isinstance(value, Bounds):
        return bounds(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and name.endswith("_ns"):
        return duration(value)
    if isinstance(value, tuple):
        return ", ".join(str(getattr(it, "value", it)) for it in value)
    return str(getattr(value, "value", value))
