"""Where each signal of the controller shows: every bit, register and printed line that carries an alarm."""

from __future__ import annotations

from enum import IntEnum, StrEnum, unique
from typing import Final, NamedTuple

from sims.alarms import ALARMS


@unique
class Table(StrEnum):
    """The four primary tables of the Modbus data model, and the paper of the printer."""

    COIL = "coil"
    DISCRETE_INPUT = "discrete-input"
    HOLDING_REGISTER = "holding-register"
    INPUT_REGISTER = "input-register"
    LINE = "line"


@unique
class Place(StrEnum):
    """A block of outputs; what a defect can be confined to."""

    PANEL = "panel"
    BMS = "bms"
    HORN = "bms.horn"
    LATCHED = "bms.latched"
    STATES = "bms.states"
    TANKS = "bms.tanks"
    BMS_ALL = "bms.all"
    PRINTER = "printer"

    @property
    def device(self) -> str:
        """The device that it belongs to: ``panel``, ``bms`` or ``printer``."""
        return self.value.partition(".")[0]


class Point(NamedTuple):
    """One place at which one signal shows. ``bit`` is None where the whole register, bit or line is meant."""

    place: Place
    table: Table
    address: int
    bit: int | None
    signal: str


@unique
class Word(IntEnum):
    """What a printed line can say of an alarm; values of the printer's points. ``AGAIN``: the last line once more."""

    CLEARED = 0
    RAISED = 1
    ACKED = 2
    AGAIN = 3


class Register(IntEnum):
    """Addresses, counted from 0."""

    COMMON_ALARM = 100
    COMMON_FAULT = 101
    LATCHED = 100
    STATE = 200
    TEST_ALARM = 900
    TEST_ACTION = 901
    TEST_LAST_ALARM = 902
    TEST_LAST_ACTION = 903
    TEST_COUNT = 904


TANK_ADDRESS: Final = {"bulk-a": 0, "bulk-b": 10, "day": 20}
TANK_REGISTERS: Final = 7

REMOTE: Final = tuple(alarm for alarm in ALARMS if not alarm.local)

PANEL: Final = tuple(Point(Place.PANEL, Table.DISCRETE_INPUT, a.number, None, a.name) for a in ALARMS)
BMS: Final = tuple(Point(Place.BMS, Table.DISCRETE_INPUT, a.number, None, a.name) for a in ALARMS)
COMMON_ALARM: Final = Point(Place.BMS, Table.DISCRETE_INPUT, Register.COMMON_ALARM, None, "common-alarm")
COMMON_FAULT: Final = Point(Place.BMS, Table.DISCRETE_INPUT, Register.COMMON_FAULT, None, "common-fault")
HORN: Final = Point(Place.HORN, Table.COIL, 0, None, "horn")
LATCHED: Final = tuple(
    Point(Place.LATCHED, Table.HOLDING_REGISTER, Register.LATCHED + a.number // 16, a.number % 16, a.name)
    for a in REMOTE
)
STATES: Final = tuple(
    Point(Place.STATES, Table.INPUT_REGISTER, Register.STATE + a.number, None, a.name) for a in ALARMS
)
PRINTER: Final = tuple(Point(Place.PRINTER, Table.LINE, a.number, None, a.name) for a in ALARMS)

# The points of each place that carry one alarm each, in the order of the alarms.
ALARM_POINTS: Final[dict[Place, tuple[Point, ...]]] = {
    Place.PANEL: PANEL,
    Place.BMS: BMS,
    Place.LATCHED: LATCHED,
    Place.STATES: STATES,
    Place.PRINTER: PRINTER,
}

# Every signal that shows at a place: its alarms, and what belongs to none.
SIGNALS: Final[dict[Place, tuple[str, ...]]] = {
    **{place: tuple(point.signal for point in points) for place, points in ALARM_POINTS.items()},
    Place.BMS: (*(point.signal for point in BMS), COMMON_ALARM.signal, COMMON_FAULT.signal),
    Place.HORN: (HORN.signal,),
}
