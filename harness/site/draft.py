"""A site file and a point map to go on from, written from what was seen while watching."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final, Protocol

from harness.core.errors import UsageError
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import Point
from harness.core.places import ModbusPlace
from harness.site.addresses import Address, write_address
from harness.site.durations import write_duration
from harness.site.names import plain

LINES_MAX: Final = 500
"""More different printed lines than this are no alarm list any more."""

LINE_MAX: Final = 200
"""Longer lines are left out: nobody can edit their patterns."""

_COLUMNS: Final = ("alarm", "link", "address", "type", "on when", "behaviour", "raised", "note")


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


def write_draft(
    folder: Path, links: Iterable[LinkSpec], points: Iterable[Point], changes: Iterable[Seen]
) -> tuple[Path, ...]:
    """Write ``site.yaml`` and ``points.csv`` into ``folder``; returns their paths. Nothing there is overwritten.

    Every point that changed becomes an alarm of its own with one row; points that stayed are left as comments, printed
    lines become patterns with their numbers left open. UsageError where a file is there already or cannot be written.
    """
    links, seen = list(links), list(changes)
    if not any(change.was or isinstance(_of(links, change.link), TextLink) for change in seen):
        raise UsageError("nothing changed while watching, so there is nothing to draft; watch while alarms come and go")
    rows, alarms = _rows(links, list(points), seen)
    texts = {"site.yaml": _site_yaml(links, alarms), "points.csv": _points_csv(rows)}
    paths = tuple(folder / name for name in texts)
    for path in paths:
        if path.exists():
            raise UsageError(f"{path}: is there already; choose another folder, or move it away")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in zip(paths, texts.values(), strict=True):
            path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as exc:
        raise UsageError(f"{exc.filename}: cannot be written: {exc.strerror}; choose another folder") from exc
    return paths


_Row = Mapping[str, str]


def _of(links: Iterable[LinkSpec], name: str) -> LinkSpec | None:
    return next((link for link in links if link.name == name), None)


def _rows(links: Sequence[LinkSpec], points: Sequence[Point], seen: Sequence[Seen]) -> tuple[list[_Row], list[str]]:
    by_name = {link.name: link for link in links}
    changed = Counter((change.link, change.place) for change in seen if change.was)
    first = {(change.link, change.place): change.now for change in reversed(seen) if not change.was}
    rows: list[_Row] = []
    alarms: list[str] = []
    for point in points:
        link, place = by_name.get(point.link), point.place
        if not isinstance(link, ModbusTcpLink) or not isinstance(place, ModbusPlace):
            continue
        name = _free(_word(f"at-{link.name}-{point.written or point.name}"), alarms)
        row = _point_row(name, link, place, first.get((point.link, point.name), ""))
        count = changed[point.link, point.name]
        if count:
            alarms.append(name)
            note = f"seen to change {count} times; first read as {first.get((point.link, point.name), 'unknown')}"
            rows.append({**row, "note": note})
        else:
            rows.append({**row, "alarm": f"# {name}", "note": "did not change"})
    for link in links:
        if isinstance(link, TextLink):
            rows += _line_rows(link, [change.now for change in seen if change.link == link.name], alarms)
    return rows, alarms


def _point_row(name: str, link: ModbusTcpLink, place: ModbusPlace, at_first: str) -> dict[str, str]:
    bit = None if place.table.is_bits or place.value_type.value != "bit" else place.bit
    address = write_address(Address(table=place.table, address=place.address, bit=bit), link.numbering)
    is_whole = not place.table.is_bits and bit is None
    on_when = "set"
    if is_whole and re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", at_first):
        on_when = f"above {at_first}"
    return {
        "alarm": name,
        "link": link.name,
        "address": address,
        "type": place.value_type.value if is_whole else "",
        "on when": on_when,
        "behaviour": "follows",
    }


def _line_rows(link: TextLink, lines: Iterable[str], alarms: list[str]) -> Iterable[_Row]:
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


def _points_csv(rows: Iterable[_Row]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow(row)
    return text.getvalue()


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _site_yaml(links: Iterable[LinkSpec], alarms: Iterable[str]) -> str:
    lines = [
        "# A draft from what was seen while watching. Rename the alarms, and say what each is and does.",
        "site: draft",
        "controller:",
        "  name: not stated",
        "",
        "links:",
    ]
    for link in links:
        if isinstance(link, ModbusTcpLink):
            lines += _modbus_lines(link)
        elif isinstance(link, TextLink):
            lines += _text_lines(link)
    lines += ["", "alarms:"]
    for name in alarms:
        lines += [f"  {name}:", "    class: alarm"]
    return "\n".join([*lines, "", "points:", "  file: points.csv", ""])


def _modbus_lines(link: ModbusTcpLink) -> list[str]:
    host = f"[{link.host}]" if ":" in link.host else link.host
    return [
        f"  {link.name}:",
        f"    modbus-tcp: {_quoted(f'{host}:{link.port}')}",
        f"    numbering: {link.numbering.value}",
        f"    unit: {link.unit}",
        f"    poll every: {write_duration(link.poll_period_ns)}",
        f"    timeout: {write_duration(link.timeout_ns)}",
    ]


def _text_lines(link: TextLink) -> list[str]:
    if link.serial is not None:
        kind = [f"text+serial: {_quoted(link.serial.port)}", f"baud: {link.serial.baud}"]
    else:
        host = f"[{link.host}]" if link.host and ":" in link.host else link.host
        kind = [f"text+tcp: {_quoted(f'{host}:{link.tcp_port}')}"]
    return [f"  {link.name}:", *(f"    {line}" for line in (*kind, f"encoding: {link.encoding}"))]
