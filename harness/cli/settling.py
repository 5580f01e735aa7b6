"""Notices and inhibits around a test: its ledger, whether a bypass is still meant, and what is left to do."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from harness.cli.common import found, note, note_wrapped
from harness.cli.one_key import Key, one_of, press
from harness.core.errors import UsageError
from harness.core.ledger import Inhibit, LedgerTold, same
from harness.core.model import Site
from harness.report.ledger_words import here, open_lines
from harness.results.ledger import ledger_beside, read_ledger
from harness.run.ledger_gate import needs_naming

ledger_option = click.option(
    "--ledger", "ledger_file", type=click.Path(path_type=Path), help="Its ledger now, to see what was closed since."
)


def chosen_ledger(entry: Path, site: Site, given: Path | None) -> Path | None:
    """The ledger of a test: the one that was given, else the one beside the site file; None where there is none."""
    if given is not None:
        if not given.is_file():
            raise UsageError(f"--ledger {given}: there is no such file; 'farend ledger' makes it with the first entry")
        return given
    folder = found(entry).parent if entry.exists() else Path()
    path = ledger_beside(folder, site.name)
    return path if path.is_file() or site.notices else None


def ask_inhibited(
    path: Path | None, inhibited: Sequence[str], *, key: Key = press, now: datetime | None = None
) -> tuple[str, ...]:
    """Ask for each inhibit that was left in place whether it is still meant: one key each. Returns the names of all."""
    if path is None or not path.is_file():
        return tuple(inhibited)
    names = list(inhibited)
    now = now or datetime.now(UTC).astimezone()
    for it in read_ledger(path).state.open_inhibits:
        if needs_naming(it, now) and not any(same(it.name, name) for name in names) and _is_meant(it, key):
            names.append(it.name)
    return tuple(names)


def _is_meant(inhibit: Inhibit, key: Key) -> bool:
    note("")
    note_wrapped(f"inhibit {inhibit.name}: left open since {here(inhibit.at_utc_ns)} by {inhibit.by}")
    asked = "  y it is still in place, and meant for this test; n no, or I have not looked: "
    return one_of(asked, {"y": "confirmed", "n": "not confirmed"}, key) == "y"


def say_open(told: LedgerTold | None, path: Path | None) -> None:
    """What is left to do after a test, and how it is entered."""
    if told is None or told.is_settled:
        return
    for text in (*told.problems, *open_lines(told.state)):
        note_wrapped(f"STILL OPEN: {text}", hang=4)
    target = shlex.quote(str(path or told.file))
    note("once they were told that it is over, and it was shown to act again:")
    note(f"  farend ledger {target} release NAME")  # never folded: it is there to be copied
