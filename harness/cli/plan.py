"""``farend plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from harness.cli.common import SITE_ARGUMENT, json_option, load, say, say_json, say_wrapped
from harness.core.model import Step
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from harness.run.preview import Preview

GATHERED: Final = ("reads ", "subscribes to ", "waits for events of ")
"""Requests that begin so differ in one object each, and are told together."""


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
    from harness.core.proved import proof_of
    from harness.correlate.wording import time_text
    from harness.run.order import Selection
    from harness.run.preview import preview_of

    read, _ = load(site)
    preview = preview_of(read, Selection(only=only, links=links))
    if as_json:
        say_json(preview.to_json())
        return ExitCode.ALL_PASS
    say(f"{read.name}: {read.title}")
    alarms = len({it.alarm for it in preview.raised})
    twice = f" ({len(preview.raised) - alarms} of them twice)" if len(preview.raised) > alarms else ""
    say_wrapped(
        f"{_count(alarms, 'alarm')} would be raised{twice}, {_count(preview.rows, 'row')} judged; takes about "
        f"{time_text(preview.usual_ns)} if all is well, {time_text(preview.longest_ns)} at the most"
    )
    say()
    say("Order of raising")
    width = max((len(it.alarm) for it in preview.raised), default=0)
    for number, it in enumerate(preview.raised, 1):
        also = f", brings {', '.join(it.brings)}" if it.brings else ""
        also += ", acknowledged only once it has cleared" if it.acknowledged_after == Step.CLEAR.value else ""
        told = f"{number}  {it.alarm:<{width}}  {_count(it.rows, 'row')}, about {it.usual_ns / NS_PER_S:.1f} s{also}"
        say_wrapped(told, first=5 - len(str(number)), hang=10)
    if preview.by_hand:
        say()
        say_wrapped("Not raised by farend (no writes in the site file): " + ", ".join(preview.by_hand), hang=4)
    say()
    _say_before(preview)
    if preview.armed:
        say("Raising, when armed")
        for text in preview.armed:
            say_wrapped(text, first=2, hang=6)
        say()
    say("Links and requests")
    for link in preview.links:
        say_wrapped(f"{link.name}: {link.address}; {link.cost}", first=2, hang=6)
        for request in requests_in_runs(link.requests):
            say_wrapped(request, first=6, hang=8)
        for up_to in dict.fromkeys(proof_of(read, it).up_to for it in read.points.values() if it.link == link.name):
            say_wrapped(f"a pass here proves it up to {up_to}", first=6, hang=8)
    say()
    say("Writes allowed when armed")
    for text in preview.writable or ("none: nothing can be raised by farend",):
        say(f"  {text}")
    say()
    say_wrapped("The identity of each alarm: " + preview.identity)
    say_wrapped(
        "Each simulated alarm will stand in the controller's own alarm history as if it were real: hand over the log "
        "book (farend report RECORD --log-book FILE), so that those entries can be marked as tests."
    )
    say_wrapped(
        "A simulated alarm proves the path behind the sensing element, not the sensing element. Local codes, the "
        "authority having jurisdiction and licensed practice come first."
    )
    return ExitCode.ALL_PASS


def _say_before(preview: Preview) -> None:
    """What has to be done before anything is raised: side effects to review, people to tell."""
    from harness.correlate.wording import time_text

    say("Side effects to review before anything is raised")
    for effect in preview.side_effects:
        say_wrapped(f"{effect.name}: {effect.text} ({', '.join(effect.alarms)})", first=2, hang=6)
        say_wrapped(f"hazard: {effect.hazard}", first=6, hang=8)
        say_wrapped(f"safeguard: {effect.safeguard}", first=6, hang=8)
    if preview.unstated:
        say_wrapped("NOT STATED, so a test refuses: " + ", ".join(preview.unstated), first=2, hang=6)
    elif not preview.side_effects:
        say("  none, as the site file states for every alarm of this plan")
    say()
    if preview.notices:
        say("Whom to tell before anything is raised, and that it is over afterwards ('farend ledger')")
        for name in preview.notices:
            say_wrapped(f"{name}, for {time_text(preview.longest_ns)} at the least", first=2, hang=6)
        say()


def requests_in_runs(requests: Sequence[str]) -> list[str]:
    """Requests of one kind in one text, those whose objects count up as runs: ``reads binary-input 1 to 24``."""
    from harness.report.gathered import in_runs

    gathered: dict[str, list[str]] = {}
    for request in requests:
        kind = next((it for it in GATHERED if request.startswith(it)), request)
        gathered.setdefault(kind, []).append(request.removeprefix(kind))
    return [kind + ", ".join(in_runs(names)) for kind, names in gathered.items()]


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' * (number != 1)}"
