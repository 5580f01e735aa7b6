"""``farend budget``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import SITE_ARGUMENT, json_option, load, note, say, say_json, terminal_width
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from collections.abc import Iterable

    from harness.report.budget_document import Budget


@click.command(name="budget", short_help="Predict what pollers can see.")
@SITE_ARGUMENT
@click.option("--transient", "transients", multiple=True, metavar="TIME",
              help="Ask about an alarm of this length; repeatable. Default: those of the site that clear by "
              "themselves.")  # fmt: skip
@click.option("--row", "rows", multiple=True, metavar="PATTERN",
              help="Only rows whose alarm, point or ALARM@POINT fits, one by one; repeatable.")  # fmt: skip
@click.option("--poll", "polls", multiple=True, metavar="LINK=TIME", help="What if LINK were polled every TIME.")
@click.option("--read", "reads", multiple=True, metavar="LINK=TIME",
              help="What if the building system itself read LINK every TIME.")  # fmt: skip
@click.option("--device-poll", "device_polls", multiple=True, metavar="LINK=TIME",
              help="What if the device of LINK polled the one that it is behind every TIME.")  # fmt: skip
@click.option("--baud", "bauds", multiple=True, metavar="[LINK=]N", help="What if a bus (every bus) had N baud.")
@click.option("--dead-unit", "dead", multiple=True, metavar="LINK", help="What if one unit of the bus LINK were dead.")
@click.option("--record", "records", multiple=True, type=click.Path(path_type=Path),
              help="Put what this record measured beside it; repeatable.")  # fmt: skip
@click.option("--picture", type=click.Path(path_type=Path), help="Draw chance against length: FILE.svg or FILE.html.")
@click.option("--plain", is_flag=True, help="Nothing but ASCII.")
@click.option("--all", "every_row", is_flag=True, help="Name every row below its way.")
@json_option
def command(
    site: Path,
    transients: tuple[str, ...],
    rows: tuple[str, ...],
    polls: tuple[str, ...],
    reads: tuple[str, ...],
    device_polls: tuple[str, ...],
    bauds: tuple[str, ...],
    dead: tuple[str, ...],
    records: tuple[Path, ...],
    picture: Path | None,
    plain: bool,
    every_row: bool,
    as_json: bool,
) -> int:
    """Predict from SITE, before any visit, how late each row of the point map shows, and with what chance a transient.

    Hop by hop: latency, expected and worst, and the chance that an alarm of a given length is seen there, with what
    one dead unit on its bus does to both.

    Chances are exact for polls of independent phases. Times that nobody declared in the site file are taken as 0 s and
    named. Opens no connection.

    With --record, what was measured stands beside it. A value outside the prediction is no fail of a row but a result
    to explain, so the exit code is then 3, as where nothing was measured; else it is 0.
    """
    from harness.studies.budget import Asked, budget_of
    from harness.studies.budget_what_if import WhatIf

    what_if = WhatIf(
        polls=_periods("--poll", polls),
        reads=_periods("--read", reads),
        device_polls=_periods("--device-poll", device_polls),
        bauds=_bauds(bauds),
        dead=tuple(dict.fromkeys(dead)),
    )
    if records and what_if != WhatIf():
        raise UsageError("--record: a what-if is not what was measured; leave out one of the two")
    if picture is not None and picture.suffix.lower() not in (".svg", ".html"):
        raise UsageError(f"--picture {picture}: expected a name that ends in .svg or .html")
    lengths_ns = tuple(_length(text) for text in transients)
    read, _ = load(site)
    budget = budget_of(read, Asked(rows=rows, lengths_ns=lengths_ns, what_if=what_if, explicit=every_row))
    if records:
        from harness.studies.budget_measured import with_measured

        budget = with_measured(budget, read, records)
    if picture is not None:
        _draw(budget, picture)
    _tell(budget, plain=plain, as_json=as_json)
    if budget.measured is not None and (budget.measured.outside or not budget.measured.rows):
        return ExitCode.UNKNOWN
    return ExitCode.ALL_PASS


def _tell(budget: Budget, *, plain: bool, as_json: bool) -> None:
    from harness.report.budget import budget_json, budget_lines
    from harness.report.columns import Terminal

    if as_json:
        say_json(budget_json(budget))
        return
    import sys

    takes_blocks = (sys.stdout.encoding or "ascii").lower().startswith("utf")
    for line in budget_lines(budget, Terminal(width=terminal_width(), ascii_only=plain or not takes_blocks)):
        say(line.rstrip())


def _draw(budget: Budget, picture: Path) -> None:
    from harness.cli.common import write_text
    from harness.report.budget_picture import budget_html, budget_svg

    text = budget_svg(budget) if picture.suffix.lower() == ".svg" else budget_html(budget)
    write_text(picture, text)
    note(f"{picture}: chance seen against length")


def _length(text: str) -> int:
    length_ns = _duration("--transient", text, text)
    if not length_ns:
        raise UsageError(f"--transient {text}: expected more than 0 s")
    return length_ns


def _duration(option: str, written: str, text: str) -> int:
    """The duration in what was written for an option. UsageError where it is none."""
    from harness.site.durations import read_duration
    from harness.site.problems import Mismatch

    try:
        return read_duration(text)
    except Mismatch as exc:
        remedy = f"; {exc.remedy}" if exc.remedy else ""
        raise UsageError(f"{option} {written}: {exc.expected}{remedy}") from exc


def _periods(option: str, texts: Iterable[str]) -> dict[str, int]:
    found = {}
    for text in texts:
        name, equals, time = text.partition("=")
        if not equals or not name.strip():
            raise UsageError(f"{option} {text}: expected LINK=TIME, such as {option} bms=30s")
        period_ns = _duration(option, text, time)
        if not period_ns:
            raise UsageError(f"{option} {text}: expected more than 0 s")
        found[name.strip()] = period_ns
    return found


def _bauds(texts: Iterable[str]) -> dict[str, int]:
    from harness.site.protocol_kinds import BAUD_LEAST, BAUD_MOST
    from harness.studies.budget_what_if import ALL_BUSES

    found = {}
    for text in texts:
        name, equals, number = text.rpartition("=")
        bare = number.strip()
        if not bare.isdecimal() or len(bare) > len(str(BAUD_MOST)) or not BAUD_LEAST <= int(bare) <= BAUD_MOST:
            raise UsageError(f"--baud {text}: expected a speed from {BAUD_LEAST} to {BAUD_MOST}, such as 19200")
        if equals and not name.strip():
            raise UsageError(f"--baud {text}: expected LINK=N, or N for every serial bus")
        found[name.strip() or ALL_BUSES] = int(bare)
    return found
