"""``farend rates``."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli.common import duration_of, json_option, say, say_json, terminal_width
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode


@click.command(name="rates", short_help="Say how many alarms there were, how often, and which.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--link", default="", metavar="NAME", help="Count what this link showed: one point for each alarm.")
@click.option("--point", "points", multiple=True, metavar="PATTERN", help="Count points that fit; repeatable.")
@click.option("--window", default="10 min", show_default=True, metavar="DURATION", help="Rates are counted in this.")
@click.option("--flood-above", default=10, show_default=True, metavar="N", type=click.IntRange(1, 10_000),
              help="A flood begins with more in it.")  # fmt: skip
@click.option("--flood-below", default=5, show_default=True, metavar="N", type=click.IntRange(1, 10_000),
              help="A flood ends with fewer in it.")  # fmt: skip
@click.option("--chatter", default=3, show_default=True, metavar="N", type=click.IntRange(2, 10_000),
              help="An alarm chatters with so many in --chatter-in.")  # fmt: skip
@click.option("--chatter-in", default="1 min", show_default=True, metavar="DURATION", help="See --chatter.")
@click.option("--fleeting", default="1 min", show_default=True, metavar="DURATION",
              help="What clears by itself in no more.")  # fmt: skip
@click.option("--stale", default="24 h", show_default=True, metavar="DURATION", help="What is active for longer.")
@click.option("--all", "every_one", is_flag=True, help="List every flood and every alarm.")
@json_option
def command(
    records: tuple[Path, ...],
    link: str,
    points: tuple[str, ...],
    window: str,
    flood_above: int,
    flood_below: int,
    chatter: int,
    chatter_in: str,
    fleeting: str,
    stale: str,
    every_one: bool,
    as_json: bool,
) -> int:
    """Alarm rates of RECORDS, as EEMUA 191 and ISA-18.2 count them: in 10 minutes, floods, chattering, fleeting, stale,
    priorities, the most frequent.

    Counted is the reference point of each alarm, else one of its rows; or what the operator sees, if you choose it.
    Each number has bounds where a time has; blind time is no time. The limits are from memory: they decide nothing,
    and the exit code is 0 where anything was observed, else 3.
    """
    from harness.measure.alarm_rates import RateLimits
    from harness.report.alarm_rates import rates_lines
    from harness.report.columns import Terminal
    from harness.report.rates_json import rates_json
    from harness.studies.alarm_rates import RateOptions, alarm_rates

    try:
        limits = RateLimits(
            window_ns=duration_of("--window", window),
            flood_above=flood_above,
            flood_below=flood_below,
            chatter_least=chatter,
            chatter_ns=duration_of("--chatter-in", chatter_in),
            fleeting_ns=duration_of("--fleeting", fleeting),
            stale_ns=duration_of("--stale", stale),
        )
    except ValueError as exc:
        raise UsageError(f"limits: {exc}") from exc
    document = alarm_rates(records, RateOptions(link=link, points=points, limits=limits))
    if as_json:
        say_json(rates_json(document))
    else:
        for line in rates_lines(document, Terminal(width=terminal_width()), every_one=every_one):
            say(line)
    return (
        ExitCode.ALL_PASS
        if document.all.observed_ns and any(it.points for it in document.records)
        else ExitCode.UNKNOWN
    )
