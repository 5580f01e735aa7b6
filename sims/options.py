"""What can be chosen of a simulated site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sims.alarms import BY_NAME
from sims.building_options import BuildingOptions
from sims.durations import NS_PER_MS, NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOptions:
    """Ports of 0 are chosen by the system. ``defects``: specifications as ``sims.defects`` reads them.

    ``lasts_ns`` overrides how long transients last, by alarm name. ``keep_truth`` keeps the truth log in memory too.
    """

    host: str = "127.0.0.1"
    panel_port: int = 0
    bms_port: int = 0
    printer_port: int = 0
    printer_pty: bool = False
    seed: int = 0
    defects: tuple[str, ...] = ()
    truth: Path | None = None
    keep_truth: bool = True
    scan_ns: int = 20 * NS_PER_MS
    output_delay_ns: int = 150 * NS_PER_MS
    printer_delay_ns: int = 100 * NS_PER_MS
    heartbeat_ns: int = 2 * NS_PER_S
    clock_offset_ns: int = 0
    lasts_ns: Mapping[str, int] = field(default_factory=dict)
    building: BuildingOptions | None = None

    def __post_init__(self) -> None:
        """Raises ValueError with name=value, what was expected and the remedy."""
        for name in ("scan_ns", "heartbeat_ns"):
            if getattr(self, name) < NS_PER_MS:
                raise ValueError(f"{name}={getattr(self, name)}: expected at least 1 ms")
        for name in ("output_delay_ns", "printer_delay_ns"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name}={getattr(self, name)}: expected 0 or more")
        for name, lasts_ns in self.lasts_ns.items():
            if name not in BY_NAME:
                raise ValueError(f"lasts: alarm={name!r}: no such alarm; expected one of {', '.join(BY_NAME)}")
            if lasts_ns <= 0:
                raise ValueError(f"lasts: {name}={lasts_ns}: expected more than 0")
