"""Where each signal of the controller shows: every bit, register and printed line that carries an alarm."""

from __future__ import annotations

from enum import IntEnum, StrEnum, unique
from typing import Final, NamedTuple

from sims.alarms import ALARMS


@unique
class Table(StrEnum):
    """Where values are found: the tables of the Modbus data model, BACnet object types, and what people look at."""

    COIL = "coil"
    DISCRETE_INPUT = "discrete-input"
    HOLDING_REGISTER = "holding-register"
    INPUT_REGISTER = "input-register"
    LINE = "line"
    BINARY_INPUT = "binary-input"
    BINARY_VALUE = "binary-value"
    MULTI_STATE_VALUE = "multi-state-value"
    ANALOG_INPUT = "analog-input"
    TOPIC = "topic"
    LAMP = "lamp"
    SOUND = "sound"
    DISPLAY = "display"


MODBUS_TABLES: Final = (Table.COIL, Table.DISCRETE_INPUT, Table.HOLDING_REGISTER, Table.INPUT_REGISTER)
BIT_TABLES: Final = (Table.COIL, Table.DISCRETE_INPUT)
OTHER_TABLE: Final = {
    Table.COIL: Table.DISCRETE_INPUT,
    Table.DISCRETE_INPUT: Table.COIL,
    Table.HOLDING_REGISTER: Table.INPUT_REGISTER,
    Table.INPUT_REGISTER: Table.HOLDING_REGISTER,
}


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
    BUS_1 = "bus.1"
    BUS_LOOP = "bus.loop"
    BUS_3 = "bus.3"
    BUS_4 = "bus.4"
    BUS_5 = "bus.5"
    BUS_ALL = "bus.all"
    GATEWAY = "gateway"
    ANNUNCIATOR = "annunciator"
    DISPLAY = "annunciator.display"
    BUILDING = "building"
    BUILDING_STATES = "building.states"
    BUILDING_LEVELS = "building.levels"
    BROKER = "broker"

    @property
    def device(self) -> str:
        """The device that it belongs to, as ``bms`` for ``bms.horn``."""
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
# Bits of the latched registers that carry nothing, unless a defect puts something there.
SPARE: Final = tuple(
    Point(Place.LATCHED, Table.HOLDING_REGISTER, Register.LATCHED + number // 16, number % 16, f"spare-{number}")
    for number in range(len(REMOTE), 32)
)
STATES: Final = tuple(
    Point(Place.STATES, Table.INPUT_REGISTER, Register.STATE + a.number, None, a.name) for a in ALARMS
)
PRINTER: Final = tuple(Point(Place.PRINTER, Table.LINE, a.number, None, a.name) for a in ALARMS)


# The units of the bus. Repeaters show every remote alarm at the discrete input of its number; the module reads loops.
REPEATERS: Final = {1: Place.BUS_1, 3: Place.BUS_3, 4: Place.BUS_4, 5: Place.BUS_5}
LOOP_UNIT: Final = 2
UNITS: Final = {1: Place.BUS_1, LOOP_UNIT: Place.BUS_LOOP, 3: Place.BUS_3, 4: Place.BUS_4, 5: Place.BUS_5}

TANKS: Final = ("bulk-a", "bulk-b", "day")
LEVEL_CONDITIONS: Final = ("high-high", "high", "low", "low-low", "probe-fault")


def _remote(place: Place, table: Table, first: int = 0) -> tuple[Point, ...]:
    """One point for each alarm that may leave the panel, numbered from ``first``."""
    return tuple(Point(place, table, first + a.number, None, a.name) for a in REMOTE)


def _levels(place: Place, table: Table, first: int = 0) -> tuple[Point, ...]:
    """What one analog value for each tank can say: every condition of the tank that drives its level."""
    return tuple(
        Point(place, table, first + number, None, f"{tank}.{condition}")
        for number, tank in enumerate(TANKS)
        for condition in LEVEL_CONDITIONS
    )


REPEATED: Final = {unit: _remote(place, Table.DISCRETE_INPUT) for unit, place in REPEATERS.items()}
LOOPS: Final = _levels(Place.BUS_LOOP, Table.INPUT_REGISTER)
GATEWAY: Final = _remote(Place.GATEWAY, Table.DISCRETE_INPUT)
GATEWAY_COMMON: Final = Point(Place.GATEWAY, Table.DISCRETE_INPUT, Register.COMMON_ALARM, None, "common-alarm")
LAMP: Final = Point(Place.ANNUNCIATOR, Table.LAMP, 0, None, "lamp")
ANNUNCIATOR_HORN: Final = Point(Place.ANNUNCIATOR, Table.SOUND, 0, None, "horn")
DISPLAY: Final = _remote(Place.DISPLAY, Table.DISPLAY)
BUILDING: Final = _remote(Place.BUILDING, Table.BINARY_INPUT, 1)
BUILDING_COMMON: Final = Point(Place.BUILDING, Table.BINARY_VALUE, 100, None, "common-alarm")
BUILDING_STATES: Final = _remote(Place.BUILDING_STATES, Table.MULTI_STATE_VALUE, 1)
BUILDING_LEVELS: Final = _levels(Place.BUILDING_LEVELS, Table.ANALOG_INPUT, 1)
BROKER: Final = _remote(Place.BROKER, Table.TOPIC)

# The points of each place that carry one alarm each, in the order of the alarms.
ALARM_POINTS: Final[dict[Place, tuple[Point, ...]]] = {
    Place.PANEL: PANEL,
    Place.BMS: BMS,
    Place.LATCHED: LATCHED,
    Place.STATES: STATES,
    Place.PRINTER: PRINTER,
    **{REPEATERS[unit]: points for unit, points in REPEATED.items()},
    Place.BUS_LOOP: LOOPS,
    Place.GATEWAY: GATEWAY,
    Place.DISPLAY: DISPLAY,
    Place.BUILDING: BUILDING,
    Place.BUILDING_STATES: BUILDING_STATES,
    Place.BUILDING_LEVELS: BUILDING_LEVELS,
    Place.BROKER: BROKER,
}

# The points that belong to no single alarm.
COMMON_POINTS: Final[tuple[Point, ...]] = (
    COMMON_ALARM,
    COMMON_FAULT,
    HORN,
    GATEWAY_COMMON,
    LAMP,
    ANNUNCIATOR_HORN,
    BUILDING_COMMON,
)

# Every signal that shows at a place: its alarms, and what belongs to none.
SIGNALS: Final[dict[Place, tuple[str, ...]]] = {
    place: tuple(p.signal for p in (*ALARM_POINTS.get(place, ()), *COMMON_POINTS) if p.place is place)
    for place in Place
}


def point_of(place: Place, signal: str | None) -> Point:
    """The point of a place that shows a signal. Raises StopIteration if there is none."""
    points = (*ALARM_POINTS.get(place, ()), *COMMON_POINTS)
    return next(point for point in points if point.place is place and point.signal == signal)


def parts(place: Place) -> tuple[Place, ...]:
    """The blocks that a place stands for: itself, or every block of its device."""
    if place not in (Place.BMS_ALL, Place.BUS_ALL):
        return (place,)
    return tuple(part for part in Place if part.device == place.device and part is not place)
