"""``farend report``."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.common import all_option, note, say, terminal_width, write_text
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode, exit_code

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(name="report", short_help="Make a report of records.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--html", "html_file", type=_FILE, help="Write a page that stands alone and prints well.")
@click.option("--junit", "junit_file", type=_FILE, help="Write JUnit XML: unknown is an error, never a pass.")
@click.option("--json", "json_file", type=_FILE, help="Write canonical JSON; '-' for standard output.")
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Judge all by this corrected point map.")
@all_option
def command(
    records: tuple[Path, ...],
    html_file: Path | None,
    junit_file: Path | None,
    json_file: Path | None,
    map_file: Path | None,
    every_row: bool,
) -> int:
    """Make one report of several RECORDS of one site: the newest attempt of each row first, earlier ones kept.

    Without a file option the report is printed as text.
    """
    from harness.report.document import ReportDocument
    from harness.report.html import render_html
    from harness.report.json_ import render_json
    from harness.report.junit import render_junit
    from harness.report.text import render_text
    from harness.run.attempt import report_document
    from harness.run.judging import JudgedRecord, judge_record

    if len({path.resolve() for path in records}) != len(records):
        raise UsageError("the same record was given twice; name each record once")
    judged: list[JudgedRecord] = []
    try:
        for source in records:
            judged.append(judge_record(source, map_file))  # noqa: PERF401  # closed even where the next one fails
        document: ReportDocument = report_document(judged)
        newest = max(judged, key=lambda it: it.reader.header.anchor.utc_ns)
        restored = newest.exit_code is not ExitCode.NOT_RESTORED
    finally:
        for record in judged:
            record.reader.close()
    wanted = ((html_file, render_html), (junit_file, render_junit), (json_file, render_json))
    for path, render in wanted:
        if path is None:
            continue
        if str(path) == "-":
            click.echo(render(document), nl=False)
        else:
            write_text(path, render(document))
            note(f"written: {path}")
    if not any(path for path, _ in wanted):
        say(render_text(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
    from harness.report.standing import standing_of

    code = exit_code(standing_of(document).verdicts)
    return code if restored else ExitCode.NOT_RESTORED
