"""Corrections of a record: what a person says later about what was recorded. Values only; nothing is overwritten.

A correction is an event at the end of the record, with who, when and why. What it corrects stays as it was recorded,
and is shown beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Any, Final

from harness.record.found import Event
from harness.record.header import Json

CORRECTION_EVENT: Final = "correction"


@unique
class CorrectionKind(StrEnum):
    """What is corrected."""

    NOTE = "note"
    """Something to know about a stimulus, or about the whole record. Changes no result."""
    VOID = "void"
    """A stimulus that is no test of its alarm: nothing is judged from it any more, not even a fail."""
    ALARM = "alarm"
    """A stimulus raised another alarm than was said; ``text`` names the right one."""
    WHO = "who"
    """The name of who tested is wrong; ``text`` is the right one."""
    TAKE_BACK = "take-back"
    """A report of a person is taken back: it is no evidence any more."""
    WITHDRAW = "withdraw"
    """An earlier correction is withdrawn; ``withdraws`` is its number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One correction. ``number`` counts from 1 in its record; ``stimulus`` is '' where it is about no single one.

    ``alarm``: as it was recorded for the stimulus, '' without one. ``link`` and ``report``: the person's link and the
    number of the report that is taken back. ``before_sha256``: of the record's file before it was corrected, '' where
    that was cut off and lay in more than one file.
    """

    number: int
    kind: CorrectionKind
    stimulus: str = ""
    alarm: str = ""
    link: str = ""
    report: int | None = None
    withdraws: int | None = None
    text: str = ""
    reason: str
    by: str
    at_utc_ns: int
    utc_offset_s: int = 0
    before_sha256: str = ""

    def to_data(self) -> dict[str, Json]:
        """As the record keeps it."""
        return {
            "number": self.number,
            "kind": self.kind.value,
            "stimulus": self.stimulus,
            "alarm": self.alarm,
            "link": self.link,
            "report": self.report,
            "withdraws": self.withdraws,
            "text": self.text,
            "reason": self.reason,
            "by": self.by,
            "at_utc_ns": self.at_utc_ns,
            "utc_offset_s": self.utc_offset_s,
            "before_sha256": self.before_sha256,
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Correction:
        """The opposite of ``to_data``. ValueError, KeyError or TypeError where it is none."""
        return cls(**{**data, "kind": CorrectionKind(data["kind"])})

    @property
    def about(self) -> str:
        """What it is about, in words."""
        if self.withdraws is not None:
            return f"correction {self.withdraws}"
        if self.report is not None:
            return f"report {self.report} on link {self.link}"
        if self.stimulus:
            return f"stimulus {self.stimulus} ({self.alarm})"
        return "who tested" if self.kind is CorrectionKind.WHO else "the record"

    @property
    def change(self) -> str:
        """What it says, in words."""
        match self.kind:
            case CorrectionKind.NOTE:
                return f"note: {self.text}"
            case CorrectionKind.VOID:
                return "voided: nothing is judged from it"
            case CorrectionKind.ALARM:
                return f"was {self.text}, recorded as {self.alarm}"
            case CorrectionKind.WHO:
                return f"was {self.text}"
            case CorrectionKind.TAKE_BACK:
                return "taken back: it is no evidence"
            case CorrectionKind.WITHDRAW:
                return "withdrawn: it no longer counts"


def corrections_of(events: Iterable[Event]) -> tuple[Correction, ...]:
    """All corrections of a record, in the order in which they were made."""
    return tuple(Correction.from_data(event.data) for event in events if event.kind == CORRECTION_EVENT)


def in_force(corrections: Iterable[Correction]) -> tuple[Correction, ...]:
    """Those that were not withdrawn. The newest decides first, so a withdrawal can be withdrawn itself."""
    kept: list[Correction] = []
    withdrawn: set[int] = set()
    for one in reversed(list(corrections)):
        if one.number in withdrawn:
            continue
        if one.withdraws is not None:
            withdrawn.add(one.withdraws)
        kept.append(one)
    return tuple(reversed(kept))
