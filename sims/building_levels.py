"""What the level of a tank reads in the building device: percent and Reliability; and what its object is set to."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, NamedTuple

from sims.building_events import NO_FAULT
from sims.levels import FAILURE_LOW_MA, HIGH_PERCENT, LOW_PERCENT, Levels

HIGH_LIMIT: Final = HIGH_PERCENT
LOW_LIMIT: Final = LOW_PERCENT
DEADBAND: Final = 2.0
COV_INCREMENT: Final = 2.0
NO_SENSOR: Final = 1  # Reliability no-sensor, ASHRAE 135, clause 21


class Reading(NamedTuple):
    """A reading in percent of the tank."""

    percent: float
    reliability: int


def read_level(levels: Levels, tank: str, conditions: Collection[str], since_start_ns: int) -> Reading:
    """The reading, to a tenth of a percent. A faulty probe's current is below 4 mA, and so reads less than nothing."""
    if "probe-fault" in conditions:
        return Reading(round(100 * (FAILURE_LOW_MA - 0.1 - 4) / 16, 1), NO_SENSOR)
    return Reading(round(levels.percent(tank, conditions, since_start_ns), 1), NO_FAULT)
