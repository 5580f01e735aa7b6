"""The level that an analog output of a tank shows: driven by its alarms, else slowly moving in the middle.

Ranges of the current: 4 mA is 0 %, 20 mA is 100 %; a failure is 3.6 mA or less, or 21 mA or more (NAMUR NE 43, as two
trade pages give it). The levels to which alarms drive it are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Collection
from typing import Final

from sims.durations import NS_PER_S
from sims.points import TANKS

DRIVEN_PERCENT: Final = {"high-high": 97.0, "high": 92.0, "low-low": 3.0, "low": 8.0}  # the first that is there counts
HIGH_PERCENT: Final = 90.0
HIGH_HIGH_PERCENT: Final = 95.0
LOW_PERCENT: Final = 10.0
LOW_LOW_PERCENT: Final = 5.0
FAILURE_LOW_MA: Final = 3.6
FAILURE_HIGH_MA: Final = 21.0

_PERIOD_S: Final = 97.0
_SWING_PERCENT: Final = 8.0


def ma_of(percent: float) -> float:
    """The current for a level."""
    return 4.0 + 16.0 * percent / 100.0


def conditions_at(ma: float) -> set[str]:
    """Which alarms a reader of this current finds."""
    if ma <= FAILURE_LOW_MA or ma >= FAILURE_HIGH_MA:
        return {"probe-fault"}
    found = {
        "high-high": ma >= ma_of(HIGH_HIGH_PERCENT),
        "high": ma >= ma_of(HIGH_PERCENT),
        "low": ma <= ma_of(LOW_PERCENT),
        "low-low": ma <= ma_of(LOW_LOW_PERCENT),
    }
    return {condition for condition, is_so in found.items() if is_so}


class Levels:
    """The levels of all tanks, in percent."""

    def __init__(self, seed: int) -> None:
        dice = random.Random(f"{seed}/levels")
        self._phases = {tank: dice.uniform(0.0, math.tau) for tank in TANKS}

    def percent(self, tank: str, conditions: Collection[str], since_start_ns: int) -> float:
        """The level while some conditions (``high``, ``low-low``, …) of the tank are there."""
        for condition, driven in DRIVEN_PERCENT.items():
            if condition in conditions:
                return driven
        turn = since_start_ns / NS_PER_S / _PERIOD_S * math.tau + self._phases[tank]
        return 50.0 + _SWING_PERCENT * math.sin(turn)
