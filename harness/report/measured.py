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
    unproven: tuple[str, ...] = ()
    """Why it may not be called proven, whatever the rule says."""
    record: str = ""
    """The name of the record that was made for it, where others are measured with it; else ''."""
    failed: int = 0
    """Of all its trials."""

    @property
    def decision(self) -> Decision:
        """What is decided; by trials that may all have met the same phase of a poll nothing is proven."""
        decided = self.decided.decision
        return Decision.UNDECIDED if decided is Decision.PROVEN and self.unproven else decided

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
    unproven: tuple[str, ...] = ()
    """Why no length may be called proven, whatever the tries came to."""
    record: str = ""
    """The name of the record, where others are measured with it; else ''."""

    @property
    def is_proven(self) -> bool:
        """Whether a length is proven to be shown often enough."""
        return self.finding.reliable is not None and not self.unproven


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
