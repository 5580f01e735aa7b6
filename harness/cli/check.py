"""``farend check``."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import SITE_ARGUMENT, found, json_option, note, note_line, say, say_json, say_line
from harness.core.errors import Problem, SiteError
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from harness.core.model import Site


@click.command(name="check", short_help="Say everything that is wrong with a site file.")
@SITE_ARGUMENT
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Check with this point map instead.")
@click.option("--points", "every_point", is_flag=True, help="List every point with its wire address.")
@json_option
def command(site: Path, map_file: Path | None, every_point: bool, as_json: bool) -> int:
    """Read SITE and its point map and say everything that is wrong, each with file:line and the remedy.

    Then shows the outputs of each link and the limits in force; with --points every point with its wire address beside
    the address as it was written. Exit code 0 where the file can be used, 2 where it cannot.
    """
    from harness.site.reading import load_site

    try:
        read, warnings = load_site(found(site), map_override=map_file)
    except SiteError as exc:
        if as_json:
            say_json({"problems": [_problem(it) for it in exc.problems], "usable": False})
        else:
            for problem in exc.problems:
                note_line(str(problem))
            errors = sum(it.severity == "error" for it in exc.problems)
            note(f"{errors} error{'s' * (errors != 1)}, {len(exc.problems) - errors} warnings: cannot be used")
        return ExitCode.USAGE
    from harness.site.describe import describe_point

    points = {name: describe_point(point, read) for name, point in read.points.items()}
    if as_json:
        say_json({"problems": [_problem(it) for it in warnings], "usable": True, "points": points, "notes": read.notes})
        return ExitCode.ALL_PASS
    for problem in warnings:
        note_line(str(problem))
    say_line(f"{read.name}: {read.title}")
    rows = len(read.expectations)
    say(f"{len(read.links)} links, {len(read.points)} points, {len(read.alarms)} alarms, {rows:,} rows")
    say()
    if every_point:
        width = max((len(name) for name in points), default=0)
        for name, text in points.items():
            say_line(f"{name:<{width}}  {text}", first=2, hang=6)
    else:
        _say_outputs(read)
        say("  (--points lists every point with its wire address)")
    if read.notes:
        say()
        say("Limits and assumptions in force")
        for text in read.notes:
            say_line(text, first=2, hang=6)
    say()
    say(f"can be used; {len(warnings)} warning{'s' * (len(warnings) != 1)}")
    return ExitCode.ALL_PASS


def _say_outputs(site: Site) -> None:
    """Each link with its outputs by their kind, in the order of the site file; names that count up as runs."""
    from harness.cli.common import say_wrapped
    from harness.core.wording import link_address
    from harness.report.gathered import in_runs
    from harness.report.matrix import kind_of

    rows = Counter(site.points[row.point].link for row in site.expectations)
    for name, link in site.links.items():
        kinds: dict[str, list[str]] = {}
        for point in site.points.values():
            if point.link == name:
                kinds.setdefault(kind_of(point), []).append(point.name.removeprefix(f"{name}:"))
        say_wrapped(f"{name}: {link_address(link)}; {rows[name]:,} row{'s' * (rows[name] != 1)}", first=2, hang=6)
        for kind, names in kinds.items():
            say_wrapped(f"{len(names)} {kind}: {', '.join(in_runs(names))}", first=4, hang=8)


def _problem(problem: Problem) -> dict[str, object]:
    return {
        "file": problem.origin.file,
        "line": problem.origin.line,
        "code": problem.code,
        "severity": problem.severity,
        "text": problem.text,
        "remedy": problem.remedy,
    }
