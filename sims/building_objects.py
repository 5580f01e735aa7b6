"""Which objects the simulated building device has, and how they are set."""

from __future__ import annotations

import math
from typing import Final

from sims.alarms import BY_NAME
from sims.building_alarming import Alarming
from sims.building_cov import ObjectId
from sims.building_events import ChangeOfState, Delays, OutOfRange
from sims.building_faults import WRONG_CLASS, Faults
from sims.building_levels import COV_INCREMENT, DEADBAND, HIGH_LIMIT, LOW_LIMIT
from sims.building_options import BuildingOptions
from sims.building_views import PRIORITIES, Standing
from sims.defect_kinds import Name
from sims.durations import NS_PER_S
from sims.points import BUILDING, BUILDING_COMMON, BUILDING_STATES, REMOTE, TANKS, Point

DEVICE_INSTANCE: Final = 260001
PROCESS: Final = 1  # the process identifier of every recipient
TEST_OBJECT_FIRST: Final = 201  # binary-value of the first alarm's test object


def make_standings(options: BuildingOptions, faults: Faults) -> dict[ObjectId, Standing]:
    """Every object of the device, normal and, but for a defect, in service."""
    common = Standing(object_id=object_of(BUILDING_COMMON), signal=BUILDING_COMMON.signal, text="COMMON ALARM")
    standings = [
        *(_binary_input(point, options, faults) for point in BUILDING),
        common,
        *(_state(point) for point in BUILDING_STATES),
        *(_level(number + 1, tank, options) for number, tank in enumerate(TANKS)),
        *(_test_object(alarm.number, alarm.name) for alarm in REMOTE if options.test_objects),
    ]
    return {standing.object_id: standing for standing in standings}


def object_of(point: Point) -> ObjectId:
    """The object at which a point shows."""
    return str(point.table), point.address


def _binary_input(point: Point, options: BuildingOptions, faults: Faults) -> Standing:
    signal = point.signal
    longer = faults.find(Name.LONG_TIME_DELAY, signal)
    delay_ns = options.time_delays_ns.get(signal, 0)
    if longer is not None:  # Time_Delay counts whole seconds
        delay_ns = math.ceil((longer.duration_ns or 0) / NS_PER_S) * NS_PER_S
    wrong = faults.find(Name.WRONG_CLASS, signal)
    return Standing(
        object_id=object_of(point),
        signal=signal,
        text=BY_NAME[signal].text,
        out_of_service=faults.find(Name.OUT_OF_SERVICE, signal) is not None,
        algorithm=ChangeOfState(alarm_values=frozenset({1}), delays=Delays(time_delay_ns=delay_ns)),
        alarming=Alarming(
            notification_class=options.notification_class if wrong is None else WRONG_CLASS,
            event_enable=(False,) * 3 if faults.find(Name.EVENTS_DISABLED, signal) else (True,) * 3,
        ),
    )


def _test_object(number: int, alarm: str) -> Standing:
    """What raises an alarm while it is commanded active: the way of a building system to simulate one."""
    return Standing(
        object_id=("binary-value", TEST_OBJECT_FIRST + number),
        signal=alarm,
        text=f"{BY_NAME[alarm].text} TEST",
        commands=[None] * PRIORITIES,
    )


def _state(point: Point) -> Standing:
    text = f"{BY_NAME[point.signal].text} STATE"
    return Standing(object_id=object_of(point), signal=point.signal, text=text, value=1, input=1)


def _level(instance: int, tank: str, options: BuildingOptions) -> Standing:
    algorithm = OutOfRange(
        high_limit=HIGH_LIMIT,
        low_limit=LOW_LIMIT,
        deadband=DEADBAND,
        delays=Delays(time_delay_ns=options.time_delays_ns.get(tank, 0)),
    )
    return Standing(
        object_id=("analog-input", instance),
        signal=tank,
        text=f"{tank.upper().replace('-', ' ')} LEVEL",
        increment=COV_INCREMENT,
        algorithm=algorithm,
        alarming=Alarming(notification_class=options.notification_class),
    )
