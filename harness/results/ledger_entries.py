"""Makes an entry of a ledger from what a person typed, and refuses what fits nothing that is open."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S
from harness.core.ledger import Act, Entry, LedgerState, same
from harness.site.moments import moment_of, read_moment, read_until, utc_ns_of
from harness.site.names import did_you_mean
from harness.site.problems import Mismatch

TEXT_MAX: Final = 200
"""Characters of one text; a ledger is read on a small screen."""


def new_entry(
    state: LedgerState,
    act: Act,
    name: str,
    *,
    by: str,
    now: datetime,
    until: str = "",
    at: str = "",
    proven: str = "",
    note: str = "",
) -> Entry:
    """An entry that fits what is open. UsageError says what is missing, or what it should have been.

    Times are read in the zone of ``now``, and kept to the second, as the file keeps them.
    """
    name, by = _text(act.value, name, needed=True), _text("--by", by, needed=True)
    proven, note = _text("--proven", proven), _text("--note", note)
    entered = utc_ns_of(now) // NS_PER_S * NS_PER_S
    at_ns = _at(at, now) if at else entered
    if until and act is not Act.NOTICE:
        raise UsageError(f"--until {until}: only a notice has an end; leave it out")
    if proven and act is Act.NOTICE:
        raise UsageError(f"--proven {proven}: a notice is told, and not proven; leave it out, or say it with --note")
    open_names = [it.name for it in state.open_notices] + [it.name for it in state.open_inhibits]
    notice, inhibit = state.notice(name), state.inhibit(name)
    if (act is Act.NOTICE and inhibit is not None) or (act is Act.INHIBIT and notice is not None):
        other = "an inhibit" if act is Act.NOTICE else "a notice"
        raise UsageError(f"{act.value} {name}: {other} of this name is open; 'release' would mean both; choose another")
    if act is Act.RELEASE:
        if notice is None and inhibit is None:
            hint = did_you_mean(name, open_names, otherwise=f"open are: {', '.join(open_names) or 'none'}")
            raise UsageError(f"release {name}: nothing of this name is open; {hint}")
        if inhibit is not None and not proven:
            raise UsageError(
                f"release {name}: an inhibit is released once it was shown that {name} acts again; add --proven 'HOW'"
            )
    began_ns = max((it.at_utc_ns for it in (notice, inhibit) if it is not None), default=at_ns)
    if at_ns < began_ns:
        began = f"{moment_of(began_ns, now.tzinfo):%Y-%m-%d %H:%M:%S}"
        raise UsageError(f"--at {at}: expected a time after it began, which was {began}")
    return Entry(
        act=act,
        name=_spelt(name, open_names),
        by=by,
        at_utc_ns=at_ns,
        entered_utc_ns=entered,
        until_utc_ns=_until(name, until, now) if act is Act.NOTICE else None,
        proven=proven,
        note=note,
    )


def _spelt(name: str, known: Iterable[str]) -> str:
    """A name as it was entered first."""
    return next((it for it in known if same(it, name)), name)


def _text(what: str, text: str, *, needed: bool = False) -> str:
    found = " ".join(text.split())
    if needed and not found:
        raise UsageError(f"{what}: expected a name: whom, or what; put it in quotes where it has blanks")
    if len(found) > TEXT_MAX or not found.isprintable():
        raise UsageError(f"{what} {found[:40]}: expected at most {TEXT_MAX} characters that can be printed; shorten it")
    return found


def _at(at: str, now: datetime) -> int:
    try:
        found = read_moment(at, now.tzinfo)
    except Mismatch as exc:
        raise UsageError(f"--at {at}: {exc.expected}; {exc.remedy}") from exc
    if found > utc_ns_of(now):
        raise UsageError(f"--at {at}: expected a time that has been, and now it is {now:%Y-%m-%d %H:%M}")
    return found


def _until(name: str, until: str, now: datetime) -> int:
    if not until:
        raise UsageError(f"notice {name}: until when? add --until, such as --until 17:00 or --until '4 h'")
    try:
        return read_until(until, now) // NS_PER_S * NS_PER_S
    except Mismatch as exc:
        raise UsageError(f"--until {until}: {exc.expected}" + (f"; {exc.remedy}" if exc.remedy else "")) from exc
