"""Foreign clocks drawn with their truth: off, drifting, set, printing in steps; the truth is within the bounds."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.measure.clock_limit import Within, stays_within
from harness.measure.clock_line import ClockReading
from harness.measure.clock_steps import clock_history

S, MS = NS_PER_S, NS_PER_MS
SPAN_S = 7_200


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    offset_ns: int
    rate: Fraction
    sets: tuple[tuple[int, int], ...]
    """(when, how far ahead), in order."""

    def off(self, at: int) -> Fraction:
        return self.offset_ns + self.rate * at + sum(by for when, by in self.sets if when <= at)


@st.composite
def clocks(draw: st.DrawFn) -> Clock:
    sets = draw(
        st.dictionaries(st.integers(1, SPAN_S * 1_000).map(lambda it: it * MS),
                        st.sampled_from([3_600, -3_600, 7, -40]).map(lambda it: it * S), max_size=2)
    )  # fmt: skip
    return Clock(
        offset_ns=draw(st.integers(-9_000, 9_000)) * MS,
        rate=Fraction(draw(st.integers(-900, 900)), 1_000_000),
        sets=tuple(sorted(sets.items())),
    )


@st.composite
def readings_of(draw: st.DrawFn, clock: Clock) -> list[tuple[int, ClockReading]]:
    """(when it was really read, what is known of it); cut or rounded, late or not, some without a longest delay."""
    step = draw(st.sampled_from([10 * MS, S, 60 * S]))
    is_rounded = draw(st.booleans())
    delay = draw(st.sampled_from([0, 300 * MS, 20 * S]))
    found = []
    for at_ms in draw(st.lists(st.integers(0, SPAN_S * 1_000), min_size=1, max_size=25)):
        at = at_ms * MS
        shown = at + clock.off(at)
        written = int((shown + (step // 2 if is_rounded else 0)) // step) * step
        told = at + draw(st.integers(0, delay // MS)) * MS
        lo = -FOREVER if draw(st.integers(0, 9)) == 0 else told - delay
        stood = Bounds(written - step // 2, written + step)
        found.append((at, ClockReading(at=Bounds(lo, told + 2 * MS), stood=stood)))
    return found


@given(st.data())
def test_the_truth_is_within(data: st.DataObject) -> None:
    clock = data.draw(clocks())
    read = data.draw(readings_of(clock))
    history = clock_history([it for _, it in read])
    for at, it in read:
        assert it.offset.lo <= clock.off(at) <= it.offset.hi
    assert len(history.settings) <= len(clock.sets)
    limit = max(abs(clock.off(at)) for at, _ in read)
    assert stays_within(history, int(limit) + 1, 0, hours_apart=False) is not Within.NO
    if len(history.settings) < len(clock.sets):
        return  # nothing in the readings shows the other settings
    if not clock.sets and history.common is not None and not clock.rate:
        assert history.common.lo <= clock.offset_ns <= history.common.hi
    for one, (when, by) in zip(history.settings, clock.sets, strict=True):
        assert when in one.at
        assert by in one.by
    for number, stretch in enumerate(history.stretches):
        if stretch.lines is None:
            continue
        before = sum(by for _, by in clock.sets[:number])
        assert stretch.lines.rate[0] <= clock.rate <= stretch.lines.rate[1]
        for at in (stretch.first, stretch.last, 0, SPAN_S * S):
            found = stretch.offset_at(at)
            assert found.lo <= clock.offset_ns + clock.rate * at + before <= found.hi


@given(st.data())
def test_a_clock_that_leaves_a_limit_is_never_within_it(data: st.DataObject) -> None:
    clock = data.draw(clocks())
    read = data.draw(readings_of(clock))
    history = clock_history([it for _, it in read])
    if len(history.settings) < len(clock.sets):
        return  # it was set oftener than its times need
    worst = max((abs(clock.off(at)) for at, it in read if not it.at.is_open_below), default=Fraction(0))
    limit = data.draw(st.integers(0, int(worst)))
    assert stays_within(history, max(0, limit - 1), 0, hours_apart=False) is not Within.YES
