"""``farend trials``."""

from __future__ import annotations

from math import ceil
from pathlib import Path
from typing import Final

import click

from harness.cli.common import load, note_wrapped, period_of
from harness.cli.drawing import check_picture, picture_option
from harness.cli.many import Told, many_options, measure_many, one_alarm
from harness.cli.shares import share_of
from harness.core.errors import UsageError
from harness.measure.poll_period import trials_to_name
from harness.measure.proportions import Side, clopper_pearson, trials_needed
from harness.measure.sequential import Decision
from harness.measure.trials import Asked
from harness.report.human import count as counted
from harness.report.measured_words import percent
from harness.run.trials import Claim

COUNT_MAX: Final = 10_000


@click.command(name="trials", short_help="Raise one alarm many times, and measure.")
@many_options
@click.option(
    "--count", type=click.IntRange(1, COUNT_MAX), help="So many times. Default: as many as a poll takes to name."
)
@click.option("--claim", metavar="SHARE", help="That at least so many pass; stop once it is decided either way.")
@click.option("--misses-allowed", type=click.IntRange(0, 1000), default=0, help="So many may fail, for a longer plan.")
@click.option("--good", metavar="SHARE", help="What passes at a good output: decide by Wald's sequential test.")
@click.option("--share", default="95%", show_default=True, metavar="SHARE", help="Alarms that a poll is to see.")
@click.option("--slower", multiple=True, metavar="PERIOD", help="What a poll so slow would have seen; repeatable.")
@picture_option
def command(
    told: Told,
    count: int | None,
    claim: str | None,
    misses_allowed: int,
    good: str | None,
    share: str,
    slower: tuple[str, ...],
    picture: Path | None,
) -> int:
    """Raise one alarm of SITE many times, at random phases of all polls, and measure what its outputs make of it.

    It tells beforehand how many trials a claim takes. With '--claim 95%' it stops as soon as the claim is decided for
    every output, by a rule whose error rates hold; unknown results count for neither side. 'farend measure' tells the
    same again from the record. Exit code with a claim: 0 proven for every output, 1 not to be proven any more for one,
    or something came on that should not have, 3 not decided, or nobody can tell whether something did; without one that
    of a test.
    """
    check_picture(picture)
    asked = Asked(
        confidence=told.confidence,
        share=share_of("--share", share),
        slower_ns=tuple(period_of("--slower", text) for text in slower),
    )
    wanted = _claim(told, count, claim, misses_allowed, good)
    trials = count or _enough(asked) if wanted is None else min(wanted.trials_max, wanted.rule.trials_max)
    site, documents = load(told.site)
    alarm = one_alarm(site, told.alarm)
    note_wrapped(forecast(wanted, trials, asked, names_poll=alarm.lasts_ns is not None))
    if count is not None and trials < count:
        note_wrapped(f"--count {count}: no more than {trials} are raised, which decide the claim either way")
    usual = None if wanted is None else _usual(wanted)
    ended = measure_many(told, site, documents, asked, repeat=trials, usual=usual, claim=wanted, picture=picture)
    if wanted is None:
        return ended.code
    decisions = {it.decision for it in ended.measured.claims}
    return ended.amounts_to(is_refuted=Decision.REFUTED in decisions, is_proven=decisions == {Decision.PROVEN})


def _enough(asked: Asked) -> int:
    """As many as it takes, all seen, to show the share that is asked about, and to name a poll that sees so many."""
    needed = trials_needed(asked.share, confidence=asked.confidence)
    if needed <= COUNT_MAX:
        needed = max(needed, trials_to_name(asked.share, confidence=asked.confidence))
    if needed > COUNT_MAX:
        raise UsageError(
            f"--share {percent(asked.share, up=False)}: takes {needed:,} trials to show; ask about less, or give a "
            f"--count of at most {COUNT_MAX:,}"
        )
    return needed


def _claim(told: Told, count: int | None, claim: str | None, misses_allowed: int, good: str | None) -> Claim | None:
    if claim is None:
        if good is not None or misses_allowed:
            raise UsageError("--good and --misses-allowed say how a claim is decided; give --claim as well")
        return None
    if good is not None and misses_allowed:
        raise UsageError("--good and --misses-allowed: two ways to decide one claim; leave one of them out")
    return Claim(
        share=share_of("--claim", claim),
        trials_max=count or COUNT_MAX,
        confidence=told.confidence,
        misses_allowed=misses_allowed,
        good=None if good is None else share_of("--good", good),
    )


def _usual(claim: Claim) -> int:
    """How many trials a claim takes at a good output."""
    return claim.needed if claim.good is None else ceil(claim.rule.rates(1.0 - claim.good).trials_mean)


def forecast(claim: Claim | None, trials: int, asked: Asked, *, names_poll: bool = False) -> str:
    """What so many trials can show, before the first. ``names_poll``: the alarm clears by itself, so that they could
    name a poll period.
    """
    least = clopper_pearson(trials, trials, confidence=asked.confidence, side=Side.LOWER).low
    sure = percent(asked.confidence)
    best = (
        f"{counted(trials, 'trial')} that all pass show that at least {percent(least, up=False)} do ({sure}, one-sided)"
    )
    to_name = trials_to_name(asked.share, confidence=asked.confidence) if names_poll else 0
    if trials < to_name:
        best += f". To name a poll period that sees {percent(asked.share)} of them takes {to_name} trials at least"
    if claim is None:
        return best
    if claim.good is None:
        how = (
            f"{counted(claim.needed, 'trial')} with at most {counted(claim.misses_allowed, 'miss', 'misses')} prove it"
        )
    else:
        mean = claim.rule.rates(1.0 - claim.good).trials_mean
        how = f"at least {counted(claim.needed, 'trial')} prove it, about {mean:.0f} on average at a good output"
    short = f"; {trials} CANNOT prove it, give a higher --count" if trials < claim.needed else ""
    return f"claim: at least {percent(claim.share)} pass ({percent(claim.confidence)}): {how}{short}. {best}"
