"""What can be chosen of a simulated site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from sims.alarms import BY_NAME
from sims.building_options import BuildingOptions
from sims.clock import DRIFT_MAX_PPM
from sims.durations import NS_PER_MS, NS_PER_S

BAUD_MIN: Final = 300
BAUD_MAX: Final = 115_200  # above it a character takes less time than a thread needs to wake up
LOOP_MAX_MA: Final = 24.0  # the full scale of the analog module


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOptions:
    """Ports of 0 are chosen by the system; None, where it is possible, means that there is none.

    ``defects``: specifications as ``sims.defects`` reads them. ``lasts_ns`` overrides how long transients last, by
    alarm name. ``keep_truth`` keeps the truth log in memory too. The bus and the annunciator are there by default, as
    they cost nothing while nobody is connected; pseudo-terminals and what works by itself (a master on the bus, the
    gateway, which polls the bms) are there when asked for. ``log_answers``: one entry for every answer on the bus.
    ``clock_set``: (ns after the start, by how much it is set ahead) of the clock whose times are printed.
    ``bus_in_loop`` moves the line from a thread, which paces it, into the event loop, for tests in virtual time.
    """

    host: str = "127.0.0.1"
    panel_port: int = 0
    bms_port: int = 0
    printer_port: int = 0
    printer_pty: bool = False
    mqtt_host: str | None = None
    mqtt_port: int = 1883
    seed: int = 0
    defects: tuple[str, ...] = ()
    truth: Path | None = None
    keep_truth: bool = True
    scan_ns: int = 20 * NS_PER_MS
    output_delay_ns: int = 150 * NS_PER_MS
    printer_delay_ns: int = 100 * NS_PER_MS
    mqtt_delay_ns: int = 100 * NS_PER_MS
    heartbeat_ns: int = 2 * NS_PER_S
    clock_offset_ns: int = 0
    clock_drift_ppm: int = 0
    clock_set: tuple[tuple[int, int], ...] = ()
    lasts_ns: Mapping[str, int] = field(default_factory=dict)
    building: BuildingOptions | None = None
    bus_port: int | None = 0
    bus_tap_port: int | None = 0
    bus_pty: bool = False
    bus_tap_pty: bool = False
    bus_baud: int = 19_200
    bus_delay_ns: int = 150 * NS_PER_MS
    bus_turnaround_ns: int = 0
    bus_master: bool = False
    bus_in_loop: bool = False
    bus_round_ns: int = 200 * NS_PER_MS
    log_answers: bool = False
    loop_failure_ma: float = 3.5
    gateway_port: int | None = None
    gateway_poll_ns: int = 2 * NS_PER_S
    annunciator_port: int | None = 0
    annunciator_delay_ns: int = 100 * NS_PER_MS

    def __post_init__(self) -> None:
        """Raises ValueError with name=value, what was expected and the remedy."""
        for name in ("scan_ns", "heartbeat_ns", "bus_round_ns", "gateway_poll_ns"):
            if getattr(self, name) < NS_PER_MS:
                raise ValueError(f"{name}={getattr(self, name)}: expected at least 1 ms")
        for name in (
            "output_delay_ns",
            "printer_delay_ns",
            "bus_delay_ns",
            "bus_turnaround_ns",
            "annunciator_delay_ns",
        ):
            if getattr(self, name) < 0:
                raise ValueError(f"{name}={getattr(self, name)}: expected 0 or more")
        if abs(self.clock_drift_ppm) > DRIFT_MAX_PPM:
            raise ValueError(f"clock_drift_ppm={self.clock_drift_ppm}: expected at most {DRIFT_MAX_PPM} either way")
        if not BAUD_MIN <= self.bus_baud <= BAUD_MAX:
            raise ValueError(f"bus_baud={self.bus_baud}: expected {BAUD_MIN} to {BAUD_MAX}")
        if not 0.0 <= self.loop_failure_ma <= LOOP_MAX_MA:
            raise ValueError(f"loop_failure_ma={self.loop_failure_ma}: expected 0 to {LOOP_MAX_MA}")
        for name, lasts_ns in self.lasts_ns.items():
            if name not in BY_NAME:
                raise ValueError(f"lasts: alarm={name!r}: no such alarm; expected one of {', '.join(BY_NAME)}")
            if lasts_ns <= 0:
                raise ValueError(f"lasts: {name}={lasts_ns}: expected more than 0")
