"""The log book as plain lines, for a terminal, a text file, or a sheet of paper."""

from __future__ import annotations

from harness.core.model import Step
from harness.report import human
from harness.report.columns import Terminal
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.log_book import LogEntry
from harness.report.log_words import (
    HISTORY_NOTE,
    SIGNATURES,
    STEP_WORD,
    at_words,
    ending_words,
    how_words,
    not_cleared_words,
    real_words,
    remark_words,
    step_words,
    text_of,
)
from harness.report.words import DEFERENCE, NOT_TESTED

LABEL = 24
"""Columns of the words before the times."""


def render_log_text(document: ReportDocument, *, width: int = 80, ascii_only: bool = False) -> str:
    """The log book of every record, newest first, ended by a line feed; lines of at most ``width`` (80 to 200)."""
    to = Terminal(width=width, ascii_only=ascii_only)
    facts = document.facts
    lines = to.wrapped(f"LOG BOOK OF SIMULATED ALARMS: {facts.title.value} ({facts.name})", hang=4)
    lines += to.wrapped(f"controller: {facts.controller.value or 'not stated'}", hang=4)
    lines += to.wrapped(f"{HISTORY_NOTE} {NOT_TESTED} {DEFERENCE}")
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        lines += ["", *_attempt_lines(document, total - position, attempt, to)]
    lines += ["", *(f"{word}: {'_' * max(8, to.width - len(word) - 2)}" for word in SIGNATURES)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _attempt_lines(document: ReportDocument, number: int, attempt: AttemptDocument, to: Terminal) -> list[str]:
    lines = to.wrapped(
        f"attempt {number}: {attempt.record}, tested by {attempt.who or 'not stated'}; times in "
        f"{human.offset(attempt.utc_offset_s)}, as the testing machine was set",
        hang=4,
    )
    lines += to.wrapped(f"SHA-256 {attempt.sha256}", first=4, hang=8)
    for text in attempt.log.clock:
        lines += to.wrapped(text, first=4, hang=8)
    still = not_cleared_words(attempt.log.not_cleared)
    lines += ["", *to.wrapped(still, hang=4)] if still else []
    for entry in attempt.log.entries:
        lines += ["", *_entry_lines(document, attempt, entry, to)]
    if not attempt.log.entries:
        lines += ["", "Nothing was raised."]
    if attempt.log.remarks:
        lines += ["", *to.wrapped(f"Also entered: {real_words(attempt.log.remarks)}".rstrip())]
        for one in attempt.log.remarks:
            lines += to.wrapped(f"{at_words(attempt, one.at_ns)} {remark_words(one)}", first=4, hang=8)
    return lines


def _entry_lines(document: ReportDocument, attempt: AttemptDocument, entry: LogEntry, to: Terminal) -> list[str]:
    site = document.site
    was = f", recorded as {entry.recorded_alarm}" if entry.recorded_alarm else ""
    text = text_of(site, entry.alarm)
    lines = to.wrapped(f"{entry.stimulus} {entry.alarm}{f' ({text})' if text else ''}{was}", hang=4)
    told = [(STEP_WORD[it.step], step_words(attempt, it)) for it in entry.steps if it.step is not Step.CLEAR]
    told.append((STEP_WORD[Step.CLEAR], ending_words(attempt, entry)))
    told += [("comes along", f"{name} ({text_of(site, name)})") for name in entry.along]
    told.append(("how, by", how_words(attempt, entry)))
    told += [("remark", text) for text in entry.remarks]
    for word, text in told:
        lines += to.wrapped(f"{word:<{LABEL}}{text}", first=4, hang=4 + LABEL)
    lines.append(f"    {'marked as test by, date':<{LABEL}}{'_' * (to.width - LABEL - 4)}")
    return lines
