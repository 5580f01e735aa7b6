"""``farend shortest``."""

from __future__ import annotations

from typing import Final

import click

from harness.cli.common import duration_of, load, note_wrapped
from harness.cli.many import Told, many_options, measure_many, one_alarm
from harness.cli.shares import share_of
from harness.core.durations import duration
from harness.core.errors import UsageError
from harness.measure.trials import Asked
from harness.run.trials import Search

TRIES_MAX: Final = 400
"""For each output: what the search for a length and the proof of it take at 95 %, with room for a second proof."""


@click.command(name="shortest", short_help="Search for the shortest alarm that each output shows.")
@many_options
@click.option("--share", default="95%", show_default=True, metavar="SHARE", help="Of the alarms that has to be shown.")
@click.option("--held", default="5s", show_default=True, metavar="TIME", help="The longest that is tried.")
@click.option("--down-to", default="20ms", show_default=True, metavar="TIME", help="The shortest that is tried.")
@click.option("--tries", type=click.IntRange(1, 10_000), default=TRIES_MAX, show_default=True, help="For each output.")
def command(told: Told, share: str, held: str, down_to: str, tries: int) -> int:
    """Hold one alarm of SITE for ever shorter times, and find the shortest of which each output shows nearly all.

    Each time is chosen by what came of those before; what is told in the end holds with the stated confidence for all
    that. 'farend measure' tells the same again from the record. Exit code: 0 where a length is proven for every output,
    1 where something came on that nothing raised explains, 3 where a length is not proven.
    """
    search = Search(
        share=share_of("--share", share),
        longest_ns=duration_of("--held", held),
        shortest_ns=duration_of("--down-to", down_to),
        tries_max=tries,
        confidence=told.confidence,
    )
    site, documents = load(told.site)
    alarm = one_alarm(site, told.alarm)
    if alarm.lasts_ns is not None:
        raise UsageError(f"--alarm {told.alarm}: it clears by itself, so that nobody can say how long it is held")
    note_wrapped(
        f"at most {tries} tries for each output, from {duration(search.longest_ns)} down to "
        f"{duration(search.shortest_ns)}; {search.search.tries_min} that are all shown prove the longest, and a "
        f"shorter one takes {search.search.tries_for_shorter} or more"
    )
    asked = Asked(confidence=told.confidence, share=search.share)
    ended = measure_many(told, site, documents, asked, search=search)
    found = ended.measured.searches
    is_found = bool(found) and all(it.is_proven for it in found)
    return ended.amounts_to(is_refuted=False, is_proven=is_found)
