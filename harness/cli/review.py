"""``farend review``."""

from __future__ import annotations

import getpass
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import click

from harness.cli.common import SITE_ARGUMENT, json_option, load, note, say, say_json, write_text
from harness.core.errors import UsageError
from harness.core.model import Alarm, Decision, Site
from harness.core.verdicts import ExitCode

EXPIRES_DAYS: Final = 7
"""What was isolated is seldom left so for longer: common practice, no source."""


@click.command(name="review", short_help="Decide about each side effect of a site.")
@SITE_ARGUMENT
@click.option(
    "--out", "out", type=click.Path(path_type=Path, dir_okay=False), help="File to write. Default: reviews.yaml."
)
@click.option(
    "--expires", metavar="DAY", help=f"Last day on which it is valid, e.g. 2026-12-24. Default: in {EXPIRES_DAYS} days."
)
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms that fit, e.g. 'bulk-a.*'; repeatable.")
@click.option("--accept", multiple=True, metavar="NAME", help="Accept this side effect, without asking; repeatable.")
@click.option("--isolate", multiple=True, metavar="NAME[=HOW]", help="It is isolated, and how; repeatable.")
@click.option("--exclude", multiple=True, metavar="NAME", help="Do not raise the alarms that have it; repeatable.")
@click.option("--standing", multiple=True, metavar="NAME=REASON", help="An alarm or point known to be on; repeatable.")
@click.option("--who", default="", help="Who answers for the decisions. Default: the user of this computer.")
@click.option("--replace", "may_replace", is_flag=True, help="Write over a file that is there already.")
@json_option
def command(
    site: Path,
    out: Path | None,
    expires: str | None,
    only: tuple[str, ...],
    accept: tuple[str, ...],
    isolate: tuple[str, ...],
    exclude: tuple[str, ...],
    standing: tuple[str, ...],
    who: str,
    may_replace: bool,
    as_json: bool,
) -> int:
    """Show each side effect of the alarms of SITE once, take a decision for each, and write them into a file.

    'farend test --reviews FILE' takes it until its last day, and only while the site file does the same things. Opens
    no connection. Without --accept, --isolate and --exclude it asks in the terminal: one key for each. The exit code is
    3 while something is not decided.
    """
    from harness.cli.reviewing import ask_reviews, given_reviews, side_effects_of
    from harness.run.order import Selection, check_selection, plan_of
    from harness.site.reviews_text import reviews_text

    read, _ = load(site)
    check_selection(read, Selection(only=only))
    alarms = [item.alarm for item in plan_of(read, Selection(only=only))]
    last_day = _last_day(expires)
    path = out or Path("reviews.yaml")
    known = _known(read, standing)
    _check_free(path, may_replace=may_replace)
    given = {Decision.ACCEPTED: accept, Decision.ISOLATED: isolate, Decision.EXCLUDED: exclude}
    name = who or getpass.getuser()
    if any(given.values()) or not side_effects_of(read, alarms):  # where there is nothing to decide, nobody is asked
        reviews = given_reviews(read, alarms, name, given, utc_ns=time.time_ns())
    elif sys.stdin.isatty() and sys.stderr.isatty():
        reviews = ask_reviews(read, alarms, name, describe=_describe)
    else:
        raise UsageError(
            "standard input is no terminal, so nobody can be asked; decide with --accept NAME, --isolate NAME and "
            "--exclude NAME, or start it in a terminal"
        )
    reviews = replace(reviews, expires=last_day, file=path.name, standing=known)
    replaced = path.exists()
    write_text(path, reviews_text(reviews, read), over=True)  # asked for by --replace, or nothing is there
    undecided, unstated = _left(read, alarms, reviews.decisions)
    if as_json:
        say_json({**reviews.to_data(), "undecided": undecided, "unstated": unstated})
    else:
        bound = "" if reviews.binding is None else reviews.binding.whole
        say(f"{'replaced' if replaced else 'written'}: {path}, valid through {last_day}, bound to {bound}")
    for what in undecided:
        note(f"not decided, so a test of its alarms is refused: {what} ({read.side_effects[what].text})")
    for what in unstated:
        note(f"side effects not stated, so a test of it is refused: {what}")
    return ExitCode.UNKNOWN if undecided or unstated else ExitCode.ALL_PASS


def _known(site: Site, standing: tuple[str, ...]) -> dict[str, str]:
    """What is known to be on, by name, with the reason."""
    from harness.site.names import did_you_mean

    found: dict[str, str] = {}
    for word in standing:
        name, _, reason = (part.strip() for part in word.partition("="))
        if name not in site.alarms and name not in site.points:
            hint = did_you_mean(name, (*site.alarms, *site.points)) or "name it as the point map does"
            raise UsageError(f"--standing {word}: no alarm and no point is called {name}; {hint}")
        if not reason:
            raise UsageError(f"--standing {word}: expected the reason, such as --standing '{name}=drained today'")
        found[name] = reason
    return found


def _last_day(expires: str | None) -> date:
    from harness.site.moments import read_day
    from harness.site.problems import Mismatch

    today = datetime.now(UTC).astimezone().date()
    if expires is None:
        return today + timedelta(days=EXPIRES_DAYS)
    try:
        day = read_day(expires)
    except Mismatch as exc:
        raise UsageError(f"--expires {expires}: {exc.expected}; {exc.remedy}") from exc
    if day < today:
        raise UsageError(f"--expires {expires}: expected a day to come, and today is {today}; give a later one")
    return day


def _check_free(path: Path, *, may_replace: bool) -> None:
    """A file with decisions is never written over without saying so."""
    if not path.absolute().parent.is_dir():
        raise UsageError(f"--out {path}: its folder does not exist; make it first")
    if path.exists() and not may_replace:
        raise UsageError(
            f"{path}: exists already, and decisions are not written over unasked; give --replace, or another --out"
        )


def _describe(name: str) -> str:
    """A line on what was isolated; the report repeats it."""
    asked = f"  {name}: what was isolated, and how (Enter: not said)"
    return " ".join(str(click.prompt(asked, default="", show_default=False, err=True)).split())


def _left(site: Site, alarms: list[Alarm], decided: Mapping[str, Decision]) -> tuple[list[str], list[str]]:
    """Side effects that nobody decided, and alarms whose side effects are not stated."""
    from harness.cli.reviewing import side_effects_of
    from harness.run.gate import acting

    unstated = [one.name for alarm in alarms for one in acting(site, alarm) if one.side_effects is None]
    return [name for name in side_effects_of(site, alarms) if name not in decided], list(dict.fromkeys(unstated))
