"""What commands that raise alarms share: their options, what is asked before, the run, and what is said after."""

from __future__ import annotations

import functools
import getpass
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from harness.cli.common import note, note_wrapped, run_until_interrupted
from harness.cli.keys import key_client
from harness.cli.left_open import key_of_terminal, to_clear
from harness.cli.live_view import LiveView
from harness.cli.reviewing import ask_reviews
from harness.cli.settling import ask_inhibited, chosen_ledger, say_open
from harness.cli.views import PlainView
from harness.core.errors import UsageError
from harness.core.model import Site
from harness.run.gate import read_reviews
from harness.run.guide import Guide
from harness.run.order import Selection, listened_links, plan_of
from harness.run.preview_armed import armed_words
from harness.run.standing import known_to_stand
from harness.run.testing import STOPPED_BY_USER, TestOptions, gated_plan, record_name, run_test
from harness.site.reading import Documents

if TYPE_CHECKING:
    from harness.results.judging import JudgedRecord

CAUTION = (
    "Caution: simulated alarms start and stop real equipment and ring real monitoring stations. Tell whoever listens, "
    "isolate what must not move, and follow local codes, the authority having jurisdiction and licensed practice."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Raising:
    """What the options say that every command that raises alarms has."""

    arm: str | None
    reviews_file: Path | None
    ledger_file: Path | None
    inhibited: tuple[str, ...]
    clear_left_open: bool
    guided: bool
    standing: tuple[str, ...]
    record: Path | None
    seed: int
    who: str
    plain: bool


_OPTIONS = (
    click.option("--arm", metavar="SITE-NAME", help="Allow the writes that the site file lists; the word is its name."),
    click.option("--reviews", "reviews_file", type=click.Path(path_type=Path),
                 help="File with the side-effect reviews."),
    click.option("--ledger", "ledger_file", type=click.Path(path_type=Path), help="Default: the one beside SITE."),
    click.option("--inhibited", multiple=True, metavar="NAME", help="Left by an earlier run, and meant; repeatable."),
    click.option("--clear-left-open", is_flag=True,
                 help="First clear what an earlier run left raised, without asking."),
    click.option("--guided", is_flag=True, help="A person raises the alarms, led step by step; farend writes nothing."),
    click.option("--standing", multiple=True, metavar="NAME=REASON",
                 help="An alarm or point known to be on; repeatable."),
    click.option("--record", type=click.Path(path_type=Path), help="Name of the record to write."),
    click.option("--seed", type=int, default=0, help="Seed of the random phases at which alarms are raised."),
    click.option("--who", default="", help="Who tests; goes into the record. Default: the user of this computer."),
    click.option("--plain", is_flag=True, help="Plain lines even in a terminal."),
)  # fmt: skip


def raising_options(command: Callable[..., int]) -> Callable[..., int]:
    """Adds these options to a command, which gets them as one value, ``raising``."""
    names = [field.name for field in fields(Raising)]

    @functools.wraps(command)
    def taking(**given: Any) -> int:
        raising = Raising(**{name: given.pop(name) for name in names})
        if raising.guided and raising.arm is not None:
            raise UsageError(
                "--guided and --arm: either a person raises the alarms or farend does; leave one of them out"
            )
        return command(raising=raising, **given)

    for option in reversed(_OPTIONS):
        taking = option(taking)
    return taking


def prepared(entry: Path, site: Site, selection: Selection, raising: Raising, **more: Any) -> TestOptions:
    """The options of a run, with everything asked that has to be asked before: reviews, inhibits, what was left raised.

    ``more``: further fields of TestOptions. SafetyError where nobody decided what has to be decided.
    """
    reviews = read_reviews(raising.reviews_file) if raising.reviews_file is not None else None
    may_ask = sys.stdin.isatty() and sys.stderr.isatty() and (raising.arm is not None or raising.guided)
    who = raising.who or getpass.getuser()
    items = plan_of(site, selection)
    if reviews is None and may_ask:
        reviews = ask_reviews(site, [it.alarm for it in items if raising.guided or it.can_be_raised], who)
    ledger = chosen_ledger(entry, site, raising.ledger_file)
    inhibited = ask_inhibited(ledger, raising.inhibited) if may_ask else raising.inhibited
    options = TestOptions(
        record=raising.record or record_name(site.name, Path.cwd()),
        selection=selection,
        arm=raising.arm,
        reviews=reviews,
        who=who,
        seed=raising.seed,
        guided=raising.guided,
        standing=known_to_stand(raising.standing),
        ledger=ledger,
        inhibited=inhibited,
        command=tuple(sys.argv[1:]),
        **more,
    )
    note_wrapped(CAUTION)
    written = {it.alarm.name: it.alarm for it in items if it.can_be_raised and not raising.guided}
    for text in armed_words(site, written.values()):
        note_wrapped(text)
    return replace(options, to_clear=to_clear(site, options, clear=raising.clear_left_open, key=key_of_terminal()))


def raise_and_judge(site: Site, documents: Documents, options: TestOptions, *, plain: bool) -> tuple[JudgedRecord, str]:
    """Run a test and judge its record: what it came to, and '' or why it ended early. The caller closes ``reader``."""
    from harness.results.judging import judge_record

    items = gated_plan(site, options)
    live = sys.stderr.isatty() and not plain
    guide = Guide(time.monotonic_ns) if options.guided else None
    client = key_client((site.links[name] for name in listened_links(site, items)), guide)
    lines, lasting = (None, None) if client is None else (client.lines, client.lasting_lines)
    with LiveView(site, len(items), lines, guided=options.guided) if live else PlainView(lasting) as view:
        attend = None
        if client is not None:
            client.on_change(view.asked_changed)
            attend = client.attend
        why = run_until_interrupted(
            lambda: run_test(site, documents, options, time.monotonic_ns, view, attend, view.follow, guide)
        )
    return judge_record(options.record), why


def say_ended(judged: JudgedRecord, options: TestOptions, why: str) -> None:
    """Where the record is, why the run ended early, and what is left to do."""
    note(f"record: {options.record}")
    if why:
        is_left = options.guided and why.startswith("left: ")
        is_calm = is_left or why == STOPPED_BY_USER
        note_wrapped(f"{why} {options.record}" if is_left else why, is_urgent=not is_calm)
    say_open(judged.ledger, options.ledger)
    if judged.is_changed:
        from harness.report.text_left import left_words
        from harness.studies.as_left import as_left

        told = left_words(as_left(judged) or ())
        note_wrapped(f"NOT RESTORED: {told}; put it right by hand ('as left' in the report)", is_urgent=True)
