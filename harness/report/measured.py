"""What records measured, as one frozen value for the renderers: latencies, visible times, misses."""

from __future__ import annotations

from dataclasses import dataclass

from harness.measure.claims import Decided
from harness.measure.sequential import Decision, Rates
from harness.measure.shortest_shown import Finding
from harness.measure.trials import Asked, RowSummary


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRecord:
    """A record that was measured: its file name and SHA-256, and the firmware that its site file states."""

    name: str
    sha256: str
    firmware: str
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimTold:
    """What the trials of one record decide of one output. ``trials``: with a result, in all.

    ``at_claim``, ``at_good``: how the rule ends where the true share is the claimed one, and where it is that of a good
    output (none misses, where nothing else was said).
    """

    alarm: str
    point: str
    share: float
    confidence: float
    decided: Decided
    trials: int
    at_claim: Rates
    at_good: Rates

    @property
    def is_lost(self) -> bool:
        """More failed than a plan with a fixed number of trials allows: not proven, nor shown to be false."""
        return self.decided.decision is Decision.REFUTED and not self.at_good.miss_share


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchTold:
    """The shortest alarm that one output shows, by the tries of one record."""

    alarm: str
    point: str
    finding: Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """``rows``: in the order of the point map. ``single``: how many rows had one trial only, and are not described.

    ``notes``: in what the records differ, so that what is told of all of them is a mixture.
    """

    site: str
    title: str
    records: tuple[MeasuredRecord, ...]
    asked: Asked
    rows: tuple[RowSummary, ...]
    single: int = 0
    claims: tuple[ClaimTold, ...] = ()
    searches: tuple[SearchTold, ...] = ()
    notes: tuple[str, ...] = ()
