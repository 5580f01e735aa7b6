"""A small plant: three tanks, flows between them, and level, temperature and water sensors with hysteresis.

The plant knows no clock: ``advance`` moves it by a given time, so that a test can run hours in an instant. Left alone
its levels move all the time and stay between their thresholds for ever: fuel is burned from the day tank, transferred
into it from the bulk tanks, and delivered into those.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Final

from sims.alarms import Effect
from sims.durations import NS_PER_S

BURN_L_PER_S: Final = 0.4
TRANSFER_L_PER_S: Final = 2.0
STANDBY_L_PER_S: Final = 1.0
DELIVERY_L_PER_S: Final = 15.0
DAY_TRANSFER_MM: Final = (700.0, 1000.0)  # transfer starts at the first and stops at the second
DAY_STANDBY_STOP_MM: Final = 1200.0  # a float switch of the standby pump's own
BULK_DELIVERY_MM: Final = (1000.0, 2000.0)
STEP_MAX_S: Final = 1.0  # a longer step would jump over the levels at which pumps switch


@dataclass(slots=True, kw_only=True)
class Threshold:
    """A limit with hysteresis: trips at ``trip``, lets go only ``hysteresis`` back from it.

    At the limit itself it trips; it lets go *beyond* the hysteresis, as a dead band has it in OPC 10000-9, annex B.1.5.
    """

    trip: float
    hysteresis: float
    rising: bool
    tripped: bool = False

    def update(self, value: float) -> bool:
        """Whether the limit is tripped, now that the sensor reads ``value``."""
        beyond = value - self.trip if self.rising else self.trip - value
        self.tripped = beyond >= (-self.hysteresis if self.tripped else 0.0)
        return self.tripped


@dataclass(slots=True, kw_only=True)
class Tank:
    """One tank: level and water in mm, temperature in degrees Celsius."""

    name: str
    litres_per_mm: float
    level_mm: float
    temperature_c: float = 18.0
    water_mm: float = 4.0
    thresholds: dict[str, Threshold] = field(default_factory=dict)

    def add_litres(self, litres: float) -> None:
        """Fill or, with a negative amount, empty. A tank does not go below empty."""
        self.level_mm = max(0.0, self.level_mm + litres / self.litres_per_mm)

    def conditions(self) -> set[str]:
        """The names of the alarms whose thresholds are tripped."""
        reads = {"water": self.water_mm, "temperature-high": self.temperature_c}
        return {
            f"{self.name}.{what}"
            for what, threshold in self.thresholds.items()
            if threshold.update(reads.get(what, self.level_mm))
        }


def _levels(high_high: float, high: float, low: float, low_low: float, hysteresis: float) -> dict[str, Threshold]:
    return {
        "high-high": Threshold(trip=high_high, hysteresis=hysteresis, rising=True),
        "high": Threshold(trip=high, hysteresis=hysteresis, rising=True),
        "low": Threshold(trip=low, hysteresis=hysteresis, rising=False),
        "low-low": Threshold(trip=low_low, hysteresis=hysteresis, rising=False),
    }


def _bulk_tank(name: str, level_mm: float) -> Tank:
    return Tank(
        name=name,
        litres_per_mm=8.0,
        level_mm=level_mm,
        thresholds=_levels(2375.0, 2250.0, 500.0, 250.0, 20.0)
        | {
            "water": Threshold(trip=50.0, hysteresis=5.0, rising=True),
            "temperature-high": Threshold(trip=40.0, hysteresis=2.0, rising=True),
            "delivery-due": Threshold(trip=750.0, hysteresis=50.0, rising=False),
        },
    )


class Plant:
    """The tanks, and what flows between them. ``now_ns`` is the plant's own time since its start."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.tanks = {
            "bulk-a": _bulk_tank("bulk-a", 1700.0),
            "bulk-b": _bulk_tank("bulk-b", 1580.0),
            "day": Tank(
                name="day",
                litres_per_mm=0.8,
                level_mm=800.0,
                thresholds=_levels(1425.0, 1350.0, 450.0, 225.0, 15.0),
            ),
        }
        self.transferring = False
        self.delivering = {"bulk-a": False, "bulk-b": False}

    def advance(self, duration_ns: int, effects: Collection[Effect] = ()) -> None:
        """Let ``duration_ns`` go by, with the given side effects in force all the while."""
        left_s = duration_ns / NS_PER_S
        self.now_ns += duration_ns
        while left_s > 0:
            step_s = min(left_s, STEP_MAX_S)
            self._step(step_s, effects)
            left_s -= step_s
        for phase, tank in enumerate(self.tanks.values()):
            tank.temperature_c = 18.0 + 1.5 * math.sin(self.now_ns / NS_PER_S / 600.0 * math.tau + phase)

    def conditions(self) -> set[str]:
        """The names of all alarms whose thresholds are tripped now."""
        return set().union(*(tank.conditions() for tank in self.tanks.values()))

    def _step(self, step_s: float, effects: Collection[Effect]) -> None:
        day = self.tanks["day"]
        day.add_litres(-BURN_L_PER_S * step_s)
        self.transferring = _switch(self.transferring, day.level_mm, DAY_TRANSFER_MM)
        if Effect.CLOSE_DAY_INLET not in effects:
            if self.transferring:
                self._transfer(TRANSFER_L_PER_S * step_s, effects)
            if Effect.START_STANDBY_PUMP in effects and day.level_mm < DAY_STANDBY_STOP_MM:
                self._pump("bulk-b", STANDBY_L_PER_S * step_s)
        for name, valve in (("bulk-a", Effect.CLOSE_FILL_VALVE_A), ("bulk-b", Effect.CLOSE_FILL_VALVE_B)):
            self.delivering[name] = _switch(self.delivering[name], self.tanks[name].level_mm, BULK_DELIVERY_MM)
            if self.delivering[name] and valve not in effects:
                self.tanks[name].add_litres(DELIVERY_L_PER_S * step_s)

    def _transfer(self, litres: float, effects: Collection[Effect]) -> None:
        pumps = (("bulk-a", Effect.STOP_TRANSFER_PUMP_A), ("bulk-b", Effect.STOP_TRANSFER_PUMP_B))
        ready = [name for name, stopped in pumps if stopped not in effects]
        if ready:  # the fuller tank has the duty
            self._pump(max(ready, key=lambda name: self.tanks[name].level_mm), litres)

    def _pump(self, source: str, litres: float) -> None:
        self.tanks[source].add_litres(-litres)
        self.tanks["day"].add_litres(litres)


def _switch(on: bool, level_mm: float, start_stop_mm: tuple[float, float]) -> bool:  # noqa: FBT001
    start, stop = start_stop_mm
    return level_mm < stop if on else level_mm <= start
