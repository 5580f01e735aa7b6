"""What was reviewed before a test, who was told of it, and what was bypassed for it, as plain lines."""

from __future__ import annotations

from collections.abc import Iterator

from harness.report import human
from harness.report.columns import Terminal
from harness.report.document import AttemptDocument, ReportDocument, Review
from harness.report.ledger_words import at_offset, ledger_lines, open_lines


def gate_lines(document: ReportDocument, to: Terminal) -> list[str]:
    """For each attempt: its reviews with name and time, what was known to be on, notices and inhibits."""
    lines: list[str] = []
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        told = list(_attempt_lines(attempt))
        if told:
            of = f" of attempt {total - position}" if total > 1 else ""
            lines += to.wrapped(f"before and after the test{of}:", hang=4)
            for text in told:
                lines += to.wrapped(text, first=4, hang=8)
    return lines


def not_settled_lines(attempt: AttemptDocument, number: int) -> list[str]:
    """What is still to be done after an attempt; nothing where all is settled, or where no ledger was kept."""
    told = attempt.ledger
    if told is None or told.is_settled:
        return []
    stamp = at_offset(attempt.utc_offset_s)
    return [f"still open after attempt {number}: {text}" for text in (*told.problems, *open_lines(told.state, stamp))]


def _attempt_lines(attempt: AttemptDocument) -> Iterator[str]:
    gathered: dict[tuple[str, str], list[str]] = {}
    for review in attempt.reviews:
        by = f"{review.by}{_at(review, attempt)}"
        more = "".join(f" ({text})" for text in (review.isolated, review.note) if text)
        gathered.setdefault((review.decision.value, by), []).append(review.side_effect + more)
    for (decision, by), names in gathered.items():
        yield f"{decision} by {by}: {', '.join(names)}"
    if attempt.reviewed:
        yield f"reviews: {attempt.reviewed}"
    for name, reason in attempt.standing:
        yield f"on before anything was raised: {name} ({reason or 'nobody confirmed it'})"
    if attempt.ledger is not None:
        of_later = f", as it was later: {attempt.ledger.later}" if attempt.ledger.later else ""
        yield f"ledger {attempt.ledger.file}{of_later}"
        yield from ledger_lines(attempt.ledger.state, at_offset(attempt.utc_offset_s))


def _at(review: Review, attempt: AttemptDocument) -> str:
    return "" if review.at_utc_ns is None else f", {human.local(review.at_utc_ns, attempt.utc_offset_s)}"
