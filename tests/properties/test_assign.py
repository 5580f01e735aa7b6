"""The assignment of sightings to stimuli against an enumeration of every order-preserving assignment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.errors import Origin
from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Stimulus
from harness.core.trace import Trace
from harness.correlate.assign import Window, assign
from harness.correlate.demand import demand_of
from harness.correlate.outline import Outline, outline

AT = Origin(file="test", line=1)
ALARMS = ("a", "b", "c")

Choice = tuple[int | None, ...]


def sketch_of(states: Sequence[bool], period: int) -> Outline:
    """A point that was polled at 0, period, 2 * period, … and answered at once."""
    at = np.arange(len(states), dtype=np.int64) * period
    return outline(Trace.from_states("p", at, at, np.array(states, dtype=np.bool_)), Hold(on_ns=1, off_ns=1))


def windows_from(raises: Sequence[tuple[int, int, int | None, str, bool]], limits: Limits) -> list[Window]:
    """Windows in the order of their starts: (raised, width, lasts, alarm, implied)."""
    ordered = sorted(raises, key=lambda it: (it[0], it[4], it[3]))
    found: list[Window] = []
    for number, (raised, width, lasts, alarm, implied) in enumerate(ordered):
        following = [other[0] for other in ordered[number + 1 :] if other[3] == alarm]
        stimulus = Stimulus(
            id=f"s{number}",
            alarm=alarm,
            raised=Bounds(raised, raised + width),
            cleared=None if lasts is None else Bounds.exactly(raised + width + lasts),
        )
        row = Expectation(key=alarm, alarm=alarm, point="p", behaviour=Behaviour.FOLLOWS, limits=limits, origin=AT)
        demand = demand_of(stimulus, row, following[0] if following else None)
        found.append(Window(stimulus=stimulus, expectation=row, demand=demand, implied=implied))
    return found


def every_assignment(windows: Sequence[Window], sightings: int) -> Iterator[Choice]:
    """Every way of giving each window no sighting, or one behind those of the windows before it."""

    def extended(done: Choice) -> Iterator[Choice]:
        if len(done) == len(windows):
            yield done
            return
        used = max((number for number in done if number is not None), default=-1)
        for choice in (None, *range(used + 1, sightings)):
            yield from extended((*done, choice))

    yield from extended(())


def cost_of(sketch: Outline, windows: Sequence[Window], choice: Choice) -> tuple[int, int] | None:
    """Deviations and distance as the design states them, None where a pair is not compatible.

    Late, missed and stray count one each. A window owes nothing where another alarm brings it, or another window that
    began before may still hold the point.
    """
    deviations, distance = len(sketch.first) - sum(number is not None for number in choice), 0
    for at, (window, number) in enumerate(zip(windows, choice, strict=True)):
        demand = window.demand
        if number is None:
            held = any(
                before.demand.release is None or before.demand.release.hi + before.demand.limits.dwell_ns > window.start
                for before in windows[:at]
            )
            deviations += not (window.implied or held)
            continue
        lo, hi = sketch.onset_lo[number], sketch.onset_hi[number]
        if hi < demand.raised.lo or lo > min(demand.raised.hi + demand.limits.search_ns, demand.begin_max):
            return None
        deviations += lo - demand.raised.hi > demand.reach_ns and not window.implied
        distance += max(0, hi - demand.raised.lo)
    return deviations, distance


def best_of(sketch: Outline, windows: Sequence[Window]) -> list[Choice]:
    """All assignments of the lowest cost."""
    costs = {
        choice: cost
        for choice in every_assignment(windows, len(sketch.first))
        if (cost := cost_of(sketch, windows, choice)) is not None
    }
    lowest = min(costs.values())
    return [choice for choice, cost in costs.items() if cost == lowest]


RAISES = st.lists(
    st.tuples(
        st.integers(0, 40), st.integers(0, 2), st.none() | st.integers(0, 12), st.sampled_from(ALARMS), st.booleans()
    ),
    min_size=1,
    max_size=5,
    unique_by=lambda it: (it[3], it[0]),
)
LIMITS = st.builds(
    lambda within, more: Limits(appears_within_ns=within, search_ns=more + (within or 0)),
    st.none() | st.integers(0, 6),
    st.integers(0, 12),
)


@settings(max_examples=1500, deadline=None, derandomize=True)
@given(st.lists(st.booleans(), min_size=1, max_size=12), st.integers(1, 6), RAISES, LIMITS)
def test_is_one_of_the_best_and_says_where_others_differ(
    states: list[bool], period: int, raises: list[tuple[int, int, int | None, str, bool]], limits: Limits
) -> None:
    sketch = sketch_of(states, period)
    windows = windows_from(raises, limits)
    best = best_of(sketch, windows)
    found = assign(sketch, windows)
    assert cost_of(sketch, windows, found.own) == cost_of(sketch, windows, best[0])
    for at in range(len(windows)):
        choices = {choice[at] for choice in best}
        assert found.own[at] in choices
        assert found.ambiguous[at] == (len(choices) > 1)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(st.lists(st.booleans(), min_size=1, max_size=12), st.integers(1, 6), RAISES, LIMITS)
def test_never_pairs_more_than_a_maximum_matching_and_keeps_order_and_cause(
    states: list[bool], period: int, raises: list[tuple[int, int, int | None, str, bool]], limits: Limits
) -> None:
    sketch = sketch_of(states, period)
    windows = windows_from(raises, limits)
    own = [number for number in assign(sketch, windows).own if number is not None]
    assert own == sorted(set(own))
    most = max(
        sum(number is not None for number in choice)
        for choice in every_assignment(windows, len(sketch.first))
        if cost_of(sketch, windows, choice) is not None
    )
    assert len(own) <= most
    for window, number in zip(windows, assign(sketch, windows).own, strict=True):
        if number is not None:
            assert sketch.onset_hi[number] >= window.demand.raised.lo


def test_the_window_without_end_costs_nothing_more_than_a_bounded_one() -> None:
    """A search limit that is not bounded is a number like any other."""
    sketch = sketch_of([False, True, False, True], 10)
    windows = windows_from([(5, 0, 3, "a", False), (25, 0, 3, "b", False)], Limits(search_ns=FOREVER))
    assert assign(sketch, windows).own == (0, 1)
