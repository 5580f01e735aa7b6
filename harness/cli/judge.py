"""``farend judge``."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.common import all_option, json_option, say, say_rendered, terminal_width
from harness.cli.settling import ledger_option


@click.command(name="judge", short_help="Judge a record again, offline.")
@click.argument("record", type=click.Path(path_type=Path))
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Judge by this corrected point map.")
@ledger_option
@all_option
@json_option
def command(record: Path, map_file: Path | None, ledger_file: Path | None, every_row: bool, as_json: bool) -> int:
    """Judge RECORD from the record alone: the same results again, on any machine.

    With --map, what was read is judged by a corrected point map; the result says so. With --ledger, what became of
    notices and inhibits is taken from the ledger as it is now.
    """
    from harness.report.json_ import render_json
    from harness.report.text import render_text
    from harness.results.judging import judge_record
    from harness.studies.attempt import report_document

    judged = judge_record(record, map_file, ledger_file)
    try:
        document = report_document([judged])
        if as_json:
            say_rendered(render_json(document))
        else:
            if judged.judged_with:
                say(f"judged with {judged.judged_with}")
            say(render_text(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
        return judged.exit_code
    finally:
        judged.reader.close()
