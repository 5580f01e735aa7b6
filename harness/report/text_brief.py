"""The middle of the text report alone: how many of each class, what did not pass and why, and the matrix.

For whoever shows results among other text, such as the message of a failed test in the log of a build.
"""

from __future__ import annotations

from harness.report.columns import Terminal
from harness.report.document import ReportDocument
from harness.report.standing import standing_of
from harness.report.text import result_lines, summary_lines
from harness.report.text_matrix import matrix_lines


def render_brief(document: ReportDocument, *, width: int = 80, ascii_only: bool = False) -> str:
    """In lines of at most ``width`` columns, 80 to 200; without a line feed at the end. ValueError for another width.

    ``ascii_only``: for terminals and files that take nothing else.
    """
    to = Terminal(width=width, ascii_only=ascii_only)
    standing = standing_of(document)
    parts = (summary_lines(standing, to), result_lines(document, standing, to), matrix_lines(document, standing, to))
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part)
