"""The picture of a point claims no more than the samples do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.errors import Origin
from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Sighting, Step, Stimulus
from harness.core.trace import Trace
from harness.report.document import SpanState, Timeline
from harness.report.timeline import SPANS_MAX, timeline_of

ON, OFF, UNKNOWN, BLIND = SpanState.ON, SpanState.OFF, SpanState.UNKNOWN, SpanState.BLIND
STIMULUS = Stimulus(
    id="s1", alarm="a", raised=Bounds(100, 110), acknowledged=Bounds(300, 310), cleared=Bounds(400, 405)
)
HOLD = Hold(on_ns=30, off_ns=40)


def polled(samples: list[tuple[int, int, bool]], sealed: list[bool] | None = None) -> Trace:
    lo, hi, on = (np.array([sample[index] for sample in samples]) for index in range(3))
    return Trace.from_states("p", lo, hi, on.astype(bool), sealed=None if sealed is None else np.array(sealed))


def spans_of(timeline: Timeline) -> list[tuple[SpanState, int, int]]:
    return [(span.state, span.from_ns, span.to_ns) for span in timeline.spans]


def test_a_change_lies_between_two_samples() -> None:
    trace = polled([(0, 2, False), (10, 12, False), (20, 22, True), (30, 32, True), (40, 42, False)])
    found = timeline_of(trace, (), STIMULUS, Bounds(1, 42), hold=HOLD)
    assert spans_of(found) == [(OFF, 1, 11), (UNKNOWN, 11, 22), (ON, 22, 31), (UNKNOWN, 31, 40), (OFF, 40, 42)]


def test_equal_samples_far_apart_are_blind_between() -> None:
    trace = polled([(0, 2, False), (10, 12, False), (41, 43, False), (50, 52, False)])
    found = timeline_of(trace, (), STIMULUS, Bounds(0, 60), hold=HOLD)
    assert spans_of(found) == [(OFF, 0, 12), (BLIND, 12, 41), (OFF, 41, 52), (BLIND, 52, 60)]


def test_an_off_gap_is_measured_by_the_shortest_on_time_and_the_other_way_round() -> None:
    for is_on, widest in ((False, HOLD.on_ns), (True, HOLD.off_ns)):
        known = polled([(0, 1, is_on), (widest - 1, widest, is_on)])
        wide = polled([(0, 1, is_on), (widest, widest + 1, is_on)])
        assert len(timeline_of(known, (), STIMULUS, Bounds(0, widest), hold=HOLD).spans) == 1
        assert BLIND in [span.state for span in timeline_of(wide, (), STIMULUS, Bounds(0, widest), hold=HOLD).spans]


def test_a_lone_sample_in_blind_time_stays_visible() -> None:
    trace = polled([(0, 2, False), (500, 502, False), (900, 902, True)])
    found = timeline_of(trace, (), STIMULUS, Bounds(0, 1000), hold=HOLD)
    assert spans_of(found) == [
        (OFF, 0, 2),
        (BLIND, 2, 500),
        (OFF, 500, 502),
        (BLIND, 502, 900),
        (ON, 900, 902),
        (BLIND, 902, 1000),
    ]


def test_a_pulse_that_one_sample_saw_does_not_vanish() -> None:
    trace = polled([(0, 2, False), (10, 12, True), (20, 22, False), (30, 32, False)])
    found = timeline_of(trace, (), STIMULUS, Bounds(0, 32), hold=HOLD)
    assert spans_of(found) == [(OFF, 0, 1), (UNKNOWN, 1, 10), (ON, 10, 12), (UNKNOWN, 12, 22), (OFF, 22, 32)]


def test_a_path_that_promises_every_change_is_known_without_samples() -> None:
    trace = polled([(0, 1, False), (500, 501, False)], sealed=[False, True])
    assert spans_of(timeline_of(trace, (), STIMULUS, Bounds(0, 501), hold=HOLD)) == [(OFF, 0, 501)]


def test_a_pushed_change_lies_in_its_own_bounds() -> None:
    trace = Trace.from_states(
        "p",
        np.array([0, 90]),
        np.array([0, 120]),
        np.array([False, True]),
        edge=np.array([False, True]),
        sealed=np.array([False, True]),
    )
    found = timeline_of(trace, (), STIMULUS, Bounds(0, 120), hold=HOLD)
    assert spans_of(found) == [(OFF, 0, 90), (UNKNOWN, 90, 119), (ON, 119, 120)]


def test_a_pushed_pulse_within_its_own_bounds_does_not_vanish() -> None:
    trace = Trace.from_states(
        "p",
        np.array([0, 90, 95]),
        np.array([0, 120, 125]),
        np.array([False, True, False]),
        edge=np.array([False, True, True]),
        sealed=np.array([False, True, True]),
    )
    assert (ON, 119, 120) in spans_of(timeline_of(trace, (), STIMULUS, Bounds(0, 130), hold=HOLD))


def test_a_sighting_narrows_what_is_unknown() -> None:
    trace = polled([(0, 2, False), (10, 12, True), (20, 22, True), (30, 32, False)])
    seen = Sighting(point="p", onset=Bounds(5, 9), end=Bounds(25, 28), first=1, last=2)
    elsewhere = Sighting(point="q", onset=Bounds(1, 2), end=Bounds(25, 28), first=1, last=2)
    assert spans_of(timeline_of(trace, (elsewhere, seen), STIMULUS, Bounds(0, 32), hold=HOLD)) == [
        (OFF, 0, 5),
        (UNKNOWN, 5, 9),
        (ON, 9, 25),
        (UNKNOWN, 25, 28),
        (OFF, 28, 32),
    ]


def test_without_samples_all_is_blind() -> None:
    assert spans_of(timeline_of(polled([]), (), STIMULUS, Bounds(0, 9), hold=HOLD)) == [(BLIND, 0, 9)]
    late = polled([(50, 52, True)])
    assert spans_of(timeline_of(late, (), STIMULUS, Bounds(0, 40), hold=HOLD)) == [(BLIND, 0, 40)]


def test_too_many_changes_become_unknown_and_never_a_claim() -> None:
    states = [(10 * n, 10 * n + 1, bool(n % 2)) for n in range(3 * SPANS_MAX)]
    found = timeline_of(polled(states), (), STIMULUS, Bounds(0, 30 * SPANS_MAX), hold=HOLD)
    assert found.simplified
    assert {span.state for span in found.spans} <= {UNKNOWN, BLIND}
    assert len(found.spans) < SPANS_MAX


@pytest.mark.parametrize("window", [Bounds(5, 5), Bounds(0, 2**61), Bounds(-(2**61), 0)])
def test_a_window_has_two_ends(window: Bounds) -> None:
    with pytest.raises(ValueError, match="window"):
        timeline_of(polled([]), (), STIMULUS, window)


def _expectation(behaviour: Behaviour, **limits: int) -> Expectation:
    origin = Origin(file="f", line=1)
    return Expectation(key="k", alarm="a", point="p", behaviour=behaviour, limits=Limits(**limits), origin=origin)


@pytest.mark.parametrize(
    ("behaviour", "gone_by"),
    [
        (Behaviour.FOLLOWS, Bounds(457, 462)),
        (Behaviour.UNTIL_ACKNOWLEDGED, Bounds(357, 367)),
        (Behaviour.LATCHED, Bounds(457, 462)),
        (Behaviour.PULSE, None),
        (Behaviour.QUIET, None),
    ],
)
def test_deadlines_follow_the_behaviour(behaviour: Behaviour, gone_by: Bounds | None) -> None:
    row = _expectation(behaviour, appears_within_ns=50, gone_within_ns=50, dwell_ns=7)
    found = timeline_of(polled([]), (), STIMULUS, Bounds(0, 9), expectation=row)
    assert found.due == (None if behaviour is Behaviour.QUIET else Bounds(150, 160))
    assert found.gone_by == gone_by
    assert found.expectation == "k"
    assert [mark.step for mark in found.marks] == [Step.RAISE, Step.ACKNOWLEDGE, Step.CLEAR]


@given(
    steps=st.lists(st.tuples(st.integers(1, 60), st.integers(0, 9), st.booleans()), max_size=25),
    window=st.tuples(st.integers(-50, 600), st.integers(1, 600)),
    hold=st.builds(Hold, on_ns=st.integers(1, 80), off_ns=st.integers(1, 80)),
)
def test_spans_fill_the_window_and_agree_with_every_sample(
    steps: list[tuple[int, int, bool]], window: tuple[int, int], hold: Hold
) -> None:
    samples, at = [], 0
    for wait, width, on in steps:
        at += wait
        samples.append((at, at + width, on))
        at += width
    inside = Bounds(window[0], window[0] + window[1])
    found = timeline_of(polled(samples), (), STIMULUS, inside, hold=hold)
    edges = [found.spans[0].from_ns, *(span.to_ns for span in found.spans)]
    assert edges[0] == inside.lo
    assert edges[-1] == inside.hi
    assert edges == sorted(set(edges))
    assert [span.from_ns for span in found.spans[1:]] == edges[1:-1]
    for first, second in zip(found.spans, found.spans[1:], strict=False):
        assert first.state is not second.state
    for lo, hi, on in samples:
        whole = [span for span in found.spans if span.from_ns <= lo and hi <= span.to_ns]
        assert not [span for span in whole if span.state is (OFF if on else ON)]
