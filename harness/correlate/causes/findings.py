"""What finders give, and the limits that they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Cause
from harness.core.verdicts import Verdict
from harness.correlate.causes.spots import Spot

ALIKE: Final = 1.25
"""Times count as much the same where the largest lower bound is at most so many times the smallest upper one."""

ANSWER_NS: Final = 2 * NS_PER_S
"""An end within this time of a step counts as the answer to it where no limit says more (common practice, no source).
"""

MISSING: Final = (Verdict.MISSED, Verdict.CROSSED)
"""Verdicts that prove that the alarm did not appear at its own point."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appearance:
    """Something that came on and that nothing explains. ``point``: '' where no point maps it.

    ``stray``: its number among the strays of the judgement, None where a crossing took it or no point maps it.
    """

    spot: Spot
    point: str
    onset: Bounds
    end: Bounds
    stray: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A cause, and what it explains: numbers of results and of strays in the judgement, and appearances."""

    cause: Cause
    results: tuple[int, ...] = ()
    strays: tuple[int, ...] = ()
    seen: tuple[Appearance, ...] = ()

    @property
    def all_strays(self) -> frozenset[int]:
        """Numbers of the strays that it explains, as such or as appearances."""
        return frozenset(self.strays) | {it.stray for it in self.seen if it.stray is not None}
