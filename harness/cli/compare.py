"""``farend compare``."""

from __future__ import annotations

import functools
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from harness.cli.common import all_option, duration_of, json_option, note, say, terminal_width, write_text
from harness.cli.drawing import check_page
from harness.cli.shares import share_of
from harness.core.errors import UsageError

if TYPE_CHECKING:
    from harness.measure.run_comparison import Asked
    from harness.report.comparison import ComparisonDocument
    from harness.site.renames import Renames
    from harness.studies.compare_sides import Run
    from harness.studies.comparing_records import Wanted

_PATH = click.Path(path_type=Path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking:
    """What the options say of what is compared, and of what counts as a change."""

    only: tuple[str, ...]
    worth: str
    level: str
    confidence: str
    allow_unknown: tuple[str, ...]
    allow_some_unknown: tuple[str, ...]
    allow_vanished: tuple[str, ...]
    finer: bool
    verdicts: bool
    two_rates: bool
    backwards: bool
    seed: int

    def asked(self) -> Asked:
        """What the statistics are asked. UsageError for what is no share, or no time."""
        from harness.measure.run_comparison import Asked

        return Asked(
            level=share_of("--level", self.level, such_as="5%"),
            worth_ns=duration_of("--worth", self.worth),
            confidence=share_of("--confidence", self.confidence),
            finer=self.finer,
            verdicts_only=self.verdicts,
        )

    def wanted(self, asked: Asked, renames: Renames) -> Wanted:
        """All that a comparison is asked."""
        from harness.studies.comparing_records import Wanted

        return Wanted(
            asked=asked,
            renames=renames,
            only=self.only,
            unknown_allowed=self.allow_unknown,
            some_unknown_allowed=self.allow_some_unknown,
            vanishing_allowed=self.allow_vanished,
            two_rates=self.two_rates,
            backwards=self.backwards,
            seed=self.seed,
        )


_OPTIONS = (
    click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms, points or ALARM@POINT; repeatable."),
    click.option("--worth", default="100 ms", show_default=True, metavar="TIME",
                 help="A change of less is no regression."),
    click.option("--level", default="5%", show_default=True, metavar="SHARE",
                 help="Of false alarms, over all tests."),
    click.option("--confidence", default="95%", show_default=True, metavar="SHARE",
                 help="That no change is worth more."),
    click.option("--allow-unknown", multiple=True, metavar="PATTERN",
                 help="ALARM@POINT that may be unknown, or not compared; repeatable."),
    click.option("--allow-some-unknown", multiple=True, metavar="PATTERN",
                 help="ALARM@POINT that may be unknown in some trials if it passed in others; repeatable."),
    click.option("--allow-vanished", multiple=True, metavar="PATTERN",
                 help="ALARM@POINT that may be gone; repeatable."),
    click.option("--finer", is_flag=True, help="Take it that devices scan at random against our polls: finer than a "
                 "poll."),
    click.option("--verdicts", is_flag=True, help="Compare verdicts and point maps alone, and no times or misses."),
    click.option("--two-rates", is_flag=True, help="One firmware, polled at two rates: does polling slow the device?"),
    click.option("--backwards", is_flag=True, help="BEFORE may be the newer run, and that is meant."),
    click.option("--seed", type=int, default=0, show_default=True,
                 help="Of random deals, for very many trials only."),
)  # fmt: skip


def _asking_options(command: Callable[..., int]) -> Callable[..., int]:
    """Adds these options to a command, which gets them as one value, ``asking``."""
    names = [it.name for it in fields(Asking)]

    @functools.wraps(command)
    def taking(**given: Any) -> int:
        return command(asking=Asking(**{name: given.pop(name) for name in names}), **given)

    for option in reversed(_OPTIONS):
        taking = option(taking)
    return taking


@click.command(name="compare", short_help="Compare the records of two runs, before and after an update.")
@click.argument("before", type=_PATH)
@click.argument("after", type=_PATH)
@click.option("--before", "more_before", multiple=True, type=_PATH, metavar="RECORD", help="One more; repeatable.")
@click.option("--after", "more_after", multiple=True, type=_PATH, metavar="RECORD", help="One more; repeatable.")
@click.option("--site", "site", type=_PATH, help="Site file beside which baselines are kept. Default: in this folder.")
@click.option("--renames", "renames_file", type=_PATH, help="YAML of alarms, points and links: 'old name: new name'.")
@_asking_options
@click.option("--html", "html_file", type=click.Path(path_type=Path, dir_okay=False), help="Also write it as a page.")
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
    asking: Asking,
    html_file: Path | None,
    junit_file: Path | None,
    every_row: bool,
    as_json: bool,
) -> int:
    """Compare BEFORE with AFTER, expectation by expectation: each a record, a folder of records, or a baseline's name.

    Exit code 1 where something regressed: it fails and did not before, or is not shown where it always was; it is
    significantly more often missed, later,
    or shorter, and not shown to be so by less than --worth; its link is later as a whole; it is gone from the point
    map; a new stray; or it is unknown, or no longer tested, and not allowed by name. Else 3 where times and misses of
    one could not be compared, by itself or by its link as a whole, since there are too few trials: --verdicts says
    that verdicts and point maps are enough. Else 0, also where something fails as it did before.

    With --two-rates both are of one firmware, tested once with a site file and once with a copy of it that has another
    'poll every' in its links: exit code 1 where alarms come later, or answers take longer, when polled faster.
    """
    if asking.two_rates and renames_file is not None:
        raise UsageError(
            "--two-rates and --renames: nothing is renamed between two tests of one firmware; leave one out"
        )
    if asking.two_rates and asking.verdicts:
        raise UsageError("--two-rates and --verdicts: two rates are compared by their times; leave one out")
    check_page(html_file)
    document = _compared((before, *more_before), (after, *more_after), site, renames_file, asking)
    if html_file is not None:
        _write_page(html_file, document)
    if junit_file is not None:
        _write_junit(junit_file, document)
    _tell(document, every_row=every_row, as_json=as_json)
    return document.exit_code


def _compared(
    before: tuple[Path, ...], after: tuple[Path, ...], site: Path | None, renames_file: Path | None, asking: Asking
) -> ComparisonDocument:
    """Read both runs and compare them. ``site``: the site file beside which a baseline is looked for by its name."""
    from harness.studies.comparing_records import compare_records
    from harness.studies.named_runs import run_of

    asked, beside = asking.asked(), _beside(site)
    with ExitStack() as stack:
        first = run_of(before, beside, "BEFORE", stack)
        second = run_of(after, beside, "AFTER", stack)
        return compare_records(first, second, asking.wanted(asked, _renames(renames_file, first, second)))


def _write_page(file: Path, document: ComparisonDocument) -> None:
    from harness.report.compare_html import render_compare_html

    write_text(file, render_compare_html(document))
    note(f"written: {file}")


def _write_junit(file: Path, document: ComparisonDocument) -> None:
    from harness.report.compare_junit import render_compare_junit

    write_text(file, render_compare_junit(document))
    note(f"written: {file}")


def _tell(document: ComparisonDocument, *, every_row: bool, as_json: bool) -> None:
    from harness.report.compare_json import render_compare_json
    from harness.report.text_compare import render_comparison

    if as_json:
        click.echo(render_compare_json(document), nl=False)
    else:
        say(render_comparison(document, width=terminal_width(), every_row=every_row).rstrip("\n"))


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
