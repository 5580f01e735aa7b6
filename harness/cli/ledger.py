"""``farend ledger``."""

from __future__ import annotations

import getpass
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import click

from harness.cli.common import SITE_ARGUMENT, found, json_option, load, note, say, say_json, say_wrapped
from harness.core.errors import UsageError
from harness.core.ledger import Act, same
from harness.core.verdicts import ExitCode
from harness.report.ledger_words import ledger_lines
from harness.results.ledger import SUFFIX, Ledger, append, ledger_beside, read_ledger
from harness.results.ledger_entries import new_entry
from harness.site.names import did_you_mean

ACTIONS: Final = ("notice", "inhibit", "release", "show")


@click.command(name="ledger", short_help="Who was told of a test, and what is bypassed for it.")
@SITE_ARGUMENT
@click.argument("action", type=click.Choice(ACTIONS))
@click.argument("name", default="")
@click.option(
    "--until", metavar="TIME", help="For notice: 17:00, '2026-11-30 17:00' or '4 h'; a longer one extends it."
)
@click.option("--proven", metavar="HOW", default="", help="How it was shown that the bypass holds, or acts again.")
@click.option("--by", default="", help="Who told them, or did it. Default: the user of this computer.")
@click.option("--at", metavar="TIME", help="When it was, if not now: '2026-11-29 08:15'.")
@click.option("--note", "remark", default="", help="Anything else that should be known.")
@json_option
def command(
    site: Path,
    action: str,
    name: str,
    until: str | None,
    proven: str,
    by: str,
    at: str | None,
    remark: str,
    as_json: bool,
) -> int:
    """Keep the ledger of SITE (a site file, or the ledger itself): who was told of a test, what is bypassed for it.

    ACTION is notice (NAME was told), inhibit (NAME is bypassed), release (NAME was told that it is over, or acts again)
    or show, which ends with 5 while something is open. The ledger lies beside the site file as the site's name with
    .ledger, and is only ever added to. It records: it tells nobody, and bypasses nothing.
    """
    path, demanded = ledger_of(site)
    if action == "show":
        if name:
            raise UsageError(f"show {name}: expected no name; 'show' tells all that is open")
        return _show(read_ledger(path, may_be_missing=site.suffix != SUFFIX), demanded, as_json=as_json)
    ledger = read_ledger(path, may_be_missing=True)
    now = datetime.now(UTC).astimezone()
    who = by or getpass.getuser()
    entry = new_entry(
        ledger.state, Act(action), name, by=who, now=now, until=until or "", at=at or "", proven=proven, note=remark
    )
    append(path, entry)
    if demanded and entry.act is Act.NOTICE and not any(same(entry.name, it) for it in demanded):
        hint = did_you_mean(entry.name, demanded)
        note(f"{entry.name}: entered, though the site file does not ask for this notice; {hint}")
    still = demanded if entry.act is Act.NOTICE else ()
    _show(read_ledger(path), still, as_json=as_json, since_utc_ns=entry.at_utc_ns)
    return ExitCode.ALL_PASS


def ledger_of(site: Path) -> tuple[Path, tuple[str, ...]]:
    """The ledger that is meant, and whom the site file wants told, as far as it was named.

    A path that ends in .ledger is itself; beside a site file it is the one with the site's name; of a site that is
    shipped with farend it is in this folder.
    """
    if site.suffix == SUFFIX:
        return site, ()
    entry, (read, _) = found(site), load(site)
    folder = entry.parent if site.exists() else Path()
    return ledger_beside(folder, read.name), read.notices


def _show(ledger: Ledger, demanded: Sequence[str], *, as_json: bool, since_utc_ns: int | None = None) -> int:
    """All that is open, and all that was closed, if need be only since then; returns the exit code of 'show'."""
    state = ledger.state if since_utc_ns is None else ledger.state.since(since_utc_ns)
    untold = [name for name in demanded if state.notice(name) is None]
    for problem in ledger.problems:
        note(str(problem))
    if as_json:
        problems = [str(problem) for problem in ledger.problems]
        say_json({"file": str(ledger.path), "problems": problems, "not_told": untold, **state.to_data()})
    else:
        say(f"{ledger.path}")
        for line in ledger_lines(state):
            say_wrapped(line, first=2, hang=6)
        for name in untold:
            say_wrapped(f"notice {name}: the site file wants them told before a test; not told", first=2, hang=6)
        if not (state.notices or state.inhibits or untold):
            say("  nothing was entered")
    if ledger.problems:
        return ExitCode.USAGE
    return ExitCode.NOT_RESTORED if state.is_open else ExitCode.ALL_PASS
