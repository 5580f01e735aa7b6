"""``farend measure``."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from harness.cli.common import json_option, period_of
from harness.cli.drawing import (
    check_page,
    check_picture,
    draw_measured,
    page_option,
    picture_option,
    tell_measured,
    write_page,
)
from harness.cli.shares import share_of
from harness.core.verdicts import ExitCode


@click.command(name="measure", short_help="Latency, visible time and misses of many trials.")
@click.argument("records", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms or points that fit; repeatable.")
@click.option("--confidence", default="95%", show_default=True, metavar="SHARE", help="Of every bound.")
@click.option("--share", default="95%", show_default=True, metavar="SHARE", help="Alarms that a poll is to see.")
@click.option("--slower", multiple=True, metavar="PERIOD", help="What a poll so slow would have seen; repeatable.")
@picture_option
@page_option
@click.option("--all", "every_number", is_flag=True, help="Every quantile of every output, in sentences.")
@json_option
def command(
    records: tuple[Path, ...],
    only: tuple[str, ...],
    confidence: str,
    share: str,
    slower: tuple[str, ...],
    picture: Path | None,
    html_file: Path | None,
    every_number: bool,
    as_json: bool,
) -> int:
    """What many trials in RECORDS of one site come to, for each output: how often, how late, how long visible.

    Polls only bracket when something came and went. Quantiles and their bounds are estimated from the brackets as they
    are, never from midpoints, and alarms that no reading met are counted, not left out. For alarms that clear by
    themselves: the longest poll period that is proven to see them, and with --slower what a slower poll would have seen
    of these very sightings, over all phases.
    """
    from harness.measure.trials import Asked
    from harness.results.judging import judge_record
    from harness.studies.measuring import measured

    check_picture(picture)
    check_page(html_file)
    asked = Asked(
        confidence=share_of("--confidence", confidence),
        share=share_of("--share", share),
        slower_ns=tuple(period_of("--slower", text) for text in slower),
    )
    with ExitStack() as stack:
        judged = []
        for record in records:
            one = judge_record(record)
            stack.callback(one.reader.close)
            judged.append(one)
        told = measured(judged, asked, only)
        write_page(judged, html_file, told=told, only=only)
    draw_measured(told, picture)
    tell_measured(told, every_number=every_number, as_json=as_json)
    return ExitCode.ALL_PASS
