"""Alarm rates against counting by hand: every instant of worlds that were drawn within the bounds."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import Bounds
from harness.measure.alarm_rates import Activation, RateLimits, Rates, rates_of
from harness.measure.spans import joined

SPAN = 60
BRIEF = st.integers(0, 3)


@st.composite
def limits_of(draw: st.DrawFn) -> RateLimits:
    above = draw(st.integers(1, 4))
    return RateLimits(
        window_ns=draw(st.integers(2, 12)),
        flood_above=above,
        flood_below=draw(st.integers(1, above + 1)),
        chatter_least=draw(st.integers(2, 3)),
        chatter_ns=draw(st.integers(1, 8)),
        fleeting_ns=draw(st.integers(1, 6)),
        stale_ns=draw(st.integers(3, 20)),
    )


@st.composite
def worlds(draw: st.DrawFn) -> list[tuple[int, int, Activation]]:
    """(true onset, true end, what is known of it), on a clock that ticks in single nanoseconds."""
    found = []
    for _ in range(draw(st.integers(0, 14))):
        onset = draw(st.integers(0, SPAN))
        end = onset + draw(st.integers(1, 25))
        known = Activation(
            alarm=draw(st.sampled_from(["a", "b"])),
            onset=Bounds(onset - draw(BRIEF), onset + draw(BRIEF)),
            end=Bounds(end - draw(BRIEF), end + draw(BRIEF)),
        )
        found.append((onset, end, known))
    return found


def floods_by_hand(onsets: Sequence[int], limits: RateLimits) -> list[int]:
    """The instants in a flood, one after the other."""
    found, is_flood = [], False
    for instant in range(-5, SPAN):
        number = sum(instant - limits.window_ns < it <= instant for it in onsets)
        is_flood = number > limits.flood_above or (is_flood and number >= limits.flood_below)
        if is_flood:
            found.append(instant)
    return found


def most_by_hand(onsets: Sequence[int], window: int) -> int:
    return max((sum(begin <= it < begin + window for it in onsets) for begin in range(-10, SPAN + 5)), default=0)


def told(world: Sequence[tuple[int, int, Activation]], limits: RateLimits, blind: Sequence[Bounds] = ()) -> Rates:
    return rates_of([it for _, _, it in world], Bounds(0, SPAN), blind, limits)


@given(worlds(), limits_of())
def test_what_is_true_lies_between_surely_and_possibly(
    world: list[tuple[int, int, Activation]], limits: RateLimits
) -> None:
    found = told(world, limits)
    onsets = [onset for onset, _, _ in world]
    assert found.total.surely <= len(onsets) <= found.total.possibly
    most = most_by_hand(onsets, limits.window_ns)
    assert found.most.number.surely <= most <= found.most.number.possibly
    for window in found.windows:
        number = sum(window.begin <= it < window.end for it in onsets)
        assert window.number.surely <= number <= window.number.possibly
    true = floods_by_hand(onsets, limits)
    sure = {instant for it in found.floods for part in it.sure for instant in range(*part)}
    possible = {instant for it in found.floods for instant in range(it.begin, it.end)}
    assert sure <= set(true)
    assert set(true) <= possible
    assert found.flood_ns == (len(sure), len(possible))
    begun = len(set(true) - {instant + 1 for instant in true})
    assert sum(bool(it.sure) for it in found.floods) <= begun <= sum(it.most for it in found.floods)
    for alarm in ("a", "b"):
        own = [onset for onset, _, it in world if it.alarm == alarm]
        chatters = most_by_hand(own, limits.chatter_ns) >= limits.chatter_least
        listed = [it for it in found.chattering if it.alarm == alarm]
        assert bool(listed) or not chatters
        assert chatters or not any(it.most.surely >= limits.chatter_least for it in listed)
        stale = sum(min(end, SPAN) - onset > limits.stale_ns for onset, end, it in world if it.alarm == alarm)
        bounds = found.stale.get(alarm)
        assert stale == 0 if bounds is None else bounds.surely <= stale <= bounds.possibly
    fleeting = sum(end - onset <= limits.fleeting_ns for onset, end, _ in world)
    assert found.fleeting.surely <= fleeting <= found.fleeting.possibly


@given(worlds(), limits_of())
def test_what_is_known_exactly_is_counted_exactly(world: list[tuple[int, int, Activation]], limits: RateLimits) -> None:
    exact = [
        (onset, end, Activation(alarm=it.alarm, onset=Bounds.exactly(onset), end=Bounds.exactly(end)))
        for onset, end, it in world
    ]
    found = told(exact, limits)
    onsets = [onset for onset, _, _ in exact]
    assert found.total.surely == found.total.possibly == len(onsets)
    most = most_by_hand(onsets, limits.window_ns)
    assert (found.most.number.surely, found.most.number.possibly) == (most, most)
    instants = [instant for it in found.floods for instant in range(it.begin, it.end)]
    assert instants == [it for it in floods_by_hand(onsets, limits) if it >= 0]
    for flood in found.floods:
        assert (flood.sure, flood.most) == (((flood.begin, flood.end),), 1)
    if found.most.number.possibly:
        window = range(found.most.until - limits.window_ns + 1, found.most.until + 1)
        assert sum(it in window for it in onsets) == most


@given(worlds(), limits_of(), st.lists(st.tuples(st.integers(-5, SPAN + 5), st.integers(0, 20)), max_size=4))
def test_blind_time_is_left_out(
    world: list[tuple[int, int, Activation]], limits: RateLimits, gaps: list[tuple[int, int]]
) -> None:
    blind = [Bounds(begin, begin + width) for begin, width in gaps]
    found = told(world, limits, blind)
    covered = {instant for it in blind for instant in range(max(0, it.lo), min(SPAN, it.hi))}
    assert found.observed_ns == SPAN - len(covered)
    sure = {instant for it in found.floods for part in it.sure for instant in range(*part)}
    possible = {instant for it in found.floods for instant in range(it.begin, it.end)}
    assert found.flood_ns == (len(sure - covered), len(possible - covered))
    touched = joined(blind)
    for window in found.windows:
        is_free = not any(lo < window.end and hi > window.begin for lo, hi in touched)
        assert window.is_observed == (is_free and window.end <= SPAN)
