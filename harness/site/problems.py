"""Collects everything that is wrong with a site file, so that one reading says all of it."""

from __future__ import annotations

from collections.abc import Iterable

from harness.core.errors import Origin, Problem, SiteError
from harness.site.names import shown

SYNTAX = "yaml"
"""The code of syntax errors."""

PROBLEMS_MAX = 500
"""More than this helps nobody; what is left over is counted in the last message."""


class Mismatch(ValueError):  # noqa: N818 - it says what it is
    """A value is not what its place takes: what was expected, and the remedy. Never leaves this package."""

    def __init__(self, expected: str, remedy: str = "", *, code: str = "value", found: str | None = None) -> None:
        super().__init__(expected)
        self.expected = expected
        self.remedy = remedy
        self.code = code
        self.found = found
        """``name=value`` where a part of the value is the offending thing, not the whole."""


class Problems:
    """A growing list of problems. The same sentence about the same line is kept once."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, int, str], Problem] = {}
        self._left_over = 0
        self.mended: set[tuple[str, int]] = set()
        """Lines with a syntax error, by file and line: what else seems wrong with them follows from it."""
        self.is_cut_short = False
        """True once a syntax error hid part of the file: what seems to be missing may only be unread."""

    def error(self, origin: Origin, code: str, text: str, remedy: str = "") -> None:
        """The file cannot be used."""
        self._add(Problem(origin=origin, code=code, text=text, remedy=remedy))

    def warning(self, origin: Origin, code: str, text: str, remedy: str = "") -> None:
        """The file can be used, and the user should know."""
        self._add(Problem(origin=origin, code=code, text=text, remedy=remedy, severity="warning"))

    def mismatch(self, origin: Origin, name: str, value: str, mismatch: Mismatch) -> None:
        """A value that did not fit its field: ``name=value: expected ...; remedy``."""
        found = mismatch.found if mismatch.found is not None else f"{name}={shown(value)}"
        self.error(origin, mismatch.code, f"{found}: {mismatch.expected}", mismatch.remedy)

    def _add(self, problem: Problem) -> None:
        key = (problem.origin.file, problem.origin.line, problem.text)
        follows = (problem.origin.file, problem.origin.line) in self.mended and problem.code != SYNTAX
        if key in self._kept or follows:
            return
        if len(self._kept) >= PROBLEMS_MAX:
            self._left_over += 1
            return
        self._kept[key] = problem

    @property
    def is_full(self) -> bool:
        """True where more problems would not be shown: then there is no need to look for remedies."""
        return len(self._kept) >= PROBLEMS_MAX

    @property
    def has_errors(self) -> bool:
        """True where the file cannot be used."""
        return any(problem.severity == "error" for problem in self._kept.values())

    def in_order(self, files: Iterable[str]) -> tuple[Problem, ...]:
        """All problems: the files in the order given, then by line, errors before warnings."""
        rank = {file: index for index, file in enumerate(files)}
        ordered = sorted(
            self._kept.values(),
            key=lambda p: (rank.get(p.origin.file, len(rank)), p.origin.line, p.severity, p.origin.column or 0, p.text),
        )
        if self._left_over:
            last = ordered[-1]
            text = f"problems={len(ordered) + self._left_over}: only the first {PROBLEMS_MAX} are shown"
            ordered.append(Problem(origin=last.origin, code="too-many", text=text, remedy="mend these and check again"))
        return tuple(ordered)

    def raise_if_any(self, files: Iterable[str]) -> None:
        """Raise SiteError with every problem, warnings included, if there is at least one error."""
        if self.has_errors:
            raise SiteError(self.in_order(files))
