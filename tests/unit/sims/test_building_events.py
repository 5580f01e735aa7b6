"""The event state machine in virtual time, against tables of ASHRAE 135."""

from __future__ import annotations

import pytest

from sims.building_events import (
    ChangeOfState,
    Delays,
    EventMachine,
    EventState,
    OutOfRange,
    Transition,
    transition_to,
)

S = 1_000_000_000
NORMAL, FAULT, OFFNORMAL, HIGH, LOW = EventState
OVER_RANGE = 2  # Reliability over-range, ASHRAE 135, clause 21 (number from memory; any number but 0 will do)


def _ns(seconds: float) -> int:
    return round(seconds * S)


def walk(machine: EventMachine, *steps: tuple[float, float], until: float = 60.0) -> list[tuple[float, str]]:
    """What happens when the value changes as told; each step is (seconds, value)."""
    events = []
    for at_s, value in steps:
        events += machine.update(value, 0, _ns(at_s))
    events += machine.advance(_ns(until))
    return [(event.at_ns / S, f"{event.from_state.name}>{event.to_state.name}") for event in events]


def analog(value: float = 50.0, **changes: object) -> EventMachine:
    """High_Limit 80, Deadband 1, Time_Delay 5, Time_Delay_Normal 3."""
    given: dict[str, object] = {
        "high_limit": 80.0,
        "low_limit": 20.0,
        "deadband": 1.0,
        "delays": Delays(time_delay_ns=5 * S, time_delay_normal_ns=3 * S),
    } | changes
    return EventMachine(OutOfRange(**given), value, 0)  # type: ignore[arg-type]


class TestOutOfRange:
    """ASHRAE 135, 13.3.6; expected instants as bacpypes3 0.0.110's own objects gave them in virtual time."""

    @pytest.mark.parametrize(
        ("steps", "expected"),
        [
            pytest.param([(1, 85), (5.9, 50)], [], id="85 for 4.9 s"),
            pytest.param(
                [(1, 85), (6.1, 70)], [(6.0, "NORMAL>HIGH_LIMIT"), (9.1, "HIGH_LIMIT>NORMAL")], id="85 for 5.1 s"
            ),
            pytest.param([(1, 80.0), (31, 50)], [], id="exactly the limit for 30 s"),
            pytest.param(
                [(1, 85), (10, 79.5), (20, 78.9)],
                [(6.0, "NORMAL>HIGH_LIMIT"), (23.0, "HIGH_LIMIT>NORMAL")],
                id="79.5 is inside the deadband",
            ),
            pytest.param(
                [(1, 85), (10, 78.9), (12, 79.5), (14, 78.9)],
                [(6.0, "NORMAL>HIGH_LIMIT"), (17.0, "HIGH_LIMIT>NORMAL")],
                id="the delay starts again",
            ),
            pytest.param([(1, 85), (4, 50), (5, 85), (8, 50)], [], id="two pulses of 3 s do not add up"),
        ],
    )
    def test_high_limit(self, steps: list[tuple[float, float]], expected: list[tuple[float, str]]) -> None:
        assert walk(analog(), *steps) == expected

    def test_without_delay_a_short_pulse_is_told(self) -> None:
        machine = analog(delays=Delays())
        assert walk(machine, (1, 85), (1.2, 50)) == [(1.0, "NORMAL>HIGH_LIMIT"), (1.2, "HIGH_LIMIT>NORMAL")]

    def test_low_limit_mirrors_high_limit(self) -> None:
        steps = [(1, 15.0), (10, 20.5), (20, 21.1)]
        assert walk(analog(), *steps) == [(6.0, "NORMAL>LOW_LIMIT"), (23.0, "LOW_LIMIT>NORMAL")]
        assert walk(analog(), (1, 20.0)) == []

    def test_from_one_limit_straight_to_the_other_or_by_way_of_normal_whichever_delay_ends_first(self) -> None:
        by_normal = walk(analog(), (1, 85), (10, 10))
        assert by_normal == [(6.0, "NORMAL>HIGH_LIMIT"), (13.0, "HIGH_LIMIT>NORMAL"), (18.0, "NORMAL>LOW_LIMIT")]
        straight = walk(analog(delays=Delays(time_delay_ns=2 * S, time_delay_normal_ns=3 * S)), (1, 85), (10, 10))
        assert straight == [(3.0, "NORMAL>HIGH_LIMIT"), (12.0, "HIGH_LIMIT>LOW_LIMIT")]

    def test_a_limit_that_is_not_enabled_says_nothing(self) -> None:
        assert walk(analog(high_enable=False), (1, 85)) == []
        assert walk(analog(low_enable=False), (1, 15)) == []

    def test_one_delay_serves_both_ways_where_there_is_no_second(self) -> None:
        machine = analog(delays=Delays(time_delay_ns=5 * S))
        assert walk(machine, (1, 85), (10, 50)) == [(6.0, "NORMAL>HIGH_LIMIT"), (15.0, "HIGH_LIMIT>NORMAL")]


class TestChangeOfState:
    """ASHRAE 135, 13.3.2."""

    @staticmethod
    def binary(delay_s: float = 0.0, normal_s: float | None = None) -> EventMachine:
        delays = Delays(time_delay_ns=_ns(delay_s), time_delay_normal_ns=None if normal_s is None else _ns(normal_s))
        return EventMachine(ChangeOfState(alarm_values=frozenset({1}), delays=delays), 0, 0)

    def test_follows_the_value_without_delay(self) -> None:
        assert walk(self.binary(), (1, 1), (1.2, 0)) == [(1.0, "NORMAL>OFFNORMAL"), (1.2, "OFFNORMAL>NORMAL")]

    def test_a_transient_shorter_than_the_delay_is_not_told(self) -> None:
        assert walk(self.binary(2.0), (1, 1), (2.9, 0)) == []
        assert walk(self.binary(2.0, 0.5), (1, 1), (5, 0)) == [(3.0, "NORMAL>OFFNORMAL"), (5.5, "OFFNORMAL>NORMAL")]

    def test_says_when_it_must_be_looked_at_again(self) -> None:
        machine = self.binary(2.0)
        assert machine.due_ns is None
        machine.update(1, 0, _ns(1))
        assert machine.due_ns == _ns(3)
        assert machine.advance(_ns(3) - 1) == []
        (event,) = machine.advance(_ns(3))
        assert (event.at_ns, event.value, machine.due_ns) == (_ns(3), 1, None)

    def test_an_instant_that_is_looked_at_late_keeps_its_time(self) -> None:
        machine = self.binary(2.0)
        machine.update(1, 0, _ns(1))
        (event,) = machine.update(0, 0, _ns(4))[:1]
        assert event.at_ns == _ns(3)


class TestFault:
    """ASHRAE 135, 13.2.2: a fault takes precedence over normal and off-normal, and waits for no delay."""

    def test_comes_and_goes_at_once_and_the_algorithm_starts_anew(self) -> None:
        machine = analog()
        events = machine.update(85, 0, _ns(1))
        events += machine.update(85, OVER_RANGE, _ns(3))
        events += machine.update(85, 0, _ns(10))
        events += machine.advance(_ns(60))
        assert [(e.at_ns / S, e.from_state, e.to_state, e.of_reliability) for e in events] == [
            (3.0, NORMAL, FAULT, True),
            (10.0, FAULT, NORMAL, True),
            (15.0, NORMAL, HIGH, False),
        ]

    def test_takes_the_place_of_an_off_normal_state(self) -> None:
        machine = analog(delays=Delays())
        machine.update(85, 0, _ns(1))
        (event,) = machine.update(101, OVER_RANGE, _ns(2))
        assert (event.from_state, event.to_state, event.reliability) == (HIGH, FAULT, OVER_RANGE)
        assert machine.update(85, OVER_RANGE, _ns(3)) == []


def test_kinds_of_transition() -> None:
    assert [transition_to(state) for state in EventState] == [
        Transition.TO_NORMAL,
        Transition.TO_FAULT,
        Transition.TO_OFFNORMAL,
        Transition.TO_OFFNORMAL,
        Transition.TO_OFFNORMAL,
    ]
