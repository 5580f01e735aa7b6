"""An alarm history that was reconciled with a record, as lines for a terminal and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from harness.core.instants import Bounds
from harness.core.model import Site
from harness.measure.alarm_history import Clock, Entry, Found, History, Reconciled, Simulated
from harness.measure.reconcile import offset_words
from harness.report import human
from harness.report.columns import Terminal
from harness.report.log_book import tenths, when_words

SCHEMA: Final = "farend-history/1"

UNREAD_MAX: Final = 5
"""Of lines that nothing reads, so many are shown in a terminal."""

_WORD: Final = {Found.MATCHED: "ok", Found.NOT_EXPECTED: "ok", Found.OUTSIDE: "ok", Found.UNTOLD: "UNKNOWN"}


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryDocument:
    """What is told. ``utc_shift_ns`` and ``utc_offset_s`` make local times of instants of the run.

    ``unread``: lines of which nothing says what they are. ``left_out``: alarms that this history does not show.
    ``is_certain``: each simulated alarm is there once, and nothing else.
    """

    site: Site
    record: str
    source: str
    total: int
    simulated: tuple[Simulated, ...]
    history: History
    clock: Clock
    reconciled: Reconciled
    unread: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    is_certain: bool = False
    utc_shift_ns: int = 0
    utc_offset_s: int = 0

    def when(self, at: Bounds) -> str:
        """Bounds of the run as local times."""
        return when_words(tenths(at, self.utc_shift_ns, self.utc_offset_s))


def history_lines(document: HistoryDocument, to: Terminal, *, every_one: bool = False) -> list[str]:
    """What differs and what cannot be told, or with ``every_one`` all of it; lines of at most the terminal's width."""
    it = document
    lines = to.wrapped(
        f"alarm history of {it.site.title or it.site.name}: {it.source}, {human.count(it.total, 'entry', 'entries')}, "
        f"against {it.record}, {human.count(len(it.simulated), 'simulated alarm')}",
        hang=4,
    )
    lines += to.wrapped(f"times of the record in {human.offset(it.utc_offset_s)}", hang=4)
    lines += [folded for text in _clock_words(it) for folded in to.wrapped(text, hang=4)]
    lines.append("")
    told = [*_simulated_words(it, every_one=every_one), *_entry_words(it), *_unread_words(it)]
    for text in told:
        lines += to.wrapped(text, hang=4)
    for line in it.unread[:UNREAD_MAX]:
        lines += to.wrapped(line, first=4, hang=8)
    lines += [""] if told else []
    lines += to.wrapped(summary_words(it), hang=4)
    return lines


def summary_words(document: HistoryDocument) -> str:
    """``5 matched, 1 missing from the history; 2 entries that nobody raised; 310 not of this test``."""
    found = Counter(it.found for it in document.reconciled.simulated)
    parts = [", ".join(f"{found[one]} {one.value}" for one in Found if found[one]) or "nothing was raised"]
    entries = Counter(it.found for it in (*document.reconciled.entries, *document.reconciled.clears))
    parts += [f"{human.count(entries[Found.FOREIGN], 'entry', 'entries')} that nobody raised"] * bool(
        entries[Found.FOREIGN]
    )
    parts += [f"{human.count(entries[Found.UNTOLD], 'entry', 'entries')} of which it cannot be told"] * bool(
        entries[Found.UNTOLD]
    )
    parts += [f"{human.count(entries[Found.OUTSIDE], 'entry', 'entries')} not of this test"] * bool(
        entries[Found.OUTSIDE]
    )
    if document.is_certain:
        parts.append("each simulated alarm is there once, and nothing else")
    return "; ".join(parts)


def _clock_words(document: HistoryDocument) -> list[str]:
    reconciled = document.reconciled
    if reconciled.why_untold:
        return [f"UNKNOWN: {reconciled.why_untold}"]
    told = []
    for number, regime in enumerate(reconciled.regimes):
        if not regime.agreeing:
            continue
        since = f", from {document.simulated[regime.since].stimulus} on, before which it was set" if number else ""
        told.append(
            f"its clock: {offset_words(regime.offset)} of the testing machine's{since} "
            f"({human.count(regime.agreeing, 'time agrees', 'times agree')})"
        )
    return told or ["its clock: not known, since no time agrees"]


def _simulated_words(document: HistoryDocument, *, every_one: bool) -> list[str]:
    told = []
    for one, found in zip(document.simulated, document.reconciled.simulated, strict=True):
        word = _WORD.get(found.found, "FAIL")
        if word == "ok" and not every_one:
            continue
        text = document.site.alarms[one.alarm].text if one.alarm in document.site.alarms else ""
        what = f"{one.stimulus} {one.alarm}{f' ({text})' if text else ''}"
        at = f"raised {document.when(one.at)}" if one.is_timed else f"came along {document.when(one.at)}"
        why = found.reason or (_beyond(document, one) if found.found is Found.MISSING else "")
        reason = f": {why}" if why else ""
        entry = "" if found.entry is None else f" = {_entry(document.history.raised[found.entry])}"
        told.append(f"{word} {found.found.value}: {what}, {at}{entry}{reason}")
    return told


def _beyond(document: HistoryDocument, one: Simulated) -> str:
    """Whether a history does not reach so far: then it says little that it lacks the alarm. '' where it does."""
    entries = [*document.history.raised, *document.history.cleared]
    offsets = [regime.offset for regime in document.reconciled.regimes if regime.agreeing] or [document.clock.within]
    times = [document.clock.times(it, offset) for it in entries if it.written_ns is not None for offset in offsets]
    if times and one.at.lo > max(it.hi for it in times):
        return "the history ends before it; was it exported too early?"
    if times and one.at.hi < min(it.lo for it in times):
        return "the history begins after it; was it overwritten, or is a part left out?"
    return ""


def _entry_words(document: HistoryDocument) -> list[str]:
    """Entries that are not as they should be; a second entry of one is told with the first."""
    told = []
    if document.reconciled.why_untold:
        return []
    for entries, found, what in (
        (document.history.raised, document.reconciled.entries, ""),
        (document.history.cleared, document.reconciled.clears, "cleared, "),
    ):
        for entry, one in zip(entries, found, strict=True):
            if _WORD.get(one.found) != "ok":
                reason = f": {one.reason}" if one.reason else ""
                told.append(f"{_WORD.get(one.found, 'FAIL')} {one.found.value}: {what}{_entry(entry)}{reason}")
    return told


def _entry(entry: Entry) -> str:
    return f"{entry.where} {entry.text}"


def _unread_words(document: HistoryDocument) -> list[str]:
    told = [f"not shown there, so not compared: {', '.join(document.left_out)}"] if document.left_out else []
    if document.unread:
        count = human.count(len(document.unread), "line")
        most = ", the first" if len(document.unread) > UNREAD_MAX else ""
        told.append(
            f"UNKNOWN: {count} that no pattern reads; if they tell of no alarm, say so with --other-lines{most}:"
        )
    return told


def history_json(document: HistoryDocument) -> dict[str, Any]:
    """The same for programs; instants in ns of the run's clock, offsets in ns, positive where its clock is ahead."""
    it = document
    return {
        "schema": SCHEMA,
        "record": it.record,
        "source": it.source,
        "is_certain": it.is_certain,
        "differs": it.reconciled.differs,
        "why_untold": it.reconciled.why_untold,
        "clock": [
            {
                "from_stimulus": it.simulated[regime.since].stimulus if it.simulated else "",
                "offset_ns": [regime.offset.lo, regime.offset.hi],
                "agreeing": regime.agreeing,
            }
            for regime in it.reconciled.regimes
        ],
        "simulated": [
            {
                "stimulus": one.stimulus,
                "alarm": one.alarm,
                "at_ns": [one.at.lo, one.at.hi],
                "comes_along": not one.is_timed,
                "found": found.found.value,
                "entry": None if found.entry is None else it.history.raised[found.entry].where,
                "reason": found.reason,
            }
            for one, found in zip(it.simulated, it.reconciled.simulated, strict=True)
        ],
        "entries": _plain(it.history.raised, it.reconciled.entries),
        "cleared": _plain(it.history.cleared, it.reconciled.clears),
        "unread": list(it.unread),
        "left_out": list(it.left_out),
    }


def _plain(entries: Sequence[Entry], found: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        {"where": entry.where, "text": entry.text, "found": one.found.value, "reason": one.reason}
        for entry, one in zip(entries, found, strict=True)
    ]
