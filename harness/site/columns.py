"""Which column of a point list holds which field: as the site file says, else guessed from the headers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from harness.core.errors import Origin
from harness.site.fields import ROW
from harness.site.forms import Form, Value
from harness.site.names import did_you_mean, nearest, plain, shown
from harness.site.problems import Problems
from harness.site.sheets import Cell, Sheet

_ALSO_CALLED: Final = {
    "alarm": (
        "alarm name",
        "alarm tag",
        "tag",
        "tag name",
        "event",
        "condition",
        "alarm text",
        "description",
        "signal",
    ),
    "link": ("connection", "bus", "device", "panel", "system", "interface"),
    "address": ("register", "reg", "modbus address", "modbus register", "register number", "point address", "number"),
    "point": ("point name", "output", "object name"),
    "object": ("bacnet object", "object id", "object identifier", "bacnet point"),
    "arrives by": ("arrival", "notification", "reported by"),
    "topic": ("mqtt topic",),
    "pointer": ("json pointer", "json path"),
    "loop": ("current loop", "analog loop"),
    "behaviour": ("behavior", "mode", "action", "expected behaviour", "expected"),
    "unit": ("unit id", "slave", "slave id", "server", "device id", "node"),
    "table": ("register type", "object type", "modbus type", "area", "function"),
    "type": ("data type", "datatype", "format"),
    "on when": ("alarm when", "active when", "alarm state", "active state", "on state"),
    "appears within": ("max delay", "maximum delay", "latency", "delay", "response time", "within"),
    "visible for": ("min duration", "minimum duration", "duration", "minimum time"),
    "gone within": ("clears within", "reset within", "off delay"),
    "word order": ("word swap", "register order"),
    "byte order": ("byte swap",),
    "scale": ("factor", "scaling", "multiplier"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
}
"""Headers seen in point lists: common practice, no source. A guess is always shown, never used in silence."""

NO_COLUMN: Final = "none"
"""In ``columns``: this field is in no column, although one happens to be named like it."""

_UNIT_IN_HEADER: Final = re.compile(r".*[(\[]\s*(us|ms|s|min|h)\s*[)\]]\s*", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Field -> index of its column. ``guessed``: the fields whose column was guessed, with the header."""

    index: Mapping[str, int]
    guessed: Mapping[str, str]
    unread: tuple[str, ...]


def guess_columns(headers: Iterable[str]) -> Mapping[str, str]:
    """Field -> header, for headers that are not field names themselves but look like one."""
    taken = {plain(header) for header in headers} & {plain(name) for name in ROW.names()}
    guesses: dict[str, str] = {}
    by_call = {plain(call): name for name, calls in _ALSO_CALLED.items() for call in calls}
    for header in headers:
        bare = plain(re.sub(r"[(\[].*?[)\]]", " ", header))
        if not bare or plain(header) in taken:
            continue
        name = by_call.get(bare) or (bare if bare in ROW.names() else None)
        if name is None:
            near = nearest(bare, [*ROW.names(), *by_call], alike=0.85)
            name = by_call.get(near or "", near)
        if name is not None and plain(name) not in taken and name not in guesses:
            guesses[name] = header
    return guesses


def find_columns(sheet: Sheet, told: Mapping[str, Value] | None, told_at: Origin, problems: Problems) -> Columns:
    """The columns of a sheet. ``told``: the mapping of the site file, which ends all guessing; ``none`` is no column.

    A header that *is* a field's name needs no telling. Problems: columns that are not there, two of one name, and,
    as a warning, the guesses, with the lines that would settle them.
    """
    by_header: dict[str, int] = {}
    for i, cell in enumerate(sheet.headers):
        if plain(cell.text) in by_header:
            found = f"column={shown(cell.text)}: this column name occurs twice"
            problems.error(cell.origin, "duplicate-column", found, "rename one of the two")
        elif cell.text.strip():
            by_header[plain(cell.text)] = i
    index = {name: by_header[plain(name)] for name in ROW.names() if plain(name) in by_header}
    guessed: Mapping[str, str] = {}
    if told is not None:
        own, none = _told(told, by_header, sheet, problems)
        index = {name: i for name, i in {**index, **own}.items() if name not in none}
    else:
        guessed = guess_columns([cell.text for cell in sheet.headers])
        index |= {name: by_header[plain(header)] for name, header in guessed.items()}
    used = set(index.values())
    unread = tuple(sheet.headers[i].text for i in by_header.values() if i not in used)
    columns = Columns(index=index, guessed=guessed, unread=unread)
    if told is None:
        _show_guess(columns, sheet.headers[0].origin, told_at, problems)
    return columns


def _told(
    told: Mapping[str, Value], by_header: Mapping[str, int], sheet: Sheet, problems: Problems
) -> tuple[dict[str, int], set[str]]:
    """The columns as told, and the fields that no column holds although one is named like them."""
    index: dict[str, int] = {}
    unread: set[str] = set()
    for name, value in told.items():
        header = str(value.means)
        if name not in ROW.names():
            problems.error(value.origin, "unknown-field", f"{shown(name)}: no field of a row",
                           did_you_mean(name, ROW.names()))  # fmt: skip
        elif plain(header) == NO_COLUMN and NO_COLUMN not in by_header:
            unread.add(name)
        elif plain(header) not in by_header:
            remedy = did_you_mean(header, [cell.text for cell in sheet.headers if cell.text.strip()])
            problems.error(value.origin, "column", f"{name}={shown(header)}: no such column in the point list", remedy)
        else:
            index[name] = by_header[plain(header)]
    return index, unread


def _show_guess(columns: Columns, origin: Origin, told_at: Origin, problems: Problems) -> None:
    if columns.guessed:
        pairs = ", ".join(f"{name}: {shown(header)}" for name, header in columns.guessed.items())
        remedy = f"if that is right, write it into {told_at} under points: as columns: {{{pairs}}}"
        problems.warning(origin, "columns-guessed", f"columns={{{pairs}}}: guessed from the column names", remedy)
    if columns.unread:
        listed = ", ".join(shown(header) for header in columns.unread)
        problems.warning(
            origin, "columns-unread", f"columns={listed}: not read", "name it under columns: if it holds a field"
        )


def with_unit(header: str, cell: Cell) -> str:
    """The text of a duration cell; a bare number takes the unit that its column name gives: ``Delay (s)``."""
    unit = _UNIT_IN_HEADER.fullmatch(header)
    if unit is not None and re.fullmatch(r"\s*[0-9]+([.,][0-9]+)?\s*", cell.text):
        return f"{cell.text.strip().replace(',', '.')} {unit[1]}"
    return cell.text


def told_columns(points: Form) -> Mapping[str, Value] | None:
    """The remembered mapping, or None where the site file has none."""
    return points.get("columns", dict)
