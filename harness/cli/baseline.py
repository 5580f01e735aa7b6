"""``farend baseline``."""

from __future__ import annotations

import getpass
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from harness.cli.common import SITE_ARGUMENT, found, json_option, load, note, say, say_json, say_wrapped
from harness.core.errors import FarendError, UsageError
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from harness.studies.baselines import Baseline

ACTIONS: Final = ("keep", "list", "show", "remove")


@click.command(name="baseline", short_help="Keep records under a name, to compare others with.")
@SITE_ARGUMENT
@click.argument("action", type=click.Choice(ACTIONS))
@click.argument("name", default="")
@click.argument("records", nargs=-1, type=click.Path(path_type=Path))
@click.option("--note", "remark", default="", help="What it stands for, such as 'as accepted on site'.")
@click.option("--by", default="", help="Who keeps it. Default: the user of this computer.")
@click.option("--replace", "may_replace", is_flag=True, help="Take the place of the baseline that has the name.")
@json_option
def command(
    site: Path,
    action: str,
    name: str,
    records: tuple[Path, ...],
    remark: str,
    by: str,
    may_replace: bool,
    as_json: bool,
) -> int:
    """Keep RECORDS of SITE under NAME, beside the site file, so that 'farend compare NAME AFTER' finds them.

    ACTION is keep, list, show or remove. The records are copied, with their SHA-256: what was changed since is refused.
    One of RECORDS may be a folder: then all records in it are kept.
    """
    from harness.studies.baselines import keep, kept_in, read_baseline, records_of, remove
    from harness.studies.named_runs import records_in

    folder = baselines_beside(site)
    if action != "list" and not name:
        raise UsageError(f"{action}: expected the NAME of a baseline, such as 1.4.2")
    if action == "keep":
        if not records:
            raise UsageError(f"keep {name}: expected the records to keep behind the name")
        read, _ = load(site)
        paths = [path for it in records for path in records_in(it)]
        made = keep(
            folder,
            read.name,
            name,
            paths,
            by=by or getpass.getuser(),
            note=remark,
            now_utc_ns=time.time_ns(),
            replace=may_replace,
        )
        _tell([made], as_json=as_json)
        note(f"kept in {made.folder}")
        return ExitCode.ALL_PASS
    if records or (action == "list" and name):
        raise UsageError(f"{action}: expected nothing behind {'it' if action == 'list' else 'the name'}")
    if action == "remove":
        gone = remove(folder, name)
        _tell([gone], as_json=as_json)
        note(f"removed: {gone.folder}")
        return ExitCode.ALL_PASS
    problems: list[str] = []
    told = []
    for one in [name] if action == "show" else kept_in(folder):
        try:
            baseline = read_baseline(folder, one)
            told.append(baseline)
            records_of(baseline)
        except FarendError as exc:
            problems.append(str(exc))
    _tell(told, as_json=as_json, with_files=action == "show", problems=problems)
    for problem in problems:
        note(problem)
    if not told and not problems and not as_json:
        say(f"no baseline is kept beside {found(site)}")
    return ExitCode.USAGE if problems else ExitCode.ALL_PASS


def baselines_beside(site: Path) -> Path:
    """The folder of a site file; this one, for a site that is shipped with farend. UsageError where there is none."""
    entry = found(site)
    if not entry.exists():
        raise UsageError(f"{site}: no such file; give the site file beside which baselines are kept")
    return entry.parent if site.exists() else Path()


def _tell(
    baselines: list[Baseline], *, as_json: bool, with_files: bool = False, problems: list[str] | None = None
) -> None:
    from harness.report import human

    if as_json:
        say_json({"baselines": [it.to_data() for it in baselines], "problems": problems or []})
        return
    for it in baselines:
        remark = f"; {it.note}" if it.note else ""
        say_wrapped(
            f"{it.name}: {human.count(len(it.records), 'record')} of {it.site}, firmware {', '.join(it.firmware)}, "
            f"kept {human.utc(it.kept_utc_ns)} by {it.by}{remark}",
            hang=4,
        )
        for file in it.files if with_files else ():
            began = f", of {human.utc(file.started_utc_ns)}" if file.started_utc_ns else ""
            say_wrapped(f"{file.file}{began}, {file.size:,} bytes, SHA-256 {file.sha256}", first=4, hang=8)
