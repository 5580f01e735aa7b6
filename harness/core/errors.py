"""The one exception root, and how a message to a person is built.

Every message says what was found (name=value), what was expected, where, and what to do about it.
Exceptions of other packages end where they enter: ``raise LinkError(...) from exc``.
"""

from __future__ import annotations

from dataclasses import dataclass


class FarendError(Exception):
    """Root of everything farend raises on purpose. Its text is fit to be shown to a user."""


class UsageError(FarendError):
    """The command line asks for something that cannot be done (exit code 2)."""


class SiteError(FarendError):
    """A site file or point map is wrong (exit code 2). Carries every problem, not only the first."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class LinkError(FarendError):
    """A link could not be opened, or an answer on it did not fit."""


class IdentityError(LinkError):
    """Two devices claim to be the same one: whatever is read then may be another's, so the run must stop."""


class RecordError(FarendError):
    """A record cannot be written or read."""


class SafetyError(FarendError):
    """The safety gate refused (exit code 4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where something was written: ``file:line``, and the column where one is known (both from 1)."""

    file: str
    line: int
    column: int | None = None

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong in a user's file.

    ``severity`` is "error" (the file cannot be used) or "warning" (it can, and the user should know).
    ``code`` is a short stable name, e.g. ``bit-range``; ``text`` says name=value and what was expected;
    ``remedy`` says what to do.
    """

    origin: Origin
    code: str
    text: str
    remedy: str
    severity: str = "error"

    def __str__(self) -> str:
        prefix = "" if self.severity == "error" else f"{self.severity}: "
        remedy = f"; {self.remedy}" if self.remedy else ""
        return f"{self.origin}: {prefix}{self.text}{remedy}"
