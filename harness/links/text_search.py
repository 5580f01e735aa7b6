"""Finding the few lines of a long log that a pattern may match, without trying it on every one. Pure functions.

Nearly every pattern of an alarm line holds its text as it is printed. A search for that text runs through a whole
night's log in a millisecond or two; the pattern itself decides only about the lines in which it was found.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from importlib import import_module
from itertools import accumulate
from typing import Any

from harness.links.text_lines import PlacePatterns

_parser: Any = import_module("re._parser")  # the only way to see what a pattern is made of


class Lines:
    """The texts of a log, joined for searching."""

    def __init__(self, texts: Sequence[str]) -> None:
        self._joined = "\n".join(texts)
        self._starts = [0, *accumulate(len(text) + 1 for text in texts)][: len(texts)]

    def candidates(self, patterns: PlacePatterns) -> Sequence[int]:
        """The places of all lines that any of the patterns matches, and perhaps of others; ascending."""
        found: set[int] = set()
        for _, pattern in patterns.patterns:
            literal = longest_literal(pattern.pattern)
            if not literal:
                return range(len(self._starts))
            found.update(self._holding(literal))
        return sorted(found)

    def _holding(self, literal: str) -> list[int]:
        """The places of the lines that hold ``literal``; a find across the end of a line counts for the first one."""
        found = []
        at = self._joined.find(literal)
        while at >= 0:
            line = bisect_right(self._starts, at) - 1
            found.append(line)
            # The rest of this line tells nothing new; a find across its end must not hide one in the next line.
            after = self._starts[line + 1] if line + 1 < len(self._starts) else len(self._joined)
            at = self._joined.find(literal, max(at + 1, after))
        return found


@lru_cache(maxsize=4096)
def longest_literal(pattern: str) -> str:
    """The longest run of characters that every match of ``pattern`` holds as they are; '' where none is certain."""
    tree = _parser.parse(pattern)
    if tree.state.flags & re.IGNORECASE:
        return ""
    longest = run = ""
    for operation, argument in tree:
        if str(operation) == "LITERAL":
            run += chr(argument)
            longest = max(longest, run, key=len)
        elif str(operation) != "AT":  # ^ and $ stand between characters, and match none
            run = ""
    return longest
