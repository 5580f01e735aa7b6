"""What is not as it was found after a test: in one sentence, and as a part of the text report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.report.columns import Terminal
from harness.report.document import Difference, ReportDocument

NAMED_MAX: Final = 6
"""So many points are named in a sentence; of more, how many more there are. The part names them all."""


def left_words(differences: Sequence[Difference]) -> str:
    """``bms:00001 was off, is on; bms:10002 was off, is on; and 3 more``."""
    more = [f"and {len(differences) - NAMED_MAX} more"] if len(differences) > NAMED_MAX else []
    return "; ".join([*(_words(one) for one in differences[:NAMED_MAX]), *more])


def left_lines(document: ReportDocument, to: Terminal) -> list[str]:
    """For each attempt, everything that is not as it was found; nothing where all is, or nobody compared."""
    lines: list[str] = []
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        if attempt.as_left:
            lines += to.wrapped(f"as left after attempt {total - position}, not as it was found:", hang=4)
            for one in attempt.as_left:
                lines += to.wrapped(_words(one), first=4, hang=8)
    return lines


def _words(one: Difference) -> str:
    return f"{one.what} was {one.as_found}, is {one.as_left}"
