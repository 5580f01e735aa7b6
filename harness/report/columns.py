"""Text in columns of a terminal, where a character may be two columns wide, or none."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len, set_cell_size

from harness.report.safe import ascii_text, safe_text

WIDTH_MIN: Final = 80
WIDTH_MAX: Final = 200
_UNIT: Final = re.compile(r" (?!(?:%|s|ms|ns|min|h)(?!\w))|(?<!\d) ")
"""A space that does not stand between a number and its unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """What lines are made for: ``width`` columns, and whether it takes nothing but ASCII."""

    width: int = 100
    ascii_only: bool = False

    def __post_init__(self) -> None:
        if not WIDTH_MIN <= self.width <= WIDTH_MAX:
            raise ValueError(f"width={self.width}: expected {WIDTH_MIN} to {WIDTH_MAX} columns")

    def show(self, text: str) -> str:
        """``text`` with nothing left in it that could move a cursor or hide."""
        return ascii_text(text) if self.ascii_only else safe_text(text)

    def fitted(self, text: str, width: int) -> str:
        """``text`` made safe and padded or cut to exactly ``width`` columns; what was cut ends in ``..``."""
        text = self.show(text)
        return set_cell_size(text, width) if cell_len(text) <= width else set_cell_size(text, max(0, width - 2)) + ".."

    def names_fitted(self, names: Sequence[str], width: int) -> list[str]:
        """Each name as :meth:`fitted`; those that would then read alike are cut in the middle instead, if that helps.

        What tells two points of one device apart often stands at the end of their names.
        """
        distinct = dict.fromkeys(names)
        shown = {name: self.fitted(name, width) for name in distinct}
        counts = Counter(shown.values())
        alike = [name for name in distinct if counts[shown[name]] > 1 and self.size(name) > width]
        others = {told for name, told in shown.items() if name not in alike}
        room = width - 2
        for tail in sorted(range(1, room), key=lambda it: abs(it - (room + 1) // 2)) if alike else ():
            cut = {name: self._without_middle(name, width, tail) for name in alike}
            if len(others.union(cut.values())) == len(distinct):
                shown |= cut
                break
        return [shown[name] for name in names]

    def _without_middle(self, text: str, width: int, tail: int) -> str:
        """Exactly ``width`` columns, of which the last ``tail`` are the end of ``text``, or fewer of them."""
        text = self.show(text)
        end = next(text[at:] for at in range(len(text) + 1) if cell_len(text[at:]) <= tail)
        return set_cell_size(f"{set_cell_size(text, width - 2 - tail)}..{end}", width)

    def size(self, text: str) -> int:
        """How many columns ``text`` takes once made safe."""
        return cell_len(self.show(text))

    def wrapped(self, text: str, *, hang: int = 0, first: int = 0, keep_units: bool = False) -> list[str]:
        """``text`` made safe and folded at spaces.

        The first line begins ``first`` columns in, the others ``hang``. A word longer than a line is cut into pieces.
        ``keep_units``: never between a number and its unit.
        """
        lines: list[str] = []
        line, used = " " * first, first
        shown = self.show(text)
        for word in _UNIT.split(shown) if keep_units else shown.split(" "):
            for piece in _pieces(word, self.width - max(hang, first) - 1):
                size = cell_len(piece)
                gap = 1 if line.strip() else 0
                if used + gap + size > self.width:
                    lines.append(line)
                    line, used, gap = " " * hang, hang, 0
                line += " " * gap + piece
                used += gap + size
        return [*lines, line]


def table(to: Terminal, heads: Sequence[Sequence[str]], body: Sequence[Sequence[str]]) -> list[str] | None:
    """Lines with two spaces between the columns and a rule beneath the heads; None where they do not fit."""
    columns = range(len(heads[0]))
    widths = [max(to.size(line[index]) for line in (*heads, *body)) for index in columns]
    if sum(widths) + 2 * (len(widths) - 1) > to.width:
        return None
    head, rows = (
        ["  ".join(to.fitted(cell, width) for cell, width in zip(row, widths, strict=True)) for row in part]
        for part in (heads, body)
    )
    return [*head, "  ".join("-" * width for width in widths), *rows]


def _pieces(word: str, width: int) -> list[str]:
    pieces = []
    while cell_len(word) > width:
        at = len(word)
        while cell_len(word[:at]) > width:
            at = at * width // cell_len(word[:at]) if at > width else at - 1
        at = max(1, at)
        pieces.append(word[:at])
        word = word[at:]
    return [*pieces, word]
