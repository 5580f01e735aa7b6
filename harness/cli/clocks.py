"""``farend clocks``."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click

from harness.cli.common import duration_of, json_option, say, say_json, terminal_width, utc_offset_of
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode


@click.command(name="clocks", short_help="Say how far the clocks are off that a record tells of.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--link", default="", metavar="NAME", help="Only the clock that this link tells of.")
@click.option("--within", metavar="DURATION", help="Fail where a clock is proven to be off by more than this.")
@click.option("--own-error", metavar="DURATION", help="Of the testing machine's clock at most. Default: as recorded.")
@click.option("--utc-offset", metavar="[+-]HH:MM", help="What they are set to. Default: as the testing machine was.")
@click.option("--time-zone", metavar="NAME", help="The zone whose local time they show, such as Europe/Berlin.")
@click.option("--drift-max", default=1_000, show_default=True, metavar="PPM", type=click.IntRange(0, 100_000),
              help="What a clock drifts at most; what is more was set.")  # fmt: skip
@click.option("--all", "every_one", is_flag=True, help="Tell what each time says.")
@json_option
def command(
    records: tuple[Path, ...],
    link: str,
    within: str | None,
    own_error: str | None,
    utc_offset: str | None,
    time_zone: str | None,
    drift_max: int,
    every_one: bool,
    as_json: bool,
) -> int:
    """Offset and drift of every foreign clock in RECORDS, in bounds: printed times, and time stamps of BACnet events.

    A foreign clock is evidence about itself only; it never moves what was observed. Where the longest delay of a link
    is declared, each of its times bounds the clock from both sides, else from one. Where no straight line fits, the
    clock was set: the fewest times, and where each lies. Several records of one site are taken together.

    With --within the exit code is 0 where every clock kept it, 1 where one did not, and 3 where that cannot be told: as
    where nobody knows how far the testing machine's own clock was off.
    """
    from harness.measure.clock_limit import Within
    from harness.report.clock_words import PPM
    from harness.report.clocks import clocks_lines
    from harness.report.clocks_json import clocks_json
    from harness.report.columns import Terminal
    from harness.studies.clocks import ClockOptions, clocks_of
    from harness.studies.local_clock import LocalClock

    if utc_offset is not None and time_zone is not None:
        raise UsageError("--utc-offset and --time-zone: expected one of them; a zone says its own offset")
    offset_s = utc_offset_of(utc_offset)
    set_to = None if offset_s is None else LocalClock(utc_offset_s=offset_s)
    options = ClockOptions(
        link=link,
        set_to=LocalClock.of_zone(time_zone) if time_zone is not None else set_to,
        rate_max=Fraction(drift_max, PPM),
        within_ns=None if within is None else duration_of("--within", within),
        own_error_ns=None if own_error is None else duration_of("--own-error", own_error),
    )
    document = clocks_of(records, options)
    if as_json:
        say_json(clocks_json(document))
    else:
        for line in clocks_lines(document, Terminal(width=terminal_width()), every_one=every_one):
            say(line)
    found = [it.within for it in document.clocks]
    if within is None:
        return ExitCode.ALL_PASS if any(it.history for it in document.clocks) else ExitCode.UNKNOWN
    if Within.NO in found:
        return ExitCode.FAILED
    return ExitCode.ALL_PASS if found and set(found) == {Within.YES} else ExitCode.UNKNOWN
