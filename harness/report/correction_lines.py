"""Corrections of a record in words, the same in the terminal and on the page."""

from __future__ import annotations

from harness.core.verdicts import Verdict
from harness.report import human
from harness.report.columns import Terminal
from harness.report.document import AttemptDocument, Changed, CorrectionNote

CHANGED_MAX = 12
"""So many changed results are told in a terminal; the page and JSON have all of them."""


def head_words(one: CorrectionNote) -> str:
    """``correction 2 (withdrawn), 2026-11-26 09:00:00 UTC+01:00, by B. Lead``."""
    gone = "" if one.is_in_force else " (withdrawn)"
    return f"correction {one.number}{gone}, {human.local(one.at_utc_ns, one.utc_offset_s)}, by {one.by}"


def changed_words(one: Changed) -> str:
    """``a.high@high, stimulus 0001: crossed as recorded, on-time as corrected``."""
    what = f"{one.expectation}, stimulus {one.stimulus}" if "@" in one.expectation else one.expectation
    return f"{what}: {_verdict(one.recorded)} as recorded, {_verdict(one.corrected)} as corrected"


def _verdict(verdict: Verdict | None) -> str:
    return "no result" if verdict is None else verdict.value


def correction_lines(number: int, attempt: AttemptDocument, to: Terminal) -> list[str]:
    """The corrections of one attempt and what they changed; nothing where there are none."""
    if not attempt.corrections:
        return []
    lines = to.wrapped(f"attempt {number} was corrected after it had ended; what was recorded is kept:", hang=4)
    for one in attempt.corrections:
        text = f"{head_words(one)}: {one.about}: {one.change}; reason: {one.reason}"
        lines += to.wrapped(text, first=4, hang=8)
    told = [changed_words(it) for it in attempt.changed[:CHANGED_MAX]]
    if len(attempt.changed) > CHANGED_MAX:
        told.append(f"and {len(attempt.changed) - CHANGED_MAX} more, which the page (--html) has")
    for text in told:
        lines += to.wrapped(f"changed: {text}", first=4, hang=8)
    return lines
