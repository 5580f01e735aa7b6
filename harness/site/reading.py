"""Reads a site file with its point map, from disk or from documents in memory (a record embeds them by name)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath, PureWindowsPath

from harness.core.errors import Origin, Problem, SiteError
from harness.core.links import ModbusTcpLink
from harness.core.model import Alarm, Point, Site
from harness.site.alarming import build_alarms, build_side_effects, build_writable
from harness.site.checks import check_site
from harness.site.columns import find_columns, told_columns, with_unit
from harness.site.fields import ROW, SITE
from harness.site.forms import Form, read_entries, read_group
from harness.site.kinds import DURATION, DURATION_ABOVE_0
from harness.site.linking import build_links
from harness.site.names import did_you_mean, shown
from harness.site.noting import notes_of
from harness.site.placing import modbus_point
from harness.site.pointmap import Context, PointMap, build_point_map, hold_of, names_by_call
from harness.site.problems import Problems
from harness.site.sheets import SHEET_BYTES_MAX, Cell, Sheet, read_sheet
from harness.site.yaml_nodes import SITE_BYTES_MAX, Scalar, read_tree
from harness.site.yaml_nodes import Mapping as MappingNode

_FIELDS = {field.name: field for field in ROW.fields}


@dataclass(frozen=True, slots=True, kw_only=True)
class Documents:
    """The site file and all it brings along, by name; ``entry`` is the site file, ``point_map`` '' where inline."""

    files: Mapping[str, bytes]
    entry: str
    point_map: str


def load_site(path: Path | str, *, map_override: Path | None = None) -> tuple[Site, tuple[Problem, ...]]:
    """Read a site file from disk. Returns it with its warnings.

    ``map_override``: a point map to use in place of the one that the site file names.
    Raises SiteError with every problem there is.
    """
    documents = gather(path, map_override=map_override)
    return read_site(documents.files, documents.entry)


def gather(path: Path | str, *, map_override: Path | None = None) -> Documents:
    """Every file that a site consists of. Files that cannot be read are left out, and ``read_site`` says so.

    Raises SiteError where the site file itself cannot be read.
    """
    path = Path(path)
    data = _file(path, SITE_BYTES_MAX, path.name, "site.yaml")
    files = {path.name: data}
    name = point_map_name(data, path.name)
    if map_override is not None:
        override = _file(map_override, SHEET_BYTES_MAX, map_override.name, "points.csv")
        if not name:
            text = f"--map={shown(str(map_override))}: the rows of this site stand in the site file itself"
            remedy = "move them into a CSV file and name it under points: as file:"
            problem = Problem(origin=Origin(file=path.name, line=1), code="map", text=text, remedy=remedy)
            raise SiteError((problem,))
        files[name] = override
    elif name and is_beside(name):
        beside = path.parent / name
        if beside.is_file() and beside.stat().st_size <= SHEET_BYTES_MAX:
            files[name] = beside.read_bytes()
    return Documents(files=files, entry=path.name, point_map=name if name in files else "")


def _file(path: Path, most: int, name: str, example: str) -> bytes:
    why = ""
    try:
        if path.is_dir():
            why = f"this is a folder; give the file in it, for example {path / example}"
        elif path.stat().st_size > most:
            why = f"expected at most {most} bytes, found {path.stat().st_size}"
        else:
            return path.read_bytes()
    except (OSError, ValueError) as exc:
        why = f"expected a file that can be read, found: {getattr(exc, 'strerror', None) or exc}"
    text, _, remedy = why.partition("; ")
    problem = Problem(
        origin=Origin(file=name, line=1), code="file", text=f"file={shown(str(path))}: {text}", remedy=remedy
    )
    raise SiteError((problem,))


def point_map_name(data: bytes, file: str) -> str:
    """The point map file that a site file names; '' where it names none or cannot be read."""
    tree = read_tree(data, file, Problems())
    points = tree.get("points") if isinstance(tree, MappingNode) else None
    if isinstance(points, MappingNode):
        points = points.get("file")
    return points.text.strip() if isinstance(points, Scalar) else ""


def is_beside(name: str) -> bool:
    """True for a relative name that stays in the site's folder, on every system: a site file may come from anyone."""
    posix, windows = PurePosixPath(name), PureWindowsPath(name)
    absolute = posix.is_absolute() or windows.is_absolute() or bool(windows.drive) or bool(windows.root)
    return not absolute and ".." not in posix.parts and ".." not in windows.parts and bool(name.strip(". "))


def read_site(documents: Mapping[str, bytes], entry: str) -> tuple[Site, tuple[Problem, ...]]:
    """Read a site from documents by name; ``entry`` is the site file. Returns it with its warnings.

    Touches no disk. Raises SiteError with every problem there is.
    """
    problems = Problems()
    files = [entry, *(name for name in documents if name != entry)]
    if entry not in documents:
        problems.error(Origin(file=entry, line=1), "file", f"file={shown(entry)}: not among the documents")
        problems.raise_if_any(files)
    tree = read_tree(documents[entry], entry, problems)
    if tree is None and not problems.has_errors:
        problems.error(Origin(file=entry, line=1), "empty", "file: expected a site file, found nothing",
                       "start from profiles/template/site.yaml")  # fmt: skip
    form = read_group(SITE, tree, problems) if tree is not None else None
    site = _build(form, documents, problems) if form is not None else None
    problems.raise_if_any(files)
    if site is None:
        raise SiteError(problems.in_order(files))
    return site, problems.in_order(files)


def _build(form: Form, documents: Mapping[str, bytes], problems: Problems) -> Site:
    link_forms, alarm_forms = form.forms("links"), form.forms("alarms")
    links = build_links(link_forms, problems)
    alarms = build_alarms(alarm_forms, form.get("stimulus", Form), links, link_forms, problems)
    context = Context(
        links=links,
        link_forms=link_forms,
        alarms=alarms,
        alarm_forms=alarm_forms,
        defaults=form.get("defaults", Form),
        problems=problems,
        called=names_by_call(alarm_forms),
    )
    point_map = build_point_map(_rows(form, documents, problems), context)
    alarms = {name: _with_reference(alarm, point_map, context) for name, alarm in alarms.items()}
    controller = form.get("controller", Form)
    site = Site(
        name=form.text("site"),
        title=form.text("title") or form.text("site"),
        controller=controller.text("name") if controller is not None else "",
        firmware=controller.text("firmware") if controller is not None else "",
        links=links,
        points=point_map.points,
        alarms=alarms,
        side_effects=build_side_effects(form.forms("side effects")),
        writable=build_writable(form.many("writable"), links, link_forms, problems),
        expectations=tuple(point_map.expectations.values()),
        notes=notes_of(form, links, point_map),
    )
    if not problems.is_cut_short:
        check_site(site, form, problems)
    return site


# --- rows -----------------------------------------------------------------------------------------


def _rows(form: Form, documents: Mapping[str, bytes], problems: Problems) -> list[Form]:
    points = form.values.get("points")
    if points is None:
        return []
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
        entries = _entries(sheet, cells, columns.index, fixed, problems)
        if any(field not in entries for field in needless):
            continue
        written = {field: (node.origin, node) for field, node in entries.items()}
        rows.append(read_entries(ROW, written, cells[0].origin, problems))
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
        form = read_entries(ROW, entries, value.origin, _OnlyValues(problems))
        if name not in form.broken:
            fixed[name] = node
    return fixed


class _OnlyValues(Problems):
    """Passes on what is wrong with values, and not that the other fields of a row are missing."""

    def __init__(self, problems: Problems) -> None:
        super().__init__()
        self.is_cut_short = True
        self._to = problems

    def _add(self, problem: Problem) -> None:
        self._to._add(problem)  # noqa: SLF001 - the same class


def _entries(
    sheet: Sheet, cells: tuple[Cell, ...], index: Mapping[str, int], fixed: Mapping[str, Scalar], problems: Problems
) -> dict[str, Scalar]:
    entries = dict(fixed)
    for name, i in index.items():
        if i >= len(cells) or not cells[i].text.strip():
            continue
        cell = cells[i]
        text = cell.text.strip()
        if _FIELDS[name].takes in (DURATION, DURATION_ABOVE_0):
            text = with_unit(sheet.headers[i].text, cell).strip()
        if name == "address" and cell.is_number and text.endswith(".1"):
            found = f"address={text}: a number cell loses the end of bit 10, so this may be bit 1 or bit 10"
            problems.error(cell.origin, "number-cell", found, "format the column as text and type it again")
            continue
        entries[name] = Scalar(text=text, origin=cell.origin, is_quoted=True)
    return entries


# --- references -----------------------------------------------------------------------------------


def _with_reference(alarm: Alarm, point_map: PointMap, context: Context) -> Alarm:
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
    if not isinstance(link, ModbusTcpLink):
        problems.error(origin, "unknown-point", f"reference={shown(written)}: no point of this name on {link_name}",
                       did_you_mean(written, point_map.points, otherwise="map the line as a point first"))  # fmt: skip
        return None
    entries = {"link": link_name, "address": number}
    nodes = {name: (origin, Scalar(text=text, origin=origin)) for name, text in entries.items()}
    row = read_entries(ROW, nodes, origin, _OnlyValues(problems))
    return _reference_on(row, link, point_map, context)


def _reference_on(row: Form, link: ModbusTcpLink, point_map: PointMap, context: Context) -> str | None:
    link_form = context.link_forms[link.name]
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
