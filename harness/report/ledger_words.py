"""Notices and inhibits in words, for screens and reports."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from harness.core.instants import NS_PER_S
from harness.core.ledger import Inhibit, LedgerState, Notice
from harness.report import human

Stamp = Callable[[int], str]
"""Writes a UTC time in ns as local time."""


def here(utc_ns: int) -> str:
    """Local time of this computer, to the minute: for its own screen only, never for a report."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_ns // NS_PER_S)
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def at_offset(utc_offset_s: int) -> Stamp:
    """Local time of the computer that tested, with its offset."""
    return lambda utc_ns: human.local(utc_ns, utc_offset_s)


def ledger_lines(state: LedgerState, stamp: Stamp = here) -> list[str]:
    """A sentence for each notice and inhibit, what is open first."""
    open_first = [*state.open_notices, *(it for it in state.notices if not it.is_open)]
    inhibits = [*state.open_inhibits, *(it for it in state.inhibits if not it.is_open)]
    return [notice_words(it, stamp) for it in open_first] + [inhibit_words(it, stamp) for it in inhibits]


def open_lines(state: LedgerState, stamp: Stamp = here) -> list[str]:
    """A sentence for each notice and inhibit that is open."""
    return [
        *(notice_words(it, stamp) for it in state.open_notices),
        *(inhibit_words(it, stamp) for it in state.open_inhibits),
    ]


def notice_words(notice: Notice, stamp: Stamp = here) -> str:
    """Who was told, by whom, when, until when, and whether they were told that it is over."""
    told = f"notice {notice.name}: told by {notice.by}, {stamp(notice.at_utc_ns)}, until {stamp(notice.until_utc_ns)}"
    over = "; NOT told that it is over"
    if notice.over_at_utc_ns is not None:
        over = f"; told by {notice.over_by} that it is over, {stamp(notice.over_at_utc_ns)}"
    return told + over + (f" ({notice.note})" if notice.note else "")


def inhibit_words(inhibit: Inhibit, stamp: Stamp = here) -> str:
    """What was bypassed, by whom, proven how, and how it was released."""
    shown = f"shown to hold by {inhibit.proven_by}: {inhibit.proven}" if inhibit.proven else "never shown to hold"
    told = f"inhibit {inhibit.name}: bypassed by {inhibit.by}, {stamp(inhibit.at_utc_ns)}, {shown}"
    over = "; NOT released"
    if inhibit.released_at_utc_ns is not None:
        over = f"; released by {inhibit.released_by}, {stamp(inhibit.released_at_utc_ns)}"
        over += f", shown to act again: {inhibit.release_proven}"
    return told + over + (f" ({inhibit.note})" if inhibit.note else "")
