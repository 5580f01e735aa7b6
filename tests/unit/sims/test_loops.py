"""What the analog module reads, and for which alarms a reader takes it."""

import itertools
import time

import pytest

from sims.controller import Action
from sims.defects import resolve
from sims.durations import NS_PER_S
from sims.levels import Levels, conditions_at, ma_of
from sims.loops import COUNTS_MAX, FULL_SCALE_MA, NOISE_COUNTS, AnalogModule
from sims.output import Surroundings, Value
from sims.points import LOOPS, TANKS, Place, Point, Table, point_of


class Module:
    """An analog module without a bus."""

    def __init__(self, *specs: str, failure_ma: float = 3.5) -> None:
        defects = resolve(specs, 3)
        self.still = False
        self.module = AnalogModule(3, failure_ma, defects)
        self.initial = self.module.start(
            Surroundings(
                host="",
                seed=3,
                started_ns=time.monotonic_ns(),
                defects=defects,
                initial=(),
                shown=lambda *_: None,
                offer=lambda _: None,
                is_still=lambda place: self.still and place is Place.BUS_LOOP,
                fault=lambda *_: None,
                press=press,
                log=log,
                changed=lambda: None,
            )
        )

    def raised(self, *signals: str, value: int = 1) -> dict[str, int]:
        changed = self.module.show([Value(loop(signal), value) for signal in signals])
        return {point.signal: seen for point, seen in changed}

    def counts(self) -> list[int]:
        counts = self.module.read(Table.INPUT_REGISTER, 0, 3)
        assert isinstance(counts, list)
        return counts

    def ma(self, tank: str) -> float:
        return self.counts()[TANKS.index(tank)] / COUNTS_MAX * FULL_SCALE_MA


def press(alarm: str | None, action: Action, by: str) -> bool:
    raise AssertionError((alarm, action, by))


def log(kind: str, **entry: object) -> None:
    raise AssertionError((kind, entry))


def loop(signal: str) -> Point:
    return point_of(Place.BUS_LOOP, signal)


@pytest.mark.parametrize(
    ("signals", "percent", "seen"),
    [
        (["day.high"], 92, {"day.high"}),
        (["day.high", "day.high-high"], 97, {"day.high", "day.high-high"}),
        (["day.high-high"], 97, {"day.high", "day.high-high"}),
        (["day.low"], 8, {"day.low"}),
        (["day.low", "day.low-low"], 3, {"day.low", "day.low-low"}),
    ],
)
def test_an_alarm_drives_its_loop(signals: list[str], percent: float, seen: set[str]) -> None:
    module = Module()
    assert module.raised(*signals) == dict.fromkeys(seen, 1)
    assert module.ma("day") == pytest.approx(ma_of(percent), abs=0.02)
    assert module.raised(*signals) == {}
    assert module.raised(*signals, value=0) == dict.fromkeys(seen, 0)
    assert 10.4 < module.ma("day") < 13.6


def test_a_failed_probe_goes_before_every_level() -> None:
    module = Module()
    assert module.raised("bulk-a.high") == {"bulk-a.high": 1}
    assert module.raised("bulk-a.probe-fault") == {"bulk-a.high": 0, "bulk-a.probe-fault": 1}
    assert module.ma("bulk-a") == pytest.approx(3.5, abs=0.02)
    assert module.raised("bulk-a.probe-fault", value=0) == {"bulk-a.high": 1, "bulk-a.probe-fault": 0}


def test_a_failure_upscale() -> None:
    module = Module(failure_ma=21.5)
    assert module.raised("bulk-b.probe-fault") == {"bulk-b.probe-fault": 1}
    assert module.ma("bulk-b") == pytest.approx(21.5, abs=0.02)


def test_noise_of_one_count() -> None:
    module = Module()
    module.raised("bulk-a.high")
    counts = {module.counts()[0] for _ in range(200)}
    middle = round(ma_of(92) / FULL_SCALE_MA * COUNTS_MAX)
    assert counts == set(range(middle - NOISE_COUNTS, middle + NOISE_COUNTS + 1))


def test_the_noise_comes_from_the_seed() -> None:
    first, second = Module(), Module()
    for module in (first, second):
        module.raised(*(f"{tank}.high" for tank in TANKS))
    assert [first.counts() for _ in range(20)] == [second.counts() for _ in range(20)]


def test_a_level_left_alone_moves_slowly_in_the_middle() -> None:
    levels = Levels(5)
    percents = [levels.percent("day", (), second * NS_PER_S) for second in range(200)]
    assert 40 <= min(percents) < 45
    assert 55 < max(percents) <= 60
    assert max(abs(b - a) for a, b in itertools.pairwise(percents)) < 1


@pytest.mark.parametrize(
    ("ma", "found"),
    [
        (3.6, {"probe-fault"}),
        (3.61, {"low", "low-low"}),
        (4.8, {"low", "low-low"}),
        (4.81, {"low"}),
        (5.6, {"low"}),
        (5.61, set()),
        (18.39, set()),
        (18.4, {"high"}),
        (19.2, {"high", "high-high"}),
        (20.99, {"high", "high-high"}),
        (21.0, {"probe-fault"}),
    ],
)
def test_what_a_reader_takes_a_current_for(ma: float, found: set[str]) -> None:
    """Failure ranges of NAMUR NE 43 (3.6 mA or less, 21 mA or more); the limits in percent are the demo's own."""
    assert conditions_at(ma) == found


def test_only_what_exists() -> None:
    module = Module().module
    assert module.read(Table.INPUT_REGISTER, 2, 2) == 2
    assert module.read(Table.HOLDING_REGISTER, 0, 1) == 2
    assert module.read(Table.DISCRETE_INPUT, 0, 1) == 2


def test_wrong_scale() -> None:
    module = Module("wrong-scale=80%")
    assert module.raised("day.high") == {}
    assert module.ma("day") == pytest.approx(0.8 * ma_of(92), abs=0.02)


def test_reversed_loop() -> None:
    module = Module("reversed-loop")
    assert module.raised("day.high") == {"day.low": 1}
    assert module.ma("day") == pytest.approx(ma_of(8), abs=0.02)
    assert module.raised("day.high", value=0) == {"day.low": 0}
    assert module.raised("day.probe-fault") == {"day.probe-fault": 1}


@pytest.mark.parametrize(("failure_ma", "read_ma"), [(3.5, 4.0), (21.5, 20.0)])
def test_clipped_loop(failure_ma: float, read_ma: float) -> None:
    module = Module("clipped-loop", failure_ma=failure_ma)
    assert "day.probe-fault" not in module.raised("day.probe-fault")
    assert module.ma("day") == pytest.approx(read_ma, abs=0.02)
    assert module.raised("bulk-a.high") == {"bulk-a.high": 1}


def test_no_failure_current() -> None:
    module = Module("no-failure-current")
    assert module.raised("day.probe-fault") == {}
    assert 10.4 < module.ma("day") < 13.6
    assert module.raised("day.high") == {"day.high": 1}


def test_stuck_counts() -> None:
    module = Module()
    module.raised("bulk-a.high")
    module.still = True
    stuck = module.counts()
    assert all(module.counts() == stuck for _ in range(50))
    assert module.module.read(Table.INPUT_REGISTER, 1, 2) == stuck[1:]


def test_zeros() -> None:
    module = Module("zeros@bus.loop")
    assert {value.point.signal for value in module.initial} == {f"{tank}.probe-fault" for tank in TANKS}
    assert module.counts() == [0, 0, 0]


def test_the_points_are_one_for_each_tank_and_condition() -> None:
    assert len({point.signal for point in LOOPS}) == 15
    assert {point.address for point in LOOPS} == {0, 1, 2}
