"""The rows of a point map: those in the site file, and those of the CSV or XLSX list that it names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from harness.core.errors import Origin, Problem
from harness.site.columns import find_columns, told_columns, with_unit
from harness.site.fields import ROW
from harness.site.forms import Form, Value, read_entries
from harness.site.kinds import DURATION, DURATION_ABOVE_0
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems
from harness.site.sheets import Cell, Sheet, read_sheet
from harness.site.yaml_nodes import Scalar

_FIELDS: Final = {field.name: field for field in ROW.fields}


def is_beside(name: str) -> bool:
    """True for a relative name that stays in the site's folder, on every system: a site file may come from anyone."""
    posix, windows = PurePosixPath(name), PureWindowsPath(name)
    absolute = posix.is_absolute() or windows.is_absolute() or bool(windows.drive) or bool(windows.root)
    return not absolute and ".." not in posix.parts and ".." not in windows.parts and bool(name.strip(". "))


def rows_of(form: Form, documents: Mapping[str, bytes], problems: Problems, *, point_map: str = "") -> list[Form]:
    """The rows of a site file and of the list that it names. ``point_map``: a document in place of all inline rows."""
    points = form.values.get("points")
    if points is None:
        return []
    if point_map:
        return _file_rows(_in_place(points), point_map, documents, problems)
    if isinstance(points.means, tuple):
        return [value.means for value in points.means if isinstance(value.means, Form)]
    source = points.means
    if not isinstance(source, Form):
        return []
    rows = [value.means for value in source.many("rows") if isinstance(value.means, Form)]
    name = source.text("file")
    if name:
        return _file_rows(source, name, documents, problems) + rows
    if not rows and not source.has("file") and not source.has("rows") and not problems.is_cut_short:
        problems.error(source.origin, "missing", "points: neither file nor rows", "add file: points.csv")
    return rows


def _in_place(points: Value) -> Form:
    """A ``points`` group that names nothing but a file, at the line of the rows that it stands for."""
    return Form(what="points", name="", origin=points.origin)


def _file_rows(source: Form, name: str, documents: Mapping[str, bytes], problems: Problems) -> list[Form]:
    if name not in documents:
        text = f"file={shown(name)}: no such file beside the site file, or it is too large"
        remedy = "put it there, or mend the name"
        if not is_beside(name):
            text = f"file={shown(name)}: expected a file in the folder of the site file"
            remedy = "copy it there and write its name only"
        problems.error(source.at("file"), "file", text, remedy)
        return []
    sheet = read_sheet(
        documents[name], name, problems, sheet=source.text("sheet"), header_row=source.get("header row", int) or 1
    )
    if sheet is None:
        return []
    columns = find_columns(sheet, told_columns(source), source.at("file"), problems)
    fixed = _fixed(source, problems)
    needless = [
        name for value in source.many("skip rows without") if (name := _known(value.means, value.origin, problems))
    ]
    rows = []
    for cells in sheet.rows:
        entries, unread = _entries(sheet, cells, columns.index, fixed, problems)
        if any(field not in entries and field not in unread for field in needless):
            continue
        written = {field: (node.origin, node) for field, node in entries.items()}
        rows.append(read_entries(ROW, written, cells[0].origin, problems, unread=unread))
    return rows


def _known(name: object, origin: Origin, problems: Problems) -> str:
    if str(name) in _FIELDS:
        return str(name)
    problems.error(origin, "unknown-field", f"{shown(str(name))}: no field of a row", did_you_mean(str(name), _FIELDS))
    return ""


def _fixed(source: Form, problems: Problems) -> dict[str, Scalar]:
    """The fields that are the same in every row, once each has proved readable."""
    fixed = {}
    for name, value in (source.get("every row", dict) or {}).items():
        if not _known(name, value.origin, problems):
            continue
        node = Scalar(text=value.written, origin=value.origin, is_quoted=True)
        entries = {name: (value.origin, node)}
        form = read_entries(ROW, entries, value.origin, OnlyValues(problems))
        if name not in form.broken:
            fixed[name] = node
    return fixed


class OnlyValues(Problems):
    """Passes on what is wrong with values, and not that the other fields of a row are missing."""

    def __init__(self, problems: Problems) -> None:
        super().__init__()
        self.is_cut_short = True
        self._to = problems

    def _add(self, problem: Problem) -> None:
        self._to._add(problem)  # noqa: SLF001 - the same class


def _entries(
    sheet: Sheet, cells: tuple[Cell, ...], index: Mapping[str, int], fixed: Mapping[str, Scalar], problems: Problems
) -> tuple[dict[str, Scalar], set[str]]:
    """The fields of a row, and those that are there and cannot be read; problems say why."""
    entries = dict(fixed)
    unread: set[str] = set()
    for name, i in index.items():
        if i >= len(cells) or not cells[i].text.strip():
            continue
        cell = cells[i]
        text = cell.text.strip()
        if cell.is_formula:
            found = f"{name}={shown(text)}: a formula whose result is not in the file"
            problems.error(cell.origin, "formula", found, "open it in a spreadsheet and save it again")
            unread.add(name)
            continue
        if _FIELDS[name].takes in (DURATION, DURATION_ABOVE_0):
            text = with_unit(sheet.headers[i].text, cell).strip()
        if name == "address" and cell.is_number and text.endswith(".1"):
            found = f"address={text}: a number cell loses the end of bit 10, so this may be bit 1 or bit 10"
            problems.error(cell.origin, "number-cell", found, "format the column as text and type it again")
            unread.add(name)
            continue
        entries[name] = Scalar(text=text, origin=cell.origin, is_quoted=True)
    for name in unread:
        entries.pop(name, None)
    return entries, unread
