"""The alarms of the simulated plant controller: an invented hospital's standby fuel plant.

Everything here is invented for demonstration; no real site, controller or register map is meant.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from sims.durations import NS_PER_MS


@unique
class AlarmClass(StrEnum):
    """What kind of condition it is. Warnings stay local: they never leave the panel."""

    ALARM = "alarm"
    WARNING = "warning"
    FAULT = "fault"


@unique
class Effect(StrEnum):
    """What a raised alarm does to the plant."""

    CLOSE_FILL_VALVE_A = "closes fill valve A"
    CLOSE_FILL_VALVE_B = "closes fill valve B"
    STOP_TRANSFER_PUMP_A = "stops transfer pump A"
    STOP_TRANSFER_PUMP_B = "stops transfer pump B"
    CLOSE_DAY_INLET = "closes the day tank inlet"
    START_STANDBY_PUMP = "starts the standby pump"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSpec:
    """One alarm. ``number`` counts from 0. ``lasts_ns``: it clears by itself that long after it was raised."""

    number: int
    name: str
    alarm_class: AlarmClass = AlarmClass.ALARM
    also_raises: tuple[str, ...] = ()
    effect: Effect | None = None
    lasts_ns: int | None = None

    @property
    def text(self) -> str:
        """The name as it is printed: upper case, with spaces."""
        return self.name.upper().replace(".", " ").replace("-", " ")

    @property
    def tank(self) -> str:
        """What the alarm belongs to: the part of its name before the dot."""
        return self.name.partition(".")[0]

    @property
    def local(self) -> bool:
        """Whether it must stay on the panel."""
        return self.alarm_class is AlarmClass.WARNING


def _tank(tank: str, first: int, high: Effect, low: Effect) -> list[AlarmSpec]:
    return [
        AlarmSpec(number=first, name=f"{tank}.high-high", also_raises=(f"{tank}.high",), effect=high),
        AlarmSpec(number=first + 1, name=f"{tank}.high"),
        AlarmSpec(number=first + 2, name=f"{tank}.low"),
        AlarmSpec(number=first + 3, name=f"{tank}.low-low", also_raises=(f"{tank}.low",), effect=low),
    ]


def _bulk(tank: str, first: int, high: Effect, low: Effect) -> list[AlarmSpec]:
    return [
        *_tank(tank, first, high, low),
        AlarmSpec(number=first + 4, name=f"{tank}.water"),
        AlarmSpec(number=first + 5, name=f"{tank}.temperature-high"),
    ]


def _named(first: int, alarm_class: AlarmClass, *names: str) -> list[AlarmSpec]:
    return [AlarmSpec(number=first + i, name=name, alarm_class=alarm_class) for i, name in enumerate(names)]


ALARMS: Final[tuple[AlarmSpec, ...]] = (
    *_bulk("bulk-a", 0, Effect.CLOSE_FILL_VALVE_A, Effect.STOP_TRANSFER_PUMP_A),
    *_bulk("bulk-b", 6, Effect.CLOSE_FILL_VALVE_B, Effect.STOP_TRANSFER_PUMP_B),
    *_tank("day", 12, Effect.CLOSE_DAY_INLET, Effect.START_STANDBY_PUMP),
    *_named(16, AlarmClass.ALARM, "bulk-a.interstitial-leak", "bulk-b.interstitial-leak"),
    AlarmSpec(number=18, name="sump-a.leak", lasts_ns=1500 * NS_PER_MS),
    AlarmSpec(number=19, name="sump-b.leak", lasts_ns=1500 * NS_PER_MS),
    AlarmSpec(number=20, name="fill-sump.splash", lasts_ns=800 * NS_PER_MS),
    *_named(21, AlarmClass.FAULT, "bulk-a.probe-fault", "bulk-b.probe-fault", "day.probe-fault"),
    *_named(
        24,
        AlarmClass.WARNING,
        "bulk-a.delivery-due",
        "bulk-b.delivery-due",
        "printer.paper-low",
        "panel.battery-low",
    ),
)

BY_NAME: Final[dict[str, AlarmSpec]] = {alarm.name: alarm for alarm in ALARMS}


def related(one: AlarmSpec, other: AlarmSpec) -> bool:
    """Whether one of the two brings the other with it, or they are the same."""
    return one.name == other.name or one.name in other.also_raises or other.name in one.also_raises
