"""``farend test``."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.common import SITE_ARGUMENT, all_option, duration_of, load, say, say_rendered, terminal_width
from harness.cli.drawing import check_page, page_option, write_page
from harness.cli.raising import Raising, prepared, raise_and_judge, raising_options, say_ended
from harness.core.errors import UsageError
from harness.core.model import Site
from harness.results.earlier import left_by
from harness.run.order import Selection
from harness.run.testing import TestOptions
from harness.run.variants import HELD_DEFAULT_NS
from harness.site.reading import Documents


@click.command(name="test", short_help="Raise the alarms of a site and judge.")
@SITE_ARGUMENT
@raising_options
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms that fit, e.g. 'bulk-a.*'; repeatable.")
@click.option("--link", "links", multiple=True, metavar="NAME", help="Only rows on this link; repeatable.")
@click.option("--failed", "failed", type=click.Path(path_type=Path), metavar="RECORD", help="Only what failed there.")
@click.option("--unknown", "unknown", type=click.Path(path_type=Path), metavar="RECORD", help="Only unknowns there.")
@click.option(
    "--resume",
    "resumed",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="RECORD",
    help="Only what was not reached there; repeatable.",
)
@click.option("--reason", default="", help="Why alarms are raised again that were tested before; goes into the record.")
@click.option("--repeat", type=click.IntRange(1, 10_000), default=1, help="Raise the whole plan so many times.")
@click.option("--together", is_flag=True, help="Then raise alarms two at a time, for the outputs that they share.")
@click.option("--sweep", is_flag=True, help="No test: hold each alarm for ever shorter times; --repeat says how often.")
@click.option("--held", default="", metavar="TIMES", help="Times of the sweep, such as '2 s, 500 ms, 100 ms'.")
@page_option
@all_option
@click.option("--json", "as_json", is_flag=True, help="Print the judged record as JSON at the end.")
def command(  # one name an option
    site: Path,
    raising: Raising,
    only: tuple[str, ...],
    links: tuple[str, ...],
    failed: Path | None,
    unknown: Path | None,
    resumed: tuple[Path, ...],
    reason: str,
    repeat: int,
    together: bool,
    sweep: bool,
    held: str,
    html_file: Path | None,
    every_row: bool,
    as_json: bool,
) -> int:
    """Listen on every output of SITE, raise its alarms one by one, acknowledge, clear, and judge.

    With '--guided' a person raises them, led step by step; with '--arm SITE-NAME' farend does, by the writes that the
    site file lists. Nothing is raised before every side effect was reviewed. Everything seen is recorded first and
    judged afterwards; 'farend judge' gives the same results again.
    """
    read, documents = load(site)
    check_page(html_file)
    left = left_by(read.name, failed, unknown, resumed, reason)
    selection = Selection(only=only, links=links, keys=left.keys)
    options = prepared(
        site,
        read,
        selection,
        raising,
        repeat=repeat,
        together=together,
        held_ns=held_times(held, sweep=sweep),
        resumes=left.resumes,
        retests=left.retests,
    )
    return perform(
        read, documents, options, plain=raising.plain, every_row=every_row, as_json=as_json, html_file=html_file
    )


def held_times(text: str, *, sweep: bool) -> tuple[int, ...]:
    """The times of a sweep in ns; none where there is no sweep. UsageError for what is no duration."""
    if not sweep:
        if text:
            raise UsageError(f"--held {text}: these are times of a sweep; add --sweep, or leave them out")
        return ()
    return tuple(duration_of("--held", part.strip()) for part in text.split(",")) if text else HELD_DEFAULT_NS


def perform(
    site: Site,
    documents: Documents,
    options: TestOptions,
    *,
    plain: bool = False,
    every_row: bool = False,
    as_json: bool = False,
    html_file: Path | None = None,
) -> int:
    """Run a test, judge its record, print the results; returns the exit code."""
    from harness.report.json_ import render_json
    from harness.report.text import render_text
    from harness.studies.attempt import report_document

    judged, why = raise_and_judge(site, documents, options, plain=plain)
    try:
        document = report_document([judged])
        if as_json:
            say_rendered(render_json(document))
        else:
            say(render_text(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
        say_ended(judged, options, why)
        write_page([judged], html_file, document=document)
        return judged.exit_code
    finally:
        judged.reader.close()
