"""Reads a site file with its point map, from disk or from documents in memory (a record embeds them by name)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.core.errors import Origin, Problem, SiteError
from harness.core.model import Site
from harness.site.acknowledging import build_acknowledgeable
from harness.site.alarming import build_alarms, build_side_effects
from harness.site.checks import check_site
from harness.site.declaring import build_times
from harness.site.fields import SITE
from harness.site.forms import Form, read_group
from harness.site.history import build_history
from harness.site.linking import build_behind, build_links
from harness.site.loops import build_loops
from harness.site.names import shown
from harness.site.noting import notes_of
from harness.site.pointmap import build_point_map
from harness.site.problems import Problems
from harness.site.raising import with_raising
from harness.site.referring import with_reference
from harness.site.row_alarms import Context, names_by_call
from harness.site.row_files import is_beside, rows_of
from harness.site.sheets import SHEET_BYTES_MAX
from harness.site.writable import build_writable
from harness.site.yaml_nodes import SITE_BYTES_MAX, Scalar, read_tree
from harness.site.yaml_nodes import Mapping as MappingNode


@dataclass(frozen=True, slots=True, kw_only=True)
class Documents:
    """The site file and all it brings along, by name; ``entry`` is the site file, ``point_map`` '' where inline.

    ``replaces_rows``: the point map stands in place of rows that are written in the site file itself.
    """

    files: Mapping[str, bytes]
    entry: str
    point_map: str
    replaces_rows: bool = False


def load_site(path: Path | str, *, map_override: Path | None = None) -> tuple[Site, tuple[Problem, ...]]:
    """Read a site file from disk. Returns it with its warnings.

    ``map_override``: a point map to use in place of the one that the site file names.
    Raises SiteError with every problem there is.
    """
    documents = gather(path, map_override=map_override)
    instead = documents.point_map if documents.replaces_rows else ""
    return read_site(documents.files, documents.entry, point_map=instead)


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
        is_inline = not name
        name = name or inline_map_name(path.name, map_override.name)
        files[name] = override
        return Documents(files=files, entry=path.name, point_map=name, replaces_rows=is_inline)
    if name and is_beside(name):
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


def inline_map_name(entry: str, file: str) -> str:
    """What a point map is called that stands in place of inline rows: its own name, never that of the site file."""
    return file if file != entry else f"map-{file}"


def point_map_name(data: bytes, file: str) -> str:
    """The point map file that a site file names; '' where it names none or cannot be read."""
    tree = read_tree(data, file, Problems())
    points = tree.get("points") if isinstance(tree, MappingNode) else None
    if isinstance(points, MappingNode):
        points = points.get("file")
    return points.text.strip() if isinstance(points, Scalar) else ""


def read_site(documents: Mapping[str, bytes], entry: str, *, point_map: str = "") -> tuple[Site, tuple[Problem, ...]]:
    """Read a site from documents by name; ``entry`` is the site file. Returns it with its warnings.

    ``point_map``: a document whose rows stand in place of all that are written in the site file itself.
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
    site = _build(form, documents, point_map, problems) if form is not None else None
    problems.raise_if_any(files)
    if site is None:
        raise SiteError(problems.in_order(files))
    return site, problems.in_order(files)


def _build(form: Form, documents: Mapping[str, bytes], point_map_file: str, problems: Problems) -> Site:
    link_forms, alarm_forms = form.forms("links"), form.forms("alarms")
    links = build_links(link_forms, problems)
    alarms = build_alarms(alarm_forms, form.get("stimulus", Form), links, link_forms, problems)
    context = Context(
        links=links,
        link_forms=link_forms,
        alarms=alarms,
        alarm_forms=alarm_forms,
        defaults=form.get("defaults", Form),
        loops=build_loops(form.forms("loops"), links, link_forms, problems),
        loop_forms=form.forms("loops"),
        problems=problems,
        called=names_by_call(alarm_forms),
    )
    point_map = build_point_map(rows_of(form, documents, problems, point_map=point_map_file), context)
    alarms = {name: with_reference(alarm, point_map, context) for name, alarm in alarms.items()}
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
        behind=build_behind(link_forms, problems),
        times=build_times(link_forms, links, problems),
        acknowledgeable=build_acknowledgeable(form.many("writable")),
        writable=build_writable(form.many("writable"), links, link_forms, problems),
        expectations=tuple(point_map.expectations.values()),
        notices=tuple(dict.fromkeys(str(value.means) for value in form.many("notices"))),
        notes=notes_of(form, links, point_map),
        history=build_history(form.get("alarm history", Form), problems),
    )
    site = with_raising(site, form.get("stimulus", Form))
    if not problems.is_cut_short:
        check_site(site, form, problems)
    return site
