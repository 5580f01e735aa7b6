"""The event state machine against a simulation that counts out every second, as the conditions of the standard read."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from sims.building_events import Algorithm, ChangeOfState, Delays, EventMachine, EventState, OutOfRange

NORMAL, FAULT, OFFNORMAL, HIGH, LOW = EventState
VALUES = st.sampled_from([1, 2, 3, 4, 5, 6, 7])  # around and at both limits and the ends of the dead bands
Told = list[tuple[int, EventState, EventState]]

delays = st.builds(
    Delays, time_delay_ns=st.integers(0, 2), time_delay_normal_ns=st.one_of(st.none(), st.integers(0, 2))
)
ranges = st.builds(
    OutOfRange,
    high_limit=st.just(6.0),
    low_limit=st.just(3.0),
    deadband=st.sampled_from([0.0, 1.0, 2.0]),
    high_enable=st.booleans(),
    low_enable=st.booleans(),
    delays=delays,
)
states = st.builds(ChangeOfState, alarm_values=st.sampled_from([frozenset({1}), frozenset({2, 5})]), delays=delays)
algorithms = st.one_of(ranges, states)
# What the object reads from each instant on: a value, and whether it is at fault.
readings = st.lists(st.tuples(VALUES, st.booleans()), min_size=1, max_size=25)
calm = st.lists(st.tuples(VALUES, st.just(False)), min_size=1, max_size=25)


def leads_to(algorithm: Algorithm, state: EventState, value: float, target: EventState) -> int | None:
    """The delay of the condition that leads from a state to another, if it holds; written from the clause anew.

    ASHRAE 135, 13.3.2 (a), (b) and 13.3.6 (a) to (h).
    """
    to_off, back = algorithm.delays.time_delay_ns, algorithm.delays.to_normal_ns  # type: ignore[attr-defined]
    if isinstance(algorithm, ChangeOfState):
        holds = (state, target, value in algorithm.alarm_values)
        return {(NORMAL, OFFNORMAL, True): to_off, (OFFNORMAL, NORMAL, False): back}.get(holds)
    assert isinstance(algorithm, OutOfRange)
    high, low, band = algorithm.high_limit, algorithm.low_limit, algorithm.deadband
    match state, target:
        case ((EventState.NORMAL | EventState.LOW_LIMIT), EventState.HIGH_LIMIT):
            return to_off if algorithm.high_enable and value > high else None
        case ((EventState.NORMAL | EventState.HIGH_LIMIT), EventState.LOW_LIMIT):
            return to_off if algorithm.low_enable and value < low else None
        case EventState.HIGH_LIMIT, EventState.NORMAL:
            return 0 if not algorithm.high_enable else back if value < high - band else None
        case EventState.LOW_LIMIT, EventState.NORMAL:
            return 0 if not algorithm.low_enable else back if value > low + band else None
    return None


def count_out(algorithm: Algorithm, read: list[tuple[int, bool]], until: int) -> Told:
    """Walk through every instant; for each target remember how long its condition has held without a break."""
    state, held, told = NORMAL, dict.fromkeys(EventState, -1), list[tuple[int, EventState, EventState]]()

    def go(at: int, target: EventState) -> None:
        nonlocal state, held
        told.append((at, state, target))
        state, held = target, dict.fromkeys(EventState, -1)

    def look(at: int, value: int, *, fault: bool) -> bool:
        """Count what holds at this instant, and go where it has held for long enough; whether it went."""
        if fault:
            return False
        for target in EventState:
            delay = leads_to(algorithm, state, value, target)
            if delay is None:
                held[target] = -1
                continue
            held[target] = held[target] if held[target] >= 0 else at
        ripe = [(held[t] + (leads_to(algorithm, state, value, t) or 0), t) for t in EventState if held[t] >= 0]
        if ripe and min(ripe)[0] <= at:
            due = min(due for due, _ in ripe)
            # The clause leaves open what comes first where two delays run out together: here the other limit does.
            go(at, min((t for d, t in ripe if d == due), key=[HIGH, LOW, OFFNORMAL, NORMAL, FAULT].index))
            return True
        return False

    before: tuple[int, bool] = (5 if isinstance(algorithm, OutOfRange) else 0, False)
    for at in range(until):
        while look(at, before[0], fault=before[1]):  # what ran out with the value of until now
            pass
        value, fault = read[at] if at < len(read) else read[-1]
        if fault != (state is FAULT):
            go(at, FAULT if fault else NORMAL)
        while look(at, value, fault=fault):
            pass
        before = (value, fault)
    return told


@settings(max_examples=400)
@given(algorithms, st.one_of(readings, calm))
def test_every_instant_counted_out(algorithm: Algorithm, read: list[tuple[int, bool]]) -> None:
    until = len(read) + 12
    machine = EventMachine(algorithm, 5 if isinstance(algorithm, OutOfRange) else 0, 0)
    events = []
    for at, (value, fault) in enumerate(read):
        events += machine.update(value, int(fault), at)
    events += machine.advance(until - 1)
    assert [(e.at_ns, e.from_state, e.to_state) for e in events] == count_out(algorithm, read, until)


@settings(max_examples=400)
@given(algorithms, calm, st.data())
def test_how_often_it_is_looked_at_changes_nothing(
    algorithm: Algorithm, read: list[tuple[int, bool]], data: st.DataObject
) -> None:
    until = len(read) + 12
    eager, lazy = (EventMachine(algorithm, 0, 0) for _ in range(2))
    often, seldom = [], []
    last: int | None = None
    for at in range(until):
        value = read[min(at, len(read) - 1)][0]
        often += eager.advance(at)
        often += eager.update(value, 0, at)
        if value != last:
            seldom += lazy.update(value, 0, at)
        elif data.draw(st.booleans()):
            seldom += lazy.advance(at)
        last = value
    seldom += lazy.advance(until - 1)
    assert seldom == often
