"""A site file and a point map to go on from, written from what was seen while watching."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from harness.core.errors import UsageError
from harness.core.links import LinkSpec
from harness.core.model import Point
from harness.site.draft_links import link_lines
from harness.site.draft_rows import COLUMNS, Row, Seen, rows_of_seen

_ALWAYS: Final = ("alarm", "link", "behaviour", "note")


def write_draft(
    folder: Path, links: Iterable[LinkSpec], points: Iterable[Point], changes: Iterable[Seen]
) -> tuple[Path, ...]:
    """Write ``site.yaml`` and ``points.csv`` into ``folder``; returns their paths. Nothing there is overwritten.

    Every point that changed becomes an alarm of its own with one row; points that stayed are left as comments, printed
    lines become patterns with their numbers left open. UsageError where a file is there already or cannot be written.
    """
    links = list(links)
    rows, alarms = rows_of_seen(links, list(points), list(changes))
    if not alarms:
        raise UsageError("nothing changed while watching, so there is nothing to draft; watch while alarms come and go")
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


def _points_csv(rows: Iterable[Row]) -> str:
    text = io.StringIO()
    rows = list(rows)
    used = [name for name in COLUMNS if name in _ALWAYS or any(row.get(name) for row in rows)]
    writer = csv.DictWriter(text, used, restval="", lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for row in rows:
        writer.writerow(row)
    return text.getvalue()


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
        lines += link_lines(link)
    lines += ["", "alarms:"]
    for name in alarms:
        lines += [f"  {name}:", "    class: alarm"]
    return "\n".join([*lines, "", "points:", "  file: points.csv", ""])
