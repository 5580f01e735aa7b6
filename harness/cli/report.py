"""``farend report``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import all_option, note, say, say_rendered, terminal_width, write_text
from harness.cli.settling import ledger_option
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode, exit_code

if TYPE_CHECKING:
    from harness.report.document import ReportDocument

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(name="report", short_help="Make a report of records.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--html", "html_file", type=_FILE, help="Write a page that stands alone and prints well.")
@click.option("--junit", "junit_file", type=_FILE, help="Write JUnit XML: unknown is an error, never a pass.")
@click.option("--json", "json_file", type=_FILE, help="Write canonical JSON; '-' for standard output.")
@click.option(
    "--log-book",
    "log_file",
    type=_FILE,
    help="Write what was raised, when and by whom: a CSV table where it ends in .csv, else text; '-' prints the text.",
)
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Judge all by this corrected point map.")
@ledger_option
@all_option
def command(
    records: tuple[Path, ...],
    html_file: Path | None,
    junit_file: Path | None,
    json_file: Path | None,
    log_file: Path | None,
    map_file: Path | None,
    ledger_file: Path | None,
    every_row: bool,
) -> int:
    """Make one report of several RECORDS of one site: the newest attempt of each row first, earlier ones kept.

    Without a file option the report is printed as text. The log book lists every simulated alarm, so that
    the entries in the controller's own alarm history can be marked as tests; the page has it too.
    """
    from harness.report.html import render_html
    from harness.report.json_ import render_json
    from harness.report.junit import render_junit
    from harness.report.text import render_text
    from harness.results.judging import JudgedRecord, judge_record
    from harness.studies.attempt import report_document
    from harness.studies.repeated import repeated

    if len({path.resolve() for path in records}) != len(records):
        raise UsageError("the same record was given twice; name each record once")
    judged: list[JudgedRecord] = []
    try:
        for source in records:
            judged.append(judge_record(source, map_file, ledger_file))  # noqa: PERF401  # closed even where the next one fails
        document = report_document(judged)
        if html_file is not None:
            document = replace(document, repeated=repeated(judged))
        newest = max(judged, key=lambda it: it.reader.header.anchor.utc_ns)
        restored, settled = not newest.is_changed, newest.is_settled
    finally:
        for record in judged:
            record.reader.close()
    wanted = (
        (html_file, render_html),
        (junit_file, render_junit),
        (json_file, render_json),
        (log_file, _log_renderer(log_file)),
    )
    for path, render in wanted:
        if path is None:
            continue
        if str(path) == "-":
            say_rendered(render(document))  # each renderer has made what it writes safe
        else:
            write_text(path, render(document))
            note(f"written: {path}")
    if not any(path for path, _ in wanted):
        say(render_text(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
    from harness.report.standing import standing_of

    code = exit_code(standing_of(document).verdicts)
    if not restored or (code is ExitCode.ALL_PASS and not settled):
        return ExitCode.NOT_RESTORED
    return code


def _log_renderer(file: Path | None) -> Callable[[ReportDocument], str]:
    from harness.report.log_csv import render_log_csv
    from harness.report.log_text import render_log_text

    if file is not None and file.suffix.lower() == ".csv":
        return render_log_csv
    return lambda document: render_log_text(document, width=terminal_width())
