"""How what was measured is told: as text or JSON, and as a picture; for all commands that measure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from harness.cli.common import PAGE, check_replaces, note, say, say_json, terminal_width, write_text
from harness.core.errors import UsageError

if TYPE_CHECKING:
    from harness.report.document import ReportDocument
    from harness.report.measured import Measured
    from harness.results.judging import JudgedRecord

SUFFIXES: Final = (".svg", ".html")

picture_option: Callable[[Callable[..., Any]], Callable[..., Any]] = click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also draw the distributions: FILE.svg or FILE.html.",
)


page_option: Callable[[Callable[..., Any]], Callable[..., Any]] = click.option(
    "--html",
    "html_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the report of it as a page.",
)


def check_page(html_file: Path | None) -> None:
    """UsageError for a page that could not be written in the end."""
    if html_file is not None and not html_file.absolute().parent.is_dir():
        raise UsageError(f"--html {html_file}: its folder does not exist; make it first")
    if html_file is not None:
        check_replaces(html_file, PAGE)


def check_picture(picture: Path | None) -> None:
    """UsageError for a picture that could not be written in the end: said before anything is raised or read."""
    if picture is None:
        return
    if picture.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--picture {picture}: expected a name that ends in .svg or .html")
    if not picture.parent.is_dir():
        raise UsageError(f"--picture {picture}: there is no folder {picture.parent}; make it, or name another")


def tell_measured(told: Measured, *, every_number: bool, as_json: bool) -> None:
    """Print it."""
    from harness.report.measured_json import measured_json
    from harness.report.text_measured import render_measured

    if as_json:
        say_json(measured_json(told))
    else:
        say(render_measured(told, width=terminal_width(), every_number=every_number).rstrip("\n"))


def draw_measured(told: Measured, picture: Path | None) -> None:
    """Write it whole or not at all. UsageError where that fails."""
    if picture is None:
        return
    from harness.report.measured_picture import measured_html, measured_svg

    write_text(picture, measured_svg(told) if picture.suffix.lower() == ".svg" else measured_html(told))
    note(f"picture: {picture}")


def write_page(
    records: Sequence[JudgedRecord],
    html_file: Path | None,
    *,
    document: ReportDocument | None = None,
    told: Measured | None = None,
    only: Sequence[str] = (),
) -> None:
    """Write the report of records as a page; whole or not at all. UsageError where that fails.

    ``document``, ``told``: their report and what was measured, where these were made already; ``only``: of which rows.
    """
    if html_file is None:
        return
    from harness.report.html import render_html
    from harness.studies.attempt import report_document
    from harness.studies.repeated import repeated, repeated_of

    again = repeated(records) if told is None else repeated_of(told, only)
    write_text(html_file, render_html(replace(document or report_document(records), repeated=again)))
    note(f"report: {html_file}")
