"""``farend plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from harness.cli.common import SITE_ARGUMENT, json_option, load, say, say_json
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from pathlib import Path


@click.command(name="plan", short_help="Show what a test would do.")
@SITE_ARGUMENT
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms that fit, e.g. 'bulk-a.*'; repeatable.")
@click.option("--link", "links", multiple=True, metavar="NAME", help="Only rows on this link; repeatable.")
@json_option
def command(site: Path, only: tuple[str, ...], links: tuple[str, ...], as_json: bool) -> int:
    """Show what a test of SITE would raise, in which order, how long it takes, what is read, and the side effects.

    A dry run: no connection is opened.
    """
    from harness.core.instants import NS_PER_S
    from harness.correlate.wording import time_text
    from harness.run.order import Selection
    from harness.run.preview import preview_of

    read, _ = load(site)
    preview = preview_of(read, Selection(only=only, links=links))
    if as_json:
        say_json(preview.to_json())
        return ExitCode.ALL_PASS
    say(f"{read.name}: {read.title}")
    say(
        f"{_count(len(preview.raised), 'alarm')} would be raised, {_count(preview.rows, 'row')} judged; takes about "
        f"{time_text(preview.usual_ns)} if all is well, {time_text(preview.longest_ns)} at the most"
    )
    say()
    say("Order of raising")
    width = max((len(it.alarm) for it in preview.raised), default=0)
    for number, it in enumerate(preview.raised, 1):
        also = f", brings {', '.join(it.brings)}" if it.brings else ""
        say(f"  {number:>3}  {it.alarm:<{width}}  {_count(it.rows, 'row')}, about {it.usual_ns / NS_PER_S:.1f} s{also}")
    if preview.by_hand:
        say()
        say("Not raised by farend (no writes in the site file): " + ", ".join(preview.by_hand))
    say()
    say("Side effects to review before anything is raised")
    for effect in preview.side_effects:
        say(f"  {effect.name}: {effect.text} ({', '.join(effect.alarms)})")
        say(f"      hazard: {effect.hazard}")
        say(f"      safeguard: {effect.safeguard}")
    if preview.unstated:
        say("  NOT STATED, so a test refuses: " + ", ".join(preview.unstated))
    elif not preview.side_effects:
        say("  none, as the site file states for every alarm of this plan")
    say()
    say("Links and requests")
    for link in preview.links:
        say(f"  {link.name}: {link.address}; {link.cost}")
        for request in link.requests:
            say(f"      {request}")
    say()
    say("Writes allowed when armed")
    for text in preview.writable or ("none: nothing can be raised by farend",):
        say(f"  {text}")
    say()
    say("The identity of each alarm: " + preview.identity)
    say(
        "A simulated alarm proves the path behind the sensing element, not the sensing element. Local codes, the "
        "authority having jurisdiction and licensed practice come first."
    )
    return ExitCode.ALL_PASS


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"
