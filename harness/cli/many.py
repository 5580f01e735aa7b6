"""What the commands share that raise one alarm many times and measure: their options, the run, and what is told."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from harness.cli.common import SITE_ARGUMENT, note_wrapped
from harness.cli.drawing import check_page, draw_measured, page_option, tell_measured, write_page
from harness.cli.raising import Raising, prepared, raise_and_judge, raising_options, say_ended
from harness.cli.shares import share_of
from harness.core.durations import duration
from harness.core.durations import measured as taken
from harness.core.errors import UsageError
from harness.core.model import Alarm, Behaviour, Site
from harness.core.verdicts import ExitCode, VerdictClass
from harness.measure.trials import Asked
from harness.run.order import Item, Selection, check_selection, plan_of
from harness.run.spread import Spread, undeclared_words
from harness.run.trials import Claim, Search
from harness.run.variants import sweep_of
from harness.site.reading import Documents

if TYPE_CHECKING:
    from harness.report.measured import Measured
    from harness.results.judging import JudgedRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the options say that both commands have."""

    site: Path
    alarm: str
    raising: Raising
    links: tuple[str, ...]
    confidence: float
    every_number: bool
    as_json: bool
    html_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """``code``: the exit code of the test as such. ``besides``: what happened besides what it was made to prove."""

    code: ExitCode
    besides: ExitCode
    measured: Measured

    def amounts_to(self, *, is_refuted: bool, is_proven: bool) -> ExitCode:
        """The exit code of a run that was made to prove something about the outputs that must react."""
        if self.besides in (ExitCode.REFUSED, ExitCode.FAILED) or self.code is ExitCode.NOT_RESTORED:
            return self.code if self.code is ExitCode.NOT_RESTORED else self.besides
        if is_refuted:
            return ExitCode.FAILED
        return self.besides if is_proven else ExitCode.UNKNOWN


def many_options(command: Callable[..., int]) -> Callable[..., int]:
    """Adds the options of both commands to one, which gets them as one value, ``told``."""

    @functools.wraps(command)
    def taking(
        *,
        site: Path,
        alarm: str,
        raising: Raising,
        links: tuple[str, ...],
        confidence: str,
        every_number: bool,
        as_json: bool,
        html_file: Path | None,
        **more: Any,
    ) -> int:
        told = Told(
            site=site,
            alarm=alarm,
            raising=raising,
            links=links,
            confidence=share_of("--confidence", confidence),
            every_number=every_number,
            as_json=as_json,
            html_file=html_file,
        )
        check_page(html_file)
        return command(told=told, **more)

    wrapped: Callable[..., int] = taking
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print what was measured as JSON at the end."),
        page_option,
        click.option("--all", "every_number", is_flag=True, help="Every quantile of every output, in sentences."),
        click.option("--confidence", default="95%", show_default=True, metavar="SHARE", help="Of every bound."),
        click.option("--link", "links", multiple=True, metavar="NAME", help="Only outputs on this link; repeatable."),
        raising_options,
        click.option("--alarm", required=True, metavar="NAME", help="The alarm to raise."),
        SITE_ARGUMENT,
    ):
        wrapped = option(wrapped)
    return wrapped


def one_alarm(site: Site, name: str) -> Alarm:
    """The alarm of that name. UsageError where there is none, or where no output must react to it."""
    if name not in site.alarms:
        raise UsageError(f"--alarm {name}: {site.name} has no such alarm; it has {', '.join(site.alarms)}")
    return site.alarms[name]


def measure_many(
    told: Told,
    site: Site,
    documents: Documents,
    asked: Asked,
    *,
    repeat: int = 1,
    usual: int | None = None,
    claim: Claim | None = None,
    search: Search | None = None,
    picture: Path | None = None,
) -> Ended:
    """Raise, record, judge, and tell what was measured. ``picture``: where it is drawn besides.

    ``usual``: so many raises it takes where all is well, at each output where a length is searched for; None: all.
    """
    from harness.studies.measuring import measured

    selection = Selection(only=(told.alarm,), links=told.links)
    check_selection(site, selection)
    items = plan_of(site, selection)
    points = {row.point for it in items for row in it.loud}
    if not points:
        raise UsageError(f"--alarm {told.alarm}: no output has to react to it; name another one, or another --link")
    if search is not None:
        repeat = search.tries_max * len(points)
        usual = search.search.tries_usual * len(points)
    held_ns = () if search is None else (search.longest_ns,)
    spread = Spread(site, repeat=repeat, held_ns=held_ns, by_hand=told.raising.guided)
    raised = items if search is None else [next(sweep_of(items, held_ns, 1))]
    note_wrapped(_takes(spread, raised, repeat, repeat if usual is None else min(usual, repeat)))
    links = dict.fromkeys(site.points[row.point].link for it in items for row in it.loud)
    for text in dict.fromkeys(text for link in links for text in undeclared_words(site, link)):
        note_wrapped(f"NOTHING CAN BE PROVEN of outputs on this way: {text}")
    options = prepared(
        told.site,
        site,
        selection,
        told.raising,
        repeat=repeat,
        held_ns=held_ns,
        claim=claim,
        search=search,
    )
    judged, why = raise_and_judge(site, documents, options, plain=told.raising.plain)
    try:
        found = measured([judged], asked)
        tell_measured(found, every_number=told.every_number, as_json=told.as_json)
        say_ended(judged, options, why)
        draw_measured(found, picture)
        write_page([judged], told.html_file, told=found)
        return Ended(code=judged.exit_code, besides=besides(judged), measured=found)
    finally:
        judged.reader.close()


def besides(judged: JudgedRecord) -> ExitCode:
    """What a run amounts to but for the outputs that must react, of which it was made to prove something.

    What came on and should not have is a fail whatever was proven, and where nobody can tell whether it did it is
    unknown. As for any test it is not all good before everybody was told that it is over and every bypass is released:
    a miss that a claim allows changes nothing of that.
    """
    if judged.exit_code in (ExitCode.REFUSED, ExitCode.NOT_RESTORED):
        return judged.exit_code
    quiet = {row.key for row in judged.site.expectations if row.behaviour is Behaviour.QUIET}
    classes = {it.verdict.verdict_class for it in judged.judgement.results if it.expectation in quiet}
    if judged.judgement.strays or VerdictClass.FAIL in classes:
        return ExitCode.FAILED
    if VerdictClass.UNKNOWN in classes:
        return ExitCode.UNKNOWN
    return ExitCode.ALL_PASS if judged.is_settled else ExitCode.NOT_RESTORED


def _takes(spread: Spread, items: Sequence[Item], repeat: int, usual: int) -> str:
    """How long it takes, as far as that can be said. ``items``: raised so many times each, and usually so many."""
    over_ns = max(spread.over_ns(it) for it in items)
    phases = f" at random phases of {duration(over_ns)}" if over_ns else " by hand"
    raises, once_ns = repeat * len(items), sum(spread.usual_ns(it) for it in items)
    each = f"about {taken(once_ns // len(items))} each where all is well"
    if usual >= repeat:
        return f"up to {raises} raises{phases}, {each}: {taken(repeat * once_ns)} for all of them"
    likely = f"about {usual * len(items)} of them and {taken(usual * once_ns)} where nothing is unlucky"
    return f"up to {raises} raises{phases}, {each}: {likely}, {taken(repeat * once_ns)} for all"
