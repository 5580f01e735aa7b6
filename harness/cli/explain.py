"""``farend explain``."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import json_option, say, say_json, terminal_width

if TYPE_CHECKING:
    from harness.core.model import Site


@click.command(name="explain", short_help="Say what is likely wrong where a record has fails and unknowns.")
@click.argument("record", type=click.Path(path_type=Path))
@click.argument("alarm", required=False)
@click.argument("point", required=False)
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Judge by this corrected point map.")
@json_option
def command(record: Path, alarm: str | None, point: str | None, map_file: Path | None, as_json: bool) -> int:
    """Say what is likely wrong in RECORD, with the evidence and the next thing to check, from the record alone.

    ALARM and POINT limit it to what failed, or stayed unknown, of one alarm, at one point; a point may be given alone.
    What the evidence cannot tell apart is named together, with what would decide. Causes are help, never verdicts.
    """
    from harness.core.verdicts import exit_code
    from harness.report.columns import Terminal
    from harness.report.explained import explained_json, explained_lines, explained_of
    from harness.results.figures import link_figures
    from harness.results.judging import judge_record

    judged = judge_record(record, map_file)
    try:
        alarm, point = _wanted(judged.site, alarm, point)
        every = explained_of(judged.judgement, alarm, point)
        looked_at = [it for it in judged.judgement.results if alarm in (None, it.alarm) and point in (None, it.point)]
        if as_json:
            say_json(explained_json(every))
        else:
            if judged.judged_with:
                say(f"judged with {judged.judged_with}")
            rows = [it for it in judged.site.expectations if alarm in (None, it.alarm) and point in (None, it.point)]
            links = {judged.site.points[it.point].link for it in rows}
            every_link = alarm is None and point is None  # the one over which it is raised has no rows
            figures = [link_figures(judged, name) for name in judged.site.links if every_link or name in links]
            lines = explained_lines(
                every,
                len(looked_at),
                Terminal(width=terminal_width()),
                planned=sum(it.key in judged.planned for it in rows),
                never_up={it.link: it.never_up for it in figures if it.never_up},
            )
            say("\n".join(lines))
        if alarm is None and point is None:
            return judged.exit_code
        strays = [stray.verdict for it in every for stray in it.strays]
        return exit_code([*(it.verdict for it in looked_at), *strays])
    finally:
        judged.reader.close()


def _wanted(site: Site, alarm: str | None, point: str | None) -> tuple[str | None, str | None]:
    """Names as the record's site has them; a single name may be that of a point. UsageError where it has them not."""
    from harness.core.errors import UsageError

    if alarm is not None and point is None and alarm not in site.alarms and alarm in site.points:
        alarm, point = None, alarm
    for what, name, known in (("ALARM", alarm, site.alarms), ("POINT", point, site.points)):
        if name is not None and name not in known:
            where = "alarm" if what == "ALARM" else "point"
            raise UsageError(f"{what} {name}: the record has no such {where}{_guess(name, known)}")
    if alarm is not None and point is not None:
        rows = [row.point for row in site.expectations_of(alarm)]
        if point not in rows:
            raise UsageError(f"POINT {point}: nothing is expected of {alarm} there; its points are {', '.join(rows)}")
    return alarm, point


def _guess(name: str, known: Iterable[str]) -> str:
    import difflib

    names = list(known)
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.5) or [it for it in names if name in it][:1]
    return f"; did you mean {near[0]}?" if near else f"; it has {len(names)}: {', '.join(names[:12])}"
