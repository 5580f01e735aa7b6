"""``farend history``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import all_option, duration_of, json_option, say, say_json, terminal_width, utc_offset_of
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from harness.core.history_format import HistoryFormat
    from harness.results.history import HistoryOptions
    from harness.results.judging import JudgedRecord


@click.command(name="history", short_help="Reconcile the controller's alarm history with a record.")
@click.argument("record", type=click.Path(path_type=Path))
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--link", default="", metavar="NAME", help="The link whose patterns read a printed history.")
@click.option("--column", "columns", multiple=True, metavar="FIELD=NAME",
              help="alarm, time, date, event or 'cleared at', and the column that holds it; repeatable.")  # fmt: skip
@click.option("--time-format", default="", metavar="FORMAT", help="How times are written, as strptime reads them.")
@click.option("--raised", multiple=True, metavar="WORD", help="A word of the event column: an alarm was raised.")
@click.option("--cleared", multiple=True, metavar="WORD", help="A word of the event column: an alarm cleared.")
@click.option("--ignored", multiple=True, metavar="WORD", help="A word of the event column that says neither.")
@click.option("--other-lines", multiple=True, metavar="PATTERN", help="Printed lines that tell of no alarm.")
@click.option("--clock-within", metavar="DURATION", help="How far the controller's clock may be off. Default: 15 min.")
@click.option("--clock-off", metavar="[-]DURATION", help="How far it is ahead (or behind), read off to 10 s.")
@click.option("--utc-offset", metavar="[+-]HH:MM", help="What it is set to. Default: as the testing machine was.")
@all_option
@json_option
def command(
    record: Path,
    file: Path | None,
    link: str,
    columns: tuple[str, ...],
    time_format: str,
    raised: tuple[str, ...],
    cleared: tuple[str, ...],
    ignored: tuple[str, ...],
    other_lines: tuple[str, ...],
    clock_within: str | None,
    clock_off: str | None,
    utc_offset: str | None,
    every_row: bool,
    as_json: bool,
) -> int:
    """Reconcile the alarm history FILE of the controller with RECORD: each simulated alarm once, and nothing else.

    FILE is a table (CSV, XLSX), or a text of printed lines, read with the patterns of a text link of the site. Without
    FILE, the lines that the record itself has of that link are read. The site file can say once for all how its history
    is written (alarm history:). The controller's clock has an offset of its own, which is estimated and said.
    """
    from harness.core.history_format import HistoryFormat
    from harness.results.history import HistoryOptions
    from harness.results.judging import judge_record

    judged = judge_record(record)
    try:
        form = _form(judged.site.history or HistoryFormat(), columns, clock_within)
        form = replace(
            form,
            time_format=time_format or form.time_format,
            raised=raised or form.raised,
            cleared=cleared or form.cleared,
            ignored=ignored or form.ignored,
            other_lines=_patterns(other_lines) or form.other_lines,
        )
        options = HistoryOptions(
            file=file,
            link=link,
            form=form,
            clock_off_ns=_signed(clock_off),
            utc_offset_s=utc_offset_of(utc_offset),
        )
        return _compare(judged, options, every_row=every_row, as_json=as_json)
    finally:
        judged.reader.close()


def _compare(judged: JudgedRecord, options: HistoryOptions, *, every_row: bool, as_json: bool) -> int:
    from harness.report.columns import Terminal
    from harness.report.history import history_json, history_lines
    from harness.results.history import compare_history, history_document

    compared = compare_history(judged, options)
    document = history_document(judged, compared)
    if as_json:
        say_json(history_json(document))
    else:
        for line in history_lines(document, Terminal(width=terminal_width()), every_one=every_row):
            say(line)
    if compared.reconciled.differs:
        return ExitCode.FAILED
    return ExitCode.ALL_PASS if compared.is_certain else ExitCode.UNKNOWN


def _form(form: HistoryFormat, columns: tuple[str, ...], within: str | None) -> HistoryFormat:
    from harness.core.history_format import HISTORY_COLUMNS
    from harness.site.names import did_you_mean

    told = dict(form.columns)
    for text in columns:
        name, equals, header = text.partition("=")
        if not equals or name.strip() not in HISTORY_COLUMNS:
            remedy = did_you_mean(name.strip(), HISTORY_COLUMNS)
            raise UsageError(f"--column {text}: expected FIELD=NAME, such as time='Date and time'; {remedy}")
        told[name.strip()] = header.strip()
    within_ns = form.clock_within_ns if within is None else duration_of("--clock-within", within)
    return replace(form, columns=told, clock_within_ns=within_ns)


def _patterns(patterns: tuple[str, ...]) -> tuple[str, ...]:
    from harness.site.patterns import check_pattern
    from harness.site.problems import Mismatch

    for pattern in patterns:
        try:
            check_pattern(pattern)
        except Mismatch as exc:
            remedy = f"; {exc.remedy}" if exc.remedy else ""
            raise UsageError(f"--other-lines {pattern}: {exc.expected}{remedy}") from exc
    return patterns


def _signed(text: str | None) -> int | None:
    if text is None:
        return None
    bare = text.strip()
    sign = -1 if bare.startswith("-") else 1
    return sign * duration_of("--clock-off", bare.lstrip("+-").strip())
