"""``farend test``."""

from __future__ import annotations

import getpass
import sys
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import click

from harness.cli.common import (
    SITE_ARGUMENT,
    all_option,
    duration_of,
    load,
    note,
    note_wrapped,
    run_until_interrupted,
    say,
    terminal_width,
)
from harness.cli.keys import key_client
from harness.cli.left_open import key_of_terminal, to_clear
from harness.cli.live_view import LiveView
from harness.cli.reviewing import ask_reviews
from harness.cli.settling import ask_inhibited, chosen_ledger, say_open
from harness.cli.views import PlainView
from harness.core.errors import UsageError
from harness.core.model import Site
from harness.run.earlier import left_by
from harness.run.gate import read_reviews
from harness.run.guide import Guide
from harness.run.order import Selection, listened_links, plan_of
from harness.run.preview_armed import armed_words
from harness.run.testing import STOPPED_BY_USER, TestOptions, gated_plan, record_name, run_test
from harness.run.variants import HELD_DEFAULT_NS
from harness.site.reading import Documents

CAUTION = (
    "Caution: simulated alarms start and stop real equipment and ring real monitoring stations. Tell whoever listens, "
    "isolate what must not move, and follow local codes, the authority having jurisdiction and licensed practice."
)


@click.command(name="test", short_help="Raise the alarms of a site and judge.")
@SITE_ARGUMENT
@click.option("--arm", metavar="SITE-NAME", help="Allow the writes that the site file lists; the word is the site's.")
@click.option("--reviews", "reviews_file", type=click.Path(path_type=Path), help="File with the side-effect reviews.")
@click.option("--ledger", "ledger_file", type=click.Path(path_type=Path), help="Default: the one beside SITE.")
@click.option("--inhibited", multiple=True, metavar="NAME", help="Left by an earlier run, and meant; repeatable.")
@click.option("--clear-left-open", is_flag=True, help="First clear what an earlier run left raised, without asking.")
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms that fit, e.g. 'bulk-a.*'; repeatable.")
@click.option("--link", "links", multiple=True, metavar="NAME", help="Only rows on this link; repeatable.")
@click.option("--failed", "failed", type=click.Path(path_type=Path), metavar="RECORD", help="Only what failed there.")
@click.option("--unknown", "unknown", type=click.Path(path_type=Path), metavar="RECORD", help="Only unknowns there.")
@click.option("--guided", is_flag=True, help="A person raises the alarms, led step by step; farend writes nothing.")
@click.option(
    "--resume",
    "resumed",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="RECORD",
    help="Only what was not reached there; repeatable.",
)
@click.option("--standing", multiple=True, metavar="NAME=REASON", help="An alarm or point known to be on; repeatable.")
@click.option("--reason", default="", help="Why alarms are raised again that were tested before; goes into the record.")
@click.option("--record", "record", type=click.Path(path_type=Path), help="Name of the record to write.")
@click.option("--repeat", type=click.IntRange(1, 10_000), default=1, help="Raise the whole plan so many times.")
@click.option("--together", is_flag=True, help="Then raise alarms two at a time, for the outputs that they share.")
@click.option("--sweep", is_flag=True, help="No test: hold each alarm for ever shorter times; --repeat says how often.")
@click.option("--held", default="", metavar="TIMES", help="Times of the sweep, such as '2 s, 500 ms, 100 ms'.")
@click.option("--seed", type=int, default=0, help="Seed of the random phases at which alarms are raised.")
@click.option("--who", default="", help="Who tests; goes into the record. Default: the user of this computer.")
@click.option("--html", "html_file", type=click.Path(path_type=Path), help="Also write the report as a page.")
@click.option("--plain", is_flag=True, help="Plain lines even in a terminal.")
@all_option
@click.option("--json", "as_json", is_flag=True, help="Print the judged record as JSON at the end.")
def command(  # one name an option
    site: Path,
    arm: str | None,
    reviews_file: Path | None,
    ledger_file: Path | None,
    inhibited: tuple[str, ...],
    clear_left_open: bool,
    only: tuple[str, ...],
    links: tuple[str, ...],
    failed: Path | None,
    unknown: Path | None,
    guided: bool,
    resumed: tuple[Path, ...],
    standing: tuple[str, ...],
    reason: str,
    record: Path | None,
    repeat: int,
    together: bool,
    sweep: bool,
    held: str,
    seed: int,
    who: str,
    html_file: Path | None,
    plain: bool,
    every_row: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Listen on every output of SITE, raise its alarms one by one, acknowledge, clear, and judge.

    With '--guided' a person raises them, led step by step; with '--arm SITE-NAME' farend does, by the writes that the
    site file lists. Nothing is raised before every side effect was reviewed. Everything seen is recorded first and
    judged afterwards; 'farend judge' gives the same results again.
    """
    if guided and arm is not None:
        raise UsageError("--guided and --arm: either a person raises the alarms or farend does; leave one of them out")
    read, documents = load(site)
    if html_file is not None and not html_file.absolute().parent.is_dir():
        raise UsageError(f"--html {html_file}: its folder does not exist; make it first")
    left = left_by(read.name, failed, unknown, resumed, reason)
    selection = Selection(only=only, links=links, keys=left.keys)
    reviews = read_reviews(reviews_file) if reviews_file is not None else None
    if reviews is None and sys.stdin.isatty() and sys.stderr.isatty() and (arm is not None or guided):
        raised = [item.alarm for item in plan_of(read, selection) if guided or item.can_be_raised]
        reviews = ask_reviews(read, raised, who or getpass.getuser())
    ledger = chosen_ledger(site, read, ledger_file)
    if sys.stdin.isatty() and sys.stderr.isatty() and (arm is not None or guided):
        inhibited = ask_inhibited(ledger, inhibited)
    options = TestOptions(
        record=record or record_name(read.name, Path.cwd()),
        selection=selection,
        arm=arm,
        reviews=reviews,
        who=who or getpass.getuser(),
        seed=seed,
        repeat=repeat,
        together=together,
        held_ns=held_times(held, sweep=sweep),
        guided=guided,
        standing=known_to_stand(standing),
        resumes=left.resumes,
        retests=left.retests,
        ledger=ledger,
        inhibited=inhibited,
        command=tuple(sys.argv[1:]),
    )
    note_wrapped(CAUTION)
    written = {item.alarm.name: item.alarm for item in plan_of(read, selection) if item.can_be_raised and not guided}
    for text in armed_words(read, written.values()):
        note_wrapped(text)
    options = replace(options, to_clear=to_clear(read, options, clear=clear_left_open, key=key_of_terminal()))
    return perform(read, documents, options, plain=plain, every_row=every_row, as_json=as_json, html_file=html_file)


def held_times(text: str, *, sweep: bool) -> tuple[int, ...]:
    """The times of a sweep in ns; none where there is no sweep. UsageError for what is no duration."""
    if not sweep:
        if text:
            raise UsageError(f"--held {text}: these are times of a sweep; add --sweep, or leave them out")
        return ()
    return tuple(duration_of("--held", part.strip()) for part in text.split(",")) if text else HELD_DEFAULT_NS


def known_to_stand(words: Iterable[str]) -> dict[str, str]:
    """``NAME=REASON`` of the command line. UsageError where there is no reason."""
    found = {}
    for word in words:
        name, _, reason = word.partition("=")
        if not name.strip() or not reason.strip():
            raise UsageError(
                f"--standing {word}: expected NAME=REASON, such as --standing 'bms:10005=water drained today'"
            )
        found[name.strip()] = reason.strip()
    return found


def perform(
    site: Site,
    documents: Documents,
    options: TestOptions,
    *,
    plain: bool = False,
    every_row: bool = False,
    as_json: bool = False,
    html_file: Path | None = None,
) -> int:
    """Run a test, judge its record, print the results; returns the exit code."""
    from harness.cli.common import write_text
    from harness.report.html import render_html
    from harness.report.json_ import render_json
    from harness.report.text import render_text
    from harness.run.attempt import report_document
    from harness.run.judging import judge_record

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
    judged = judge_record(options.record)
    try:
        document = report_document([judged])
        code, is_changed = judged.exit_code, judged.is_changed
    finally:
        judged.reader.close()
    if as_json:
        click.echo(render_json(document), nl=False)
    else:
        say(render_text(document, width=terminal_width(), every_row=every_row).rstrip("\n"))
    if html_file is not None:
        write_text(html_file, render_html(document))
        note(f"report: {html_file}")
    note(f"record: {options.record}")
    if why:
        is_left = options.guided and why.startswith("left: ")
        is_calm = is_left or why == STOPPED_BY_USER
        note_wrapped(f"{why} {options.record}" if is_left else why, is_urgent=not is_calm)
    say_open(judged.ledger, options.ledger)
    if is_changed:
        note_wrapped(
            "NOT RESTORED: something is not as it was found; see 'as left' in the report and put it right by hand",
            is_urgent=True,
        )
    return code
