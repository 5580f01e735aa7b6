"""``farend compare``."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import all_option, duration_of, json_option, note, say, terminal_width, write_text
from harness.cli.shares import share_of
from harness.core.errors import UsageError
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from harness.run.compare_sides import Run
    from harness.site.renames import Renames

_PATH = click.Path(path_type=Path)


@click.command(name="compare", short_help="Compare the records of two runs, before and after an update.")
@click.argument("before", type=_PATH)
@click.argument("after", type=_PATH)
@click.option("--before", "more_before", multiple=True, type=_PATH, metavar="RECORD", help="One more; repeatable.")
@click.option("--after", "more_after", multiple=True, type=_PATH, metavar="RECORD", help="One more; repeatable.")
@click.option("--site", "site", type=_PATH, help="Site file beside which baselines are kept. Default: in this folder.")
@click.option("--renames", "renames_file", type=_PATH, help="YAML of alarms, points and links: 'old name: new name'.")
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms, points or ALARM@POINT; repeatable.")
@click.option("--worth", default="100 ms", show_default=True, metavar="TIME", help="A change of less is no regression.")
@click.option("--level", default="5%", show_default=True, metavar="SHARE", help="Of false alarms, over all tests.")
@click.option("--confidence", default="95%", show_default=True, metavar="SHARE", help="That no change is worth more.")
@click.option("--allow-unknown", multiple=True, metavar="PATTERN", help="ALARM@POINT that may be unknown; repeatable.")
@click.option("--allow-some-unknown", multiple=True, metavar="PATTERN",
              help="ALARM@POINT that may be unknown in some trials if it passed in others; repeatable.")  # fmt: skip
@click.option("--allow-vanished", multiple=True, metavar="PATTERN", help="ALARM@POINT that may be gone; repeatable.")
@click.option("--finer", is_flag=True, help="Take it that devices scan at random against our polls: finer than a poll.")
@click.option("--two-rates", is_flag=True, help="One firmware, polled at two rates: does polling slow the device?")
@click.option("--seed", type=int, default=0, show_default=True, help="Of random deals, for very many trials only.")
@click.option("--junit", "junit_file", type=click.Path(path_type=Path, dir_okay=False), help="Also write JUnit XML.")
@all_option
@json_option
def command(
    before: Path,
    after: Path,
    more_before: tuple[Path, ...],
    more_after: tuple[Path, ...],
    site: Path | None,
    renames_file: Path | None,
    only: tuple[str, ...],
    worth: str,
    level: str,
    confidence: str,
    allow_unknown: tuple[str, ...],
    allow_some_unknown: tuple[str, ...],
    allow_vanished: tuple[str, ...],
    finer: bool,
    two_rates: bool,
    seed: int,
    junit_file: Path | None,
    every_row: bool,
    as_json: bool,
) -> int:
    """Compare BEFORE with AFTER, expectation by expectation: each a record, a folder of records, or a baseline's name.

    Exit code 1 where something regressed: it fails and did not before, or is not shown where it always was; it is
    significantly more often missed, later,
    or shorter, and not shown to be so by less than --worth; its link is later as a whole; it is gone from the point
    map; a new stray; or it is unknown, or no longer tested, and not allowed by name. Else 0, also where something
    fails as it did before.

    With --two-rates both are of one firmware, tested once with a site file and once with a copy of it that has another
    'poll every' in its links: exit code 1 where alarms come later, or answers take longer, when polled faster.
    """
    from harness.measure.run_comparison import Asked
    from harness.report.compare_json import render_compare_json
    from harness.report.compare_junit import render_compare_junit
    from harness.report.text_compare import render_comparison
    from harness.run.comparing_records import Wanted, compare_records
    from harness.run.named_runs import run_of

    if two_rates and renames_file is not None:
        raise UsageError(
            "--two-rates and --renames: nothing is renamed between two tests of one firmware; leave one out"
        )
    asked = Asked(
        level=share_of("--level", level),
        worth_ns=duration_of("--worth", worth),
        confidence=share_of("--confidence", confidence),
        finer=finer,
    )
    beside = _beside(site)
    with ExitStack() as stack:
        first = run_of((before, *more_before), beside, "BEFORE", stack)
        second = run_of((after, *more_after), beside, "AFTER", stack)
        wanted = Wanted(
            asked=asked,
            renames=_renames(renames_file, first, second),
            only=only,
            unknown_allowed=allow_unknown,
            some_unknown_allowed=allow_some_unknown,
            vanishing_allowed=allow_vanished,
            two_rates=two_rates,
            seed=seed,
        )
        document = compare_records(first, second, wanted)
    if junit_file is not None:
        write_text(junit_file, render_compare_junit(document))
        note(f"written: {junit_file}")
    if as_json:
        click.echo(render_compare_json(document), nl=False)
    else:
        say(render_comparison(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
    return ExitCode.FAILED if document.is_failing else ExitCode.ALL_PASS


def _beside(site: Path | None) -> Path:
    if site is None:
        return Path()
    from harness.cli.baseline import baselines_beside

    return baselines_beside(site)


def _renames(file: Path | None, before: Run, after: Run) -> Renames:
    from harness.site.renames import Renames, parse_renames

    if file is None:
        return Renames()
    try:
        data = file.read_bytes()
    except OSError as exc:
        raise UsageError(f"--renames {file}: cannot be read: {exc.strerror}") from exc
    return parse_renames(data, str(file), before.site, after.site)
