"""Text in columns of a terminal, where a character may be two columns wide, or none."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len, set_cell_size

from harness.report.safe import safe_text


def fitted(text: str, width: int) -> str:
    """``text`` padded or cut to exactly ``width`` columns; what was cut ends in ``..``."""
    return set_cell_size(text, width) if cell_len(text) <= width else set_cell_size(text, max(0, width - 2)) + ".."


def table(heads: Sequence[str], body: Sequence[Sequence[str]], widths: Sequence[int]) -> list[str]:
    """Lines with two spaces between the columns, and a rule beneath the heads."""
    lines = ["  ".join(fitted(safe_text(head), width) for head, width in zip(heads, widths, strict=True))]
    lines.append("  ".join("-" * width for width in widths))
    lines += ["  ".join(fitted(cell, width) for cell, width in zip(row, widths, strict=True)) for row in body]
    return lines


def wrapped(text: str, width: int, *, hang: int = 0, first: int = 0) -> list[str]:
    """``text`` made safe and folded at spaces into lines of at most ``width`` columns.

    The first line begins ``first`` columns in, the others ``hang``. A word longer than a line is cut into pieces.
    """
    lines: list[str] = []
    line, used = " " * first, first
    for word in safe_text(text).split(" "):
        for piece in _pieces(word, width - max(hang, first) - 1):
            size = cell_len(piece)
            gap = 1 if line.strip() else 0
            if used + gap + size > width:
                lines.append(line)
                line, used, gap = " " * hang, hang, 0
            line += " " * gap + piece
            used += gap + size
    return [*lines, line]


def _pieces(word: str, width: int) -> list[str]:
    pieces = []
    while cell_len(word) > width:
        head = set_cell_size(word, width).rstrip(" ")
        head = head if word.startswith(head) and head else word[:1]
        pieces.append(head)
        word = word[len(head) :]
    return [*pieces, word]
