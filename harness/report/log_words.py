"""The log book in words, the same in the terminal, on the page and in the table."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from harness.core.model import Site, Step
from harness.report.document import AttemptDocument
from harness.report.log_book import TENTH_NS, Ending, LogEntry, LogRemark, LogStep, Remark, stamp, when_words

HISTORY_NOTE: Final = (
    "Every alarm below was simulated during this test. Alarm histories, printers and building systems that show it at "
    "these times show a test. Times are those of the testing machine; the controller's own clock may differ."
)

REAL_NOTE: Final = (
    "What came on unexplained was not raised by this test: its entries may be real alarms, and are not to be marked."
)
STILL_NOTE: Final = (
    "What the controller still showed after its clear may be a real alarm: its entries are not to be marked before "
    "somebody has looked at the sensing point."
)

RAISE, CLEAR = Step.RAISE, Step.CLEAR
"""For the template, which sets these two apart."""

STEP_WORD = {
    Step.RAISE: "raised",
    Step.SILENCE: "silenced",
    Step.ACKNOWLEDGE: "acknowledged",
    Step.CLEAR: "cleared",
    Step.RESET: "reset",
}

SIGNATURES = ("Tested by, date", "Witnessed by, date", "Marked as tests in the alarm history by, date")


def text_of(site: Site, alarm: str) -> str:
    """The alarm's text, as the controller writes it into its history; '' where it is not known."""
    return site.alarms[alarm].text if alarm in site.alarms else ""


def step_words(attempt: AttemptDocument, one: LogStep, *, day: bool = True) -> str:
    """When a step was done; what is not proven says so."""
    told = when_words(attempt.local_ends(one.at), day=day)
    return told if one.proven else f"{told} (not proven{f': {one.note}' if one.note else ''})"


def ending_words(attempt: AttemptDocument, entry: LogEntry, *, day: bool = True) -> str:
    """When and how an alarm ended."""
    if entry.ended is None:
        return {Ending.NOT_CLEARED: "NOT CLEARED", Ending.NOT_PROVEN: "CLEARING NOT PROVEN"}.get(
            entry.ending, entry.ending.value
        )
    told = when_words(attempt.local_ends(entry.ended), day=day)
    return f"{told}, by itself" if entry.ending is Ending.BY_ITSELF else told


def how_words(attempt: AttemptDocument, entry: LogEntry) -> str:
    """By what it was raised, and who tested: ``written by farend, A. Technician``."""
    ways = dict.fromkeys(it.how for it in entry.done(Step.RAISE) if it.how)
    return ", ".join([*ways, attempt.who or "not stated by whom"])


def remark_words(one: LogRemark) -> str:
    """``skipped: bulk-a.low: the switch is under repair (A. Technician)``."""
    told = ": ".join(part for part in (one.kind.value, one.alarm, one.text) if part)
    return f"{told} ({one.by})" if one.by else told


def at_words(attempt: AttemptDocument, at_ns: int) -> str:
    """When something was entered, as local time, rounded down."""
    return stamp(attempt.utc_ns(at_ns) // TENTH_NS, attempt.utc_offset_s)


def real_words(remarks: Iterable[LogRemark]) -> str:
    """What to say where something may have been real; '' where nothing may."""
    kinds = {one.kind for one in remarks}
    notes = {Remark.UNEXPLAINED: REAL_NOTE, Remark.STILL_SHOWN: STILL_NOTE}
    return " ".join(note for kind, note in notes.items() if kind in kinds)


def not_cleared_words(names: Iterable[str]) -> str:
    """What may still be raised, '' where nothing may."""
    listed = ", ".join(names)
    return f"NOT CLEARED, or not proven to be: {listed}. Look at the controller, and put it right by hand." * bool(
        listed
    )
