"""The controller's scan: what commands and sensors do to alarms, and what the outputs should show of it."""

import pytest

from sims.alarms import ALARMS, BY_NAME, Effect
from sims.controller import COMMANDS_PENDING_MAX, EVERY_ALARM, Action, Controller
from sims.durations import NS_PER_MS, NS_PER_S
from sims.plant import Plant
from sims.points import BMS, COMMON_ALARM, COMMON_FAULT, HORN, LATCHED, PANEL, PRINTER, STATES


class Bench:
    """A controller with a clock that only the test moves."""

    def __init__(self, **lasts_ns: int) -> None:
        self.plant = Plant()
        self.controller = Controller(self.plant, {name.replace("__", "."): ns for name, ns in lasts_ns.items()})
        self.now_ns = 0

    def scan(self, milliseconds: int = 20) -> list[tuple[str, str]]:
        self.now_ns += milliseconds * NS_PER_MS
        return [(change.alarm.name, change.after.value) for change in self.controller.scan(self.now_ns)]

    def do(self, name: str, action: Action) -> list[tuple[str, str]]:
        assert self.controller.accept(1 + BY_NAME[name].number, action) is not None
        return self.scan()

    def on(self) -> set[str]:
        """The names of everything that shows, ``place:signal``."""
        return {f"{point.place}:{point.signal}" for point, value in self.controller.signals().items() if value}


def test_one_alarm_through_all_its_states() -> None:
    bench = Bench()
    everywhere = {"panel:day.high", "bms:day.high", "printer:day.high", "bms:common-alarm"}
    assert bench.do("day.high", Action.RAISE) == [("day.high", "unack")]
    assert bench.on() == everywhere | {"bms.states:day.high", "bms.latched:day.high", "bms.horn:horn"}
    assert bench.do("day.high", Action.SILENCE) == []
    assert bench.controller.silenced
    assert "bms.horn:horn" not in bench.on()
    assert bench.do("day.high", Action.ACKNOWLEDGE) == [("day.high", "acked")]
    assert bench.controller.signals()[STATES[13]] == 2
    assert bench.on() == everywhere | {"bms.states:day.high", "bms.latched:day.high"}
    assert bench.do("day.high", Action.CLEAR) == [("day.high", "norm")]
    assert bench.on() == set()


def test_latched_until_acknowledged_and_cleared() -> None:
    bench = Bench()
    bench.do("day.high", Action.RAISE)
    assert bench.do("day.high", Action.CLEAR) == [("day.high", "rtn-unack")]
    assert bench.on() == {"bms.latched:day.high", "bms.states:day.high"}
    assert bench.controller.signals()[STATES[13]] == 3
    assert bench.do("day.high", Action.RESET) == [("day.high", "norm")]
    assert bench.on() == set()


def test_a_high_high_brings_the_high_and_takes_it_away() -> None:
    bench = Bench()
    assert bench.do("bulk-a.high-high", Action.RAISE) == [("bulk-a.high-high", "unack"), ("bulk-a.high", "unack")]
    assert bench.controller.effects == {Effect.CLOSE_FILL_VALVE_A}
    assert bench.do("bulk-a.high-high", Action.ACKNOWLEDGE) == [("bulk-a.high-high", "acked"), ("bulk-a.high", "acked")]
    assert bench.do("bulk-a.high-high", Action.CLEAR) == [("bulk-a.high-high", "norm"), ("bulk-a.high", "norm")]
    assert bench.controller.effects == set()


def test_what_was_raised_on_its_own_stays() -> None:
    bench = Bench()
    bench.do("bulk-a.high", Action.RAISE)
    assert bench.do("bulk-a.high-high", Action.RAISE) == [("bulk-a.high-high", "unack")]
    assert bench.do("bulk-a.high-high", Action.ACKNOWLEDGE) == [("bulk-a.high-high", "acked")]
    assert bench.do("bulk-a.high-high", Action.CLEAR) == [("bulk-a.high-high", "norm")]
    assert bench.controller.state("bulk-a.high").value == "unack"


def test_what_was_raised_on_its_own_is_acknowledged_on_its_own() -> None:
    """Also when only the high-high still holds it: whoever raised it has not seen it acknowledged."""
    bench = Bench()
    bench.do("bulk-a.high", Action.RAISE)
    bench.do("bulk-a.high-high", Action.RAISE)
    assert bench.do("bulk-a.high", Action.CLEAR) == []
    assert bench.do("bulk-a.high-high", Action.ACKNOWLEDGE) == [("bulk-a.high-high", "acked")]
    assert bench.do("bulk-a.high-high", Action.CLEAR) == [
        ("bulk-a.high-high", "norm"),
        ("bulk-a.high", "rtn-unack"),
    ]


def test_a_transient_clears_itself_and_stays_unacknowledged() -> None:
    """A pulse that is over before anyone acknowledged it must still be seen as returned unacknowledged."""
    bench = Bench()
    bench.do("fill-sump.splash", Action.RAISE)
    assert bench.scan(799) == []
    assert bench.scan(1) == [("fill-sump.splash", "rtn-unack")]
    assert bench.do("fill-sump.splash", Action.ACKNOWLEDGE) == [("fill-sump.splash", "norm")]


def test_how_long_a_transient_lasts_can_be_chosen() -> None:
    controller = Controller(Plant(), {"sump-a.leak": 10 * NS_PER_MS})
    controller.accept(19, Action.RAISE)
    assert controller.scan(0)
    assert not controller.scan(9 * NS_PER_MS)
    assert [change.after.value for change in controller.scan(10 * NS_PER_MS)] == ["rtn-unack"]


def test_a_transient_cleared_by_hand_does_not_run_out_again() -> None:
    bench = Bench()
    bench.do("fill-sump.splash", Action.RAISE)
    bench.do("fill-sump.splash", Action.CLEAR)
    bench.do("fill-sump.splash", Action.ACKNOWLEDGE)
    assert bench.scan(2000) == []


def test_warnings_stay_on_the_panel() -> None:
    bench = Bench()
    for alarm in ALARMS[24:]:
        bench.do(alarm.name, Action.RAISE)
    assert bench.on() == {f"panel:{alarm.name}" for alarm in ALARMS[24:]}


def test_common_signals_and_horn_hold_while_any_alarm_needs_them() -> None:
    bench = Bench()
    bench.do("day.probe-fault", Action.RAISE)
    bench.do("day.high", Action.RAISE)
    assert bench.controller.signals()[COMMON_FAULT] == 1
    bench.do("day.probe-fault", Action.ACKNOWLEDGE)
    assert bench.controller.signals()[HORN] == 1
    bench.do("day.probe-fault", Action.CLEAR)
    signals = bench.controller.signals()
    assert (signals[COMMON_ALARM], signals[COMMON_FAULT], signals[HORN]) == (1, 0, 1)
    bench.do("day.high", Action.CLEAR)
    signals = bench.controller.signals()
    assert (signals[COMMON_ALARM], signals[COMMON_FAULT], signals[HORN]) == (0, 0, 0)


def test_every_step_of_one_alarm_shows_for_a_scan() -> None:
    """Raised and cleared between two scans: each takes a scan of its own, so nothing is swallowed."""
    bench = Bench()
    for action in (Action.RAISE, Action.CLEAR):
        assert bench.controller.accept(14, action) is not None
    assert bench.controller.accept(15, Action.RAISE) is not None
    assert bench.scan() == [("day.high", "unack")]
    assert bench.scan() == [("day.high", "rtn-unack"), ("day.low", "unack")]


def test_every_alarm_at_once() -> None:
    bench = Bench()
    for alarm in ALARMS:
        assert bench.controller.accept(1 + alarm.number, Action.RAISE) is not None
    while bench.scan():
        pass
    signals = bench.controller.signals()
    assert all(signals[point] for point in (*PANEL, *BMS[:24], *LATCHED, *STATES[:24], *PRINTER[:24]))
    for action in (Action.ACKNOWLEDGE, Action.CLEAR):
        assert bench.controller.accept(EVERY_ALARM, action) is not None
        bench.scan()
    assert bench.on() == set()


@pytest.mark.parametrize(("number", "action"), [(29, 1), (-1, 1), (1, 0), (1, 6), (0, 1)])
def test_refused(number: int, action: int) -> None:
    bench = Bench()
    assert bench.controller.accept(number, action) is None
    assert bench.controller.accepted == 0
    assert bench.scan() == []


def test_a_flood_of_commands_is_refused() -> None:
    bench = Bench()
    taken = [bench.controller.accept(1, Action.RAISE) for _ in range(COMMANDS_PENDING_MAX + 1)]
    assert taken[-1] is None
    assert None not in taken[:-1]


def test_a_real_level_raises_and_clears_with_hysteresis() -> None:
    bench = Bench()
    tank = bench.plant.tanks["bulk-a"]
    tank.level_mm = 2250.0
    assert bench.scan() == [("bulk-a.high", "unack")]
    tank.level_mm = 2231.0
    assert bench.scan() == []
    assert bench.do("bulk-a.high", Action.CLEAR) == []  # the test block clears only what it raised
    tank.level_mm = 2229.0
    assert bench.scan() == [("bulk-a.high", "rtn-unack")]


def test_an_hour_of_scans_without_commands_changes_nothing() -> None:
    bench = Bench()
    for _ in range(3600):
        bench.plant.advance(NS_PER_S, bench.controller.effects)
        assert bench.scan(1000) == []


def test_the_table_of_alarms() -> None:
    assert [alarm.number for alarm in ALARMS] == list(range(28))
    assert len({alarm.text for alarm in ALARMS}) == 28
    assert BY_NAME["bulk-a.high-high"].text == "BULK A HIGH HIGH"
