"""``farend check``."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.common import SITE_ARGUMENT, found, json_option, note, say, say_json
from harness.core.errors import Problem, SiteError
from harness.core.verdicts import ExitCode


@click.command(name="check", short_help="Say everything that is wrong with a site file.")
@SITE_ARGUMENT
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Check with this point map instead.")
@json_option
def command(site: Path, map_file: Path | None, as_json: bool) -> int:
    """Read SITE and its point map and say everything that is wrong, each with file:line and the remedy.

    Then shows every mapped point with its wire address beside the address as it was written, and the limits in force.
    Exit code 0 where the file can be used, 2 where it cannot.
    """
    from harness.site.reading import load_site

    try:
        read, warnings = load_site(found(site), map_override=map_file)
    except SiteError as exc:
        if as_json:
            say_json({"problems": [_problem(it) for it in exc.problems], "usable": False})
        else:
            for problem in exc.problems:
                note(str(problem))
            errors = sum(it.severity == "error" for it in exc.problems)
            note(f"{errors} error{'s' * (errors != 1)}, {len(exc.problems) - errors} warnings: cannot be used")
        return ExitCode.USAGE
    from harness.site.describe import describe_point

    points = {name: describe_point(point, read) for name, point in read.points.items()}
    if as_json:
        say_json({"problems": [_problem(it) for it in warnings], "usable": True, "points": points, "notes": read.notes})
        return ExitCode.ALL_PASS
    for problem in warnings:
        note(str(problem))
    say(f"{read.name}: {read.title}")
    say(f"{len(read.links)} links, {len(read.points)} points, {len(read.alarms)} alarms, {len(read.expectations)} rows")
    say()
    width = max((len(name) for name in points), default=0)
    for name, text in points.items():
        say(f"  {name:<{width}}  {text}")
    if read.notes:
        say()
        for text in read.notes:
            say(f"  {text}")
    say()
    say(f"can be used; {len(warnings)} warning{'s' * (len(warnings) != 1)}")
    return ExitCode.ALL_PASS


def _problem(problem: Problem) -> dict[str, object]:
    return {
        "file": problem.origin.file,
        "line": problem.origin.line,
        "code": problem.code,
        "severity": problem.severity,
        "text": problem.text,
        "remedy": problem.remedy,
    }
