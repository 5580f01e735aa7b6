"""Verdicts, their classes, and what an exit code makes of them."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum, StrEnum, unique
from typing import Final


@unique
class VerdictClass(StrEnum):
    """What a verdict amounts to. Unknown never merges into pass."""

    PASS = "pass"
    FAIL = "fail"
    UNKNOWN = "unknown"


@unique
class Verdict(StrEnum):
    """What the correlator says of one stimulus at one expectation."""

    ON_TIME = "on-time"
    APPEARED = "appeared"
    QUIET = "quiet"
    LATE = "late"
    MISSED = "missed"
    BRIEF = "brief"
    STUCK = "stuck"
    LEAKED = "leaked"
    CROSSED = "crossed"
    REPEATED = "repeated"
    STRAY = "stray"
    NOT_OBSERVED = "not-observed"
    UNRESOLVED = "unresolved"
    MASKED = "masked"
    NOT_RUN = "not-run"

    @property
    def verdict_class(self) -> VerdictClass:
        """Pass, fail or unknown."""
        return _CLASS[self]

    @property
    def meaning(self) -> str:
        """One plain sentence for a reader who sees the word for the first time."""
        return _MEANING[self]


_CLASS: Final = {
    Verdict.ON_TIME: VerdictClass.PASS,
    Verdict.APPEARED: VerdictClass.PASS,
    Verdict.QUIET: VerdictClass.PASS,
    Verdict.LATE: VerdictClass.FAIL,
    Verdict.MISSED: VerdictClass.FAIL,
    Verdict.BRIEF: VerdictClass.FAIL,
    Verdict.STUCK: VerdictClass.FAIL,
    Verdict.LEAKED: VerdictClass.FAIL,
    Verdict.CROSSED: VerdictClass.FAIL,
    Verdict.REPEATED: VerdictClass.FAIL,
    Verdict.STRAY: VerdictClass.FAIL,
    Verdict.NOT_OBSERVED: VerdictClass.UNKNOWN,
    Verdict.UNRESOLVED: VerdictClass.UNKNOWN,
    Verdict.MASKED: VerdictClass.UNKNOWN,
    Verdict.NOT_RUN: VerdictClass.UNKNOWN,
}

_MEANING: Final = {
    Verdict.ON_TIME: "it appeared within the limit and met every other limit",
    Verdict.APPEARED: "it appeared; no time limit was set, or the time was not measured",
    Verdict.QUIET: "it was required not to react, and it did not",
    Verdict.LATE: "it appeared after the limit",
    Verdict.MISSED: "it did not appear",
    Verdict.BRIEF: "it was visible for less time than required",
    Verdict.STUCK: "it did not go back to normal in time",
    Verdict.LEAKED: "it was required not to react, and it did",
    Verdict.CROSSED: "it appeared at another alarm's point instead",
    Verdict.REPEATED: "it appeared more than once",
    Verdict.STRAY: "it appeared, and nothing that was raised explains it",
    Verdict.NOT_OBSERVED: "nobody was looking: not evidence of anything",
    Verdict.UNRESOLVED: "what was seen fits both a pass and a fail",
    Verdict.MASKED: "another alarm already held the shared point",
    Verdict.NOT_RUN: "the raise is not proven, so nothing was tested",
}


@unique
class ExitCode(IntEnum):
    """Exit codes of every command."""

    ALL_PASS = 0
    FAILED = 1
    USAGE = 2
    UNKNOWN = 3
    REFUSED = 4
    NOT_RESTORED = 5


def exit_code(verdicts: Iterable[Verdict]) -> ExitCode:
    """0 where all passed, 1 where one failed, 3 where none failed and one is unknown.

    Nothing judged at all is unknown: an empty test proves nothing.
    """
    classes = {verdict.verdict_class for verdict in verdicts}
    if VerdictClass.FAIL in classes:
        return ExitCode.FAILED
    if VerdictClass.UNKNOWN in classes or not classes:
        return ExitCode.UNKNOWN
    return ExitCode.ALL_PASS
