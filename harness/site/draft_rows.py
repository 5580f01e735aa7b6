"""Rows of a point map from what was seen while watching: one for each place that changed, and each kind of line."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final, Protocol

from harness.core.links import LinkSpec, ModbusLink, MqttLink, TextLink
from harness.core.model import Point
from harness.core.places import BacnetPlace, ModbusPlace, MqttPlace, OnWhen, PersonPlace
from harness.site.addresses import Address, write_address
from harness.site.names import plain
from harness.site.placeholders import pointer_token

LINES_MAX: Final = 500
"""More different printed lines, or topics, than this are no alarm list any more."""

LINE_MAX: Final = 200
"""Longer lines are left out: nobody can edit their patterns."""

COLUMNS: Final = ("alarm", "link", "address", "unit", "type", "object", "part", "arrives by", "topic", "pointer",
                  "pattern", "on values", "off values", "sign", "label", "on when", "behaviour", "raised",
                  "note")  # fmt: skip

Row = Mapping[str, str]


class Seen(Protocol):
    """One change that was seen: ``was`` is '' for the first value, which is a state; a printed line is in ``now``."""

    @property
    def link(self) -> str: ...

    @property
    def place(self) -> str: ...

    @property
    def was(self) -> str: ...

    @property
    def now(self) -> str: ...


def rows_of_seen(
    links: Sequence[LinkSpec], points: Sequence[Point], seen: Sequence[Seen]
) -> tuple[list[Row], list[str]]:
    """The rows, and the names of the alarms that they make up, one for each place that changed."""
    by_name = {link.name: link for link in links}
    changed = Counter((change.link, change.place) for change in seen if change.was)
    first = {(change.link, change.place): change.now for change in reversed(seen) if not change.was}
    rows: list[Row] = []
    alarms: list[str] = []
    known: set[tuple[str, str]] = set()
    for point in points:
        link = by_name.get(point.link)
        row = None if link is None else _point_row(point, link, first.get((point.link, point.name), ""))
        if row is None:
            continue
        known.add((point.link, point.name))
        name = _free(_word(f"at-{point.link}-{_short(point)}"), alarms)
        count = changed[point.link, point.name]
        if count:
            alarms.append(name)
            note = f"seen to change {count} times; first read as {first.get((point.link, point.name), 'unknown')}"
            rows.append({"alarm": name, **row, "note": note})
        else:
            rows.append({"alarm": f"# {name}", **row, "note": "did not change"})
    for link in links:
        own = [change for change in seen if change.link == link.name]
        if isinstance(link, TextLink):
            rows += _line_rows(link, [change.now for change in own], alarms)
        elif isinstance(link, MqttLink):
            rows += _topic_rows(link, [change for change in own if (link.name, change.place) not in known], alarms)
    return rows, alarms


def _short(point: Point) -> str:
    return (point.written or point.name).removeprefix(f"{point.link}:")


# --- places that are known ------------------------------------------------------------------------


def _point_row(point: Point, link: LinkSpec, at_first: str) -> dict[str, str] | None:
    """The fields that say where a point is, and when it is on; None for what is found by its lines or topics."""
    place = point.place
    row = {"link": link.name, "behaviour": "follows"}
    match place:
        case ModbusPlace() if isinstance(link, ModbusLink):
            return row | _modbus_row(link, place, at_first)
        case BacnetPlace():
            return row | _object_row(place)
        case MqttPlace() if place.pointer is not None or place.on_values or place.off_values:
            return row | _topic_row(place)
        case PersonPlace():
            return row | {"sign": place.sign.value, "label": place.label}
    return None


def _modbus_row(link: ModbusLink, place: ModbusPlace, at_first: str) -> dict[str, str]:
    bit = None if place.table.is_bits or place.value_type.value != "bit" else place.bit
    address = write_address(Address(table=place.table, address=place.address, bit=bit), link.numbering)
    is_whole = not place.table.is_bits and bit is None
    on_when = "set"
    if is_whole and re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", at_first):
        on_when = f"above {at_first}"
    return {
        "address": address,
        "unit": "" if place.unit == link.unit else str(place.unit),
        "type": place.value_type.value if is_whole else "",
        "on when": on_when,
    }


def _object_row(place: BacnetPlace) -> dict[str, str]:
    threshold = "" if place.threshold is None else f" {place.threshold:g}"
    plain_set = place.on_when is OnWhen.SET
    return {
        "object": f"{place.object_type.value} {place.instance}",
        "part": place.part.value,
        "arrives by": place.arrives.value,
        "on when": "" if plain_set else f"{place.on_when.value.replace('-', ' ')}{threshold}",
    }


def _topic_row(place: MqttPlace) -> dict[str, str]:
    return {
        "topic": place.topic,
        "pointer": place.pointer or "",
        "pattern": place.pattern or "",
        "on values": ", ".join(place.on_values),
        "off values": ", ".join(place.off_values),
    }


# --- topics and lines that were found -------------------------------------------------------------


def _topic_rows(link: MqttLink, changes: Sequence[Seen], alarms: list[str]) -> Iterator[Row]:
    """One row for each topic whose payload changed: by the first true or false in it, else by the whole payload."""
    payloads: dict[str, list[str]] = {}
    for change in changes:
        payloads.setdefault(change.place, []).append(change.now)
    for topic, found in sorted(payloads.items())[:LINES_MAX]:
        if len(set(found)) < 2 or not topic.isprintable():
            continue
        fields = _told_apart(found)
        name = _free(_word(topic), alarms)
        note = f"seen to change {len(found) - 1} times; first read as {found[0]}"
        row = {"link": link.name, "topic": topic, "behaviour": "follows", **fields, "note": note}
        if fields:
            alarms.append(name)
            yield {"alarm": name, **row}
        else:
            yield {"alarm": f"# {name}", **row, "note": f"{note}; say where the value is with pointer or pattern"}


def _told_apart(payloads: Sequence[str]) -> dict[str, str]:
    """What tells on from off in these payloads; {} where nobody can say."""
    values = [_parsed(payload) for payload in payloads]
    objects = [value for value in values if isinstance(value, dict)]
    if len(objects) == len(values):
        for name in objects[0]:
            told = [it.get(name) for it in objects]
            if all(isinstance(it, bool) for it in told) and len(set(told)) == 2:
                return {"pointer": f"/{pointer_token(name)}", "on values": "true", "off values": "false"}
        return {}
    words = list(dict.fromkeys(payloads))
    if len(words) == 2 and not any("," in word or len(word) > LINE_MAX or not word.isprintable() for word in words):
        return {"on values": words[1], "off values": words[0]}
    return {}


def _parsed(payload: str) -> object:
    try:
        return json.loads(payload)
    except (ValueError, RecursionError):
        return None


def _line_rows(link: TextLink, lines: Iterable[str], alarms: list[str]) -> Iterable[Row]:
    """One row for each kind of line: its numbers left open, the rest taken literally."""
    kinds = Counter(_pattern(line) for line in lines if _is_usable(line))
    for pattern, count in sorted(kinds.items())[:LINES_MAX]:
        words = re.sub(r"\\d\+|\\", " ", pattern)
        name = _free(_word(f"{link.name}-{plain(words)}"), alarms)
        alarms.append(name)
        yield {
            "alarm": name,
            "link": link.name,
            "behaviour": "pulse",
            "raised": pattern,
            "note": f"seen {count} times",
        }


def _is_usable(line: str) -> bool:
    return bool(line.strip()) and line.isprintable() and len(line) <= LINE_MAX


def _pattern(line: str) -> str:
    return re.sub(r"[0-9]+", lambda _: r"\d+", re.escape(line))


def _word(text: str) -> str:
    word = re.sub(r"[^A-Za-z0-9.]+", "-", text).strip("-.").lower()
    return word[:60] or "seen"


def _free(name: str, taken: Sequence[str]) -> str:
    number = 2
    free = name
    while free in taken:
        free, number = f"{name}-{number}", number + 1
    return free
