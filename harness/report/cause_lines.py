"""A cause in lines of plain text, the same wherever one is told."""

from __future__ import annotations

from harness.core.model import Cause


def cause_lines(cause: Cause) -> list[str]:
    """The cause, what the evidence cannot tell apart from it, and what to look at next: one line each, not folded."""
    lines = [f"cause: {cause.text}", *(f"or, just as likely: {it.text}" for it in cause.equals)]
    lines.append(f"evidence: {cause.evidence}")
    if cause.deciding:
        lines.append(f"this would decide: {cause.deciding}")
    return [*lines, f"check next: {cause.next_check}"]
