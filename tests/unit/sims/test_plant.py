"""Thresholds let go only beyond their hysteresis, and the plant keeps moving without ever tripping one."""

import pytest

from sims.alarms import Effect
from sims.durations import NS_PER_S
from sims.plant import Plant, Threshold


@pytest.mark.parametrize(
    ("rising", "values", "tripped"),
    [
        (True, (79.9, 80.0, 79.5, 79.0, 78.9, 79.5, 80.0), (False, True, True, True, False, False, True)),
        (False, (20.1, 20.0, 20.5, 21.0, 21.1, 20.5, 20.0), (False, True, True, True, False, False, True)),
    ],
)
def test_hysteresis(rising: bool, values: tuple[float, ...], tripped: tuple[bool, ...]) -> None:
    """Limit 80 or 20, dead band 1: lets go beyond the limit by the dead band (OPC 10000-9, annex B.1.5)."""
    threshold = Threshold(trip=80.0 if rising else 20.0, hysteresis=1.0, rising=rising)
    assert tuple(threshold.update(value) for value in values) == tripped


def test_a_day_by_itself_moves_everything_and_trips_nothing() -> None:
    plant = Plant()
    levels: dict[str, list[float]] = {name: [] for name in plant.tanks}
    delivered = False
    for _ in range(24 * 60):
        plant.advance(60 * NS_PER_S)
        assert not plant.conditions()
        delivered |= any(plant.delivering.values())
        for name, tank in plant.tanks.items():
            levels[name].append(tank.level_mm)
    assert delivered
    assert all(max(seen) - min(seen) > 100 for seen in levels.values())
    assert plant.now_ns == 24 * 3600 * NS_PER_S


def test_time_steps_do_not_matter_to_the_fuel() -> None:
    """What leaves a bulk tank arrives in the day tank or is burned, however time is cut up."""

    def fuel(plant: Plant) -> float:
        return sum(tank.level_mm * tank.litres_per_mm for tank in plant.tanks.values())

    coarse, fine = Plant(), Plant()
    coarse.advance(600 * NS_PER_S)
    for _ in range(30_000):
        fine.advance(NS_PER_S // 50)
    assert fuel(coarse) == pytest.approx(fuel(fine), abs=1e-3)
    assert fuel(coarse) == pytest.approx(fuel(Plant()) - 600 * 0.4, abs=1e-6)


def test_levels_trip_their_alarms_on_the_way() -> None:
    plant = Plant()
    tank = plant.tanks["bulk-a"]
    seen = []
    for level in (1700, 2250, 2375, 2356, 2354, 2231, 2229, 749, 500, 250, 271, 521, 801):
        tank.level_mm = float(level)
        seen.append({name.removeprefix("bulk-a.") for name in plant.conditions()})
    low = {"low", "delivery-due"}
    assert seen == [
        set(),
        {"high"},
        {"high", "high-high"},
        {"high", "high-high"},
        {"high"},
        {"high"},
        set(),
        {"delivery-due"},
        low,
        low | {"low-low"},
        low,
        {"delivery-due"},
        set(),
    ]


@pytest.mark.parametrize(
    ("effect", "tank", "moves"),
    [
        (Effect.CLOSE_DAY_INLET, "day", -0.4),
        (Effect.STOP_TRANSFER_PUMP_A, "bulk-a", 0.0),
        (Effect.STOP_TRANSFER_PUMP_B, "bulk-a", -2.0),
        (Effect.START_STANDBY_PUMP, "bulk-b", -1.0),
    ],
)
def test_side_effects_move_fuel(effect: Effect, tank: str, moves: float) -> None:
    """While the day tank is being filled from bulk tank A. ``moves``: litres in one second."""
    plant = Plant()
    plant.transferring = True
    before = plant.tanks[tank].level_mm
    plant.advance(NS_PER_S, {effect})
    after = plant.tanks[tank]
    assert (after.level_mm - before) * after.litres_per_mm == pytest.approx(moves)


def test_the_standby_pump_stops_by_itself() -> None:
    """However long the simulated alarm is held, it does not pump the day tank into a real one."""
    plant = Plant()
    plant.advance(3600 * NS_PER_S, {Effect.START_STANDBY_PUMP})
    assert plant.tanks["day"].level_mm == pytest.approx(1200, abs=3)
    assert not plant.conditions()


@pytest.mark.parametrize(
    ("effects", "moves"),
    [(set(), 15.0), ({Effect.CLOSE_FILL_VALVE_A}, 0.0), ({Effect.CLOSE_FILL_VALVE_B}, 15.0)],
)
def test_a_closed_fill_valve_stops_a_delivery(effects: set[Effect], moves: float) -> None:
    plant = Plant()
    tank = plant.tanks["bulk-a"]
    tank.level_mm = 900.0
    plant.advance(NS_PER_S, effects)
    assert (tank.level_mm - 900.0) * tank.litres_per_mm == pytest.approx(moves)
