"""What records measured, as one frozen value for the renderers: latencies, visible times, misses."""

from __future__ import annotations

from dataclasses import dataclass

from harness.measure.trials import Asked, RowSummary


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRecord:
    """A record that was measured: its file name and SHA-256, and the firmware that its site file states."""

    name: str
    sha256: str
    firmware: str
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """``rows``: in the order of the point map. ``single``: how many rows had one trial only, and are not described."""

    site: str
    title: str
    records: tuple[MeasuredRecord, ...]
    asked: Asked
    rows: tuple[RowSummary, ...]
    single: int = 0
