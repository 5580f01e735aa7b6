"""What defects do to signals and to their times, with a clock that only the test moves."""

import pytest

from sims.alarm_states import AlarmState
from sims.alarms import ALARMS, BY_NAME
from sims.defects import resolve
from sims.outputs import Event, OutputQueue
from sims.points import (
    ALARM_POINTS,
    ANNUNCIATOR_HORN,
    BMS,
    HORN,
    LAMP,
    LATCHED,
    PRINTER,
    STATES,
    Place,
    Point,
    Table,
    point_of,
)
from sims.shaping import Blocks, Sender, Shaper


def standing(*active: str) -> dict[str, AlarmState]:
    """The states of all alarms while some are active and unacknowledged."""
    return {alarm.name: AlarmState.UNACK if alarm.name in active else AlarmState.NORM for alarm in ALARMS}


def shaped(spec: str, *active: str) -> set[str]:
    """The signals whose points are on at the defect's place while some alarms are active."""
    defects = resolve([spec], 0)
    signals = {point: int(point.signal in active) for points in ALARM_POINTS.values() for point in points}
    after = Shaper(defects).shape(signals, standing(*active))
    elsewhere = [p for p, v in after.items() if p.place is not defects[0].place and v != signals[p]]
    assert not elsewhere
    return {point.signal for point, value in after.items() if value and point.place is defects[0].place}


PLACES = [
    Place.BMS,
    Place.PANEL,
    Place.LATCHED,
    Place.STATES,
    Place.PRINTER,
    Place.BUS_1,
    Place.BUS_5,
    Place.GATEWAY,
    Place.DISPLAY,
    Place.BUILDING,
    Place.BUILDING_STATES,
    Place.BROKER,
]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    ("spec", "active", "on"),
    [
        ("wrong-bit:day.low@{}=day.high", ["day.low"], {"day.high"}),
        ("wrong-bit:day.low@{}=day.high", ["day.high"], {"day.high"}),
        ("wrong-bit:day.low@{}=day.high", ["day.high", "day.low"], {"day.high"}),
        ("swapped-pair:day.low@{}=day.high", ["day.low"], {"day.high"}),
        ("swapped-pair:day.low@{}=day.high", ["day.high"], {"day.low"}),
        ("swapped-pair:day.low@{}=day.high", ["day.high", "day.low"], {"day.high", "day.low"}),
        ("off-by-one@{}", ["bulk-a.high-high", "day.high"], {"bulk-a.high", "day.low"}),
        ("never-appears:day.low@{}", ["day.low", "day.high"], {"day.high"}),
    ],
)
def test_where_it_shows(place: Place, spec: str, active: list[str], on: set[str]) -> None:
    assert shaped(spec.format(place), *active) == on


def test_inverted() -> None:
    assert shaped("inverted:day.low@bms") == {"day.low"}
    assert shaped("inverted:day.low@bms", "day.low", "day.high") == {"day.high"}


@pytest.mark.parametrize("place", [Place.BMS, Place.STATES, Place.PRINTER])
def test_leak(place: Place) -> None:
    defects = resolve([f"leak:printer.paper-low@{place}"], 0)
    quiet = dict.fromkeys(ALARM_POINTS[place], 0)
    assert Shaper(defects).shape(quiet, standing()) == quiet
    leaking = Shaper(defects).shape(quiet, standing("printer.paper-low"))
    assert [point.signal for point, value in leaking.items() if value] == ["printer.paper-low"]


def test_the_last_of_a_block_is_lost_off_by_one() -> None:
    assert shaped("off-by-one@panel", "panel.battery-low") == set()
    assert shaped("off-by-one@bms", "day.probe-fault") == {"bulk-a.delivery-due"}


@pytest.mark.parametrize(
    ("spec", "printed"),
    [
        ("wrong-bit:day.low@printer=day.high", ["day.high"]),
        ("swapped-pair:day.high@printer=day.low", ["day.high"]),
        ("off-by-one@printer", ["day.low-low"]),
        ("never-appears:day.low@printer", []),
        ("never-appears:day.low@bms", ["day.low"]),
    ],
)
def test_acknowledgements_are_printed_under_the_same_wrong_name(spec: str, printed: list[str]) -> None:
    numbers = Shaper(resolve([spec], 0)).printed_as(BY_NAME["day.low"].number)
    assert [ALARMS[number].name for number in numbers] == printed


class Line:
    """One point behind a Sender; ``after`` gives what it shows as (instant, value)."""

    def __init__(self, spec: str) -> None:
        defect = resolve([spec], 0)[0]
        self.point = point_of(defect.place, defect.alarm)
        self.now_ns = 0
        self.seen: list[tuple[int, int]] = []
        self.queue = OutputQueue(self._publish, lambda: self.now_ns)
        self.sender = Sender(self.queue, [defect])

    def _publish(self, events: list[Event]) -> None:
        self.seen += [(event.due_ns // 1_000_000, event.value) for event in events]

    def after(self, *sent: tuple[int, int, int]) -> list[tuple[int, int]]:
        """``sent``: at which instant, what value, due when; all in milliseconds."""
        for at, value, due in sent:
            self.now_ns = at * 1_000_000
            self.queue.publish_due()
            self.sender.send(self.point, value, due * 1_000_000)
        self.now_ns = 10**12
        self.queue.publish_due()
        return self.seen


@pytest.mark.parametrize(
    ("spec", "sent", "seen"),
    [
        ("late:day.low@bms=1s", [(0, 1, 150), (500, 0, 650)], [(1150, 1), (1650, 0)]),
        ("stuck:day.low@bms", [(0, 1, 150), (500, 0, 650)], [(150, 1)]),
        ("stuck:day.low@bms.states", [(0, 1, 150), (500, 2, 650), (700, 0, 850)], [(150, 1), (650, 2)]),
        ("too-short:day.low@bms=60ms", [(0, 1, 150), (500, 0, 650)], [(150, 1), (210, 0)]),
        # over before the pulse: the real end counts
        ("too-short:day.low@bms=60ms", [(0, 1, 150), (40, 0, 190)], [(150, 1), (190, 0)]),
        # raised again: a pulse of its own, not cut by the one before
        (
            "too-short:day.low@bms=60ms",
            [(0, 1, 150), (40, 0, 190), (45, 1, 195), (500, 0, 650)],
            [(150, 1), (190, 0), (195, 1), (255, 0)],
        ),
        # acknowledged after the pulse: it does not come back
        ("too-short:day.low@bms.states=60ms", [(0, 1, 150), (500, 2, 650), (600, 0, 750)], [(150, 1), (210, 0)]),
        (
            "repeated-message:day.low@printer=300ms",
            [(0, 1, 100), (2000, 0, 2100)],
            [(100, 1), (400, 0), (700, 1), (2100, 0)],
        ),
        # the real end before the first made-up one, between the two, and with the second still on its way
        ("repeated-message:day.low@printer=300ms", [(0, 1, 100), (200, 0, 300)], [(100, 1), (300, 0)]),
        ("repeated-message:day.low@printer=300ms", [(0, 1, 100), (450, 0, 550)], [(100, 1), (400, 0)]),
        ("repeated-message:day.low@printer=300ms", [(0, 1, 100), (650, 0, 750)],
         [(100, 1), (400, 0), (700, 1), (750, 0)]),
        ("late:day.high@bms=1s", [(0, 1, 0)], [(1000, 1)]),
    ],
)  # fmt: skip
def test_when_it_shows(spec: str, sent: list[tuple[int, int, int]], seen: list[tuple[int, int]]) -> None:
    assert Line(spec).after(*sent) == seen


def test_other_points_are_left_alone() -> None:
    line = Line("late:day.low@bms=1s")
    line.sender.send(BMS[0], 1, 5_000_000)
    assert line.after() == [(5, 1)]


def test_a_late_printer_is_late_with_acknowledgements_too() -> None:
    line = Line("late:day.low@printer=1s")
    line.sender.acknowledged(line.point, 0)
    line.sender.acknowledged(PRINTER[0], 0)
    assert line.after() == [(0, 2), (1000, 2)]


def test_frozen_by_time_and_by_alarm() -> None:
    blocks = Blocks(resolve(["frozen@bms=2s", "frozen:day.low@bms.states"], 0), started_ns=10)
    assert not blocks.is_still(Place.BMS, 2_000_000_009)
    assert blocks.is_still(Place.BMS, 2_000_000_010)
    assert blocks.showed(STATES[0]) is None
    assert not blocks.is_still(Place.STATES, 10**18)
    assert blocks.showed(STATES[14]) is not None
    assert blocks.is_still(Place.STATES, 0)
    assert not blocks.is_still(Place.LATCHED, 10**18)


def test_a_whole_device_freezes_with_an_alarm_at_its_inputs() -> None:
    blocks = Blocks(resolve(["frozen:day.low@bms.all"], 0), started_ns=0)
    assert blocks.showed(LATCHED[14]) is None
    assert blocks.showed(BMS[14]) is not None
    assert all(blocks.is_still(place, 0) for place in Place if place.device == "bms" and place is not Place.BMS_ALL)
    assert not blocks.is_still(Place.PANEL, 0)


def test_exceptions_meet_reads_that_touch_the_block() -> None:
    blocks = Blocks(resolve(["exceptions@bms.latched=6", "exceptions@panel"], 0), started_ns=0)
    assert blocks.exception("bms", Table.HOLDING_REGISTER, 101, 1) == 6
    assert blocks.exception("bms", Table.HOLDING_REGISTER, 102, 1) is None
    assert blocks.exception("bms", Table.INPUT_REGISTER, 100, 2) is None
    assert blocks.exception("bms", Table.DISCRETE_INPUT, 0, 2) is None
    assert blocks.exception("panel", Table.DISCRETE_INPUT, 1, 1) == 4
    assert blocks.exception("panel", Table.HOLDING_REGISTER, 900, 5) is None


def test_no_defects_change_nothing() -> None:
    signals: dict[Point, int] = {point: point.address for point in STATES}
    assert Shaper(()).shape(signals, standing("day.low")) == signals


# --- where a point holds, pulses, or has its bytes the wrong way round ------------------------------------------------


def states(**named: AlarmState) -> dict[str, AlarmState]:
    return standing() | {name.replace("_", "."): state for name, state in named.items()}


@pytest.mark.parametrize("place", [Place.BMS, Place.PANEL, Place.BUS_3, Place.BUILDING, Place.BROKER])
@pytest.mark.parametrize(
    ("state", "held"),
    [(AlarmState.NORM, 0), (AlarmState.UNACK, 1), (AlarmState.ACKED, 1), (AlarmState.RTNUN, 1)],
)
def test_latches(place: Place, state: AlarmState, held: int) -> None:
    point = point_of(place, "day.low")
    defects = resolve([f"latches:day.low@{place}"], 0)
    assert Shaper(defects).shape({point: int(state.active)}, states(day_low=state)) == {point: held}


@pytest.mark.parametrize(
    ("state", "held"),
    [(AlarmState.NORM, 0), (AlarmState.UNACK, 1), (AlarmState.ACKED, 1), (AlarmState.RTNUN, 0)],
)
def test_unlatched(state: AlarmState, held: int) -> None:
    point = point_of(Place.LATCHED, "day.low")
    meant = {point: int(state is not AlarmState.NORM)}
    assert Shaper(resolve(["unlatched:day.low@bms.latched"], 0)).shape(meant, states(day_low=state)) == {point: held}


def test_unlatched_lamp() -> None:
    shaper = Shaper(resolve(["unlatched:lamp@annunciator"], 0))
    assert shaper.shape({LAMP: 1}, states(day_low=AlarmState.RTNUN)) == {LAMP: 0}
    assert shaper.shape({LAMP: 1}, states(day_low=AlarmState.RTNUN, day_high=AlarmState.ACKED)) == {LAMP: 1}


@pytest.mark.parametrize("point", [HORN, ANNUNCIATOR_HORN])
def test_not_silenced(point: Point) -> None:
    shaper = Shaper(resolve([f"not-silenced@{point.place}"], 0))
    assert shaper.shape({point: 0}, states(day_low=AlarmState.UNACK)) == {point: 1}
    assert shaper.shape({point: 0}, states(day_low=AlarmState.ACKED)) == {point: 0}
    assert shaper.shape({point: 0}, states(**{"panel_battery-low": AlarmState.UNACK})) == {point: 0}


@pytest.mark.parametrize(
    ("spec", "alarm", "register", "bit"),
    [
        ("byte-order@bms.latched", 0, 100, 8),
        ("byte-order@bms.latched", 9, 100, 1),
        ("byte-order@bms.latched", 17, 101, 9),
        ("word-order@bms.latched", 0, 101, 0),
        ("word-order@bms.latched", 9, 101, 9),
        ("word-order@bms.latched", 17, 100, 1),
    ],
)
def test_latched_bits_the_wrong_way_round(spec: str, alarm: int, register: int, bit: int) -> None:
    meant = {point: int(point is LATCHED[alarm]) for point in LATCHED}
    shaped = Shaper(resolve([spec], 0)).shape(meant, standing())
    assert [(point.address, point.bit) for point, value in shaped.items() if value] == [(register, bit)]
    assert sum(shaped.values()) == 1


def test_states_with_their_bytes_the_wrong_way_round() -> None:
    meant = dict.fromkeys(STATES, 0) | {STATES[4]: 2}
    assert Shaper(resolve(["byte-order@bms.states"], 0)).shape(meant, standing())[STATES[4]] == 0x0200


@pytest.mark.parametrize(
    ("sent", "seen"),
    [
        ([(0, 1, 100), (2000, 0, 2100)], [(100, 1), (300, 0), (2100, 1), (2300, 0)]),
        # gone before the first pulse is over: one that goes on, and ends once
        ([(0, 1, 100), (50, 0, 150)], [(100, 1), (150, 1), (350, 0)]),
        ([(0, 1, 100), (50, 0, 150), (60, 1, 160)], [(100, 1), (150, 1), (160, 1), (360, 0)]),
    ],
)
def test_momentary(sent: list[tuple[int, int, int]], seen: list[tuple[int, int]]) -> None:
    assert Line("momentary:day.low@bms=200ms").after(*sent) == seen


def test_silencing_takes_the_alarm_from_the_point_as_well_until_it_is_raised_anew() -> None:
    """Off from the silence to the next raise, whatever is acknowledged or cleared in between; its neighbours stay."""
    name, point, other = "day.high", point_of(Place.LATCHED, "day.high"), point_of(Place.LATCHED, "day.low")
    shaper = Shaper(resolve([f"silenced-too:{name}@bms.latched"], 0))

    def shows(state: AlarmState, horn: int) -> int:
        signals = {it: int(state is not AlarmState.NORM) for it in LATCHED} | {HORN: horn}
        shaped = shaper.shape(signals, {**standing(), name: state, "day.low": state})
        assert shaped[other] == signals[other]
        return shaped[point]

    walk = [
        (AlarmState.UNACK, 1, 1),
        (AlarmState.UNACK, 0, 0),  # silenced
        (AlarmState.ACKED, 0, 0),
        (AlarmState.NORM, 0, 0),
        (AlarmState.UNACK, 1, 1),  # raised anew
        (AlarmState.RTNUN, 0, 1),  # the horn ended with the alarm: nobody silenced it
    ]
    assert [shows(state, horn) for state, horn, _ in walk] == [on for _, _, on in walk]
