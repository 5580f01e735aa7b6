"""Closed intervals of instants: what they hold, how they move, meet and differ, and that open ends stay open."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import FOREVER, Bounds, elapsed, latest

INSTANTS = st.integers(-(10**18), 10**18)


@st.composite
def some_bounds(draw: st.DrawFn) -> Bounds:
    first, second = draw(INSTANTS), draw(INSTANTS)
    lo = draw(st.sampled_from([min(first, second), -FOREVER]))
    return Bounds(lo, draw(st.sampled_from([max(first, second), FOREVER])))


def test_closed_at_both_ends() -> None:
    bounds = Bounds(3, 5)
    assert [it for it in range(8) if it in bounds] == [3, 4, 5]
    assert bounds.width == 2


def test_exactly() -> None:
    assert Bounds.exactly(7) == Bounds(7, 7)
    assert Bounds.exactly(7).width == 0


def test_lo_above_hi_is_refused() -> None:
    with pytest.raises(ValueError, match=r"lo=6 is above hi=5"):
        Bounds(6, 5)


def test_order_is_by_lo_then_hi() -> None:
    assert sorted([Bounds(2, 9), Bounds(1, 9), Bounds(1, 3)]) == [Bounds(1, 3), Bounds(1, 9), Bounds(2, 9)]


@pytest.mark.parametrize(
    ("bounds", "above", "below"),
    [
        (Bounds(1, 2), False, False),
        (Bounds(1, FOREVER), True, False),
        (Bounds(-FOREVER, 2), False, True),
        (Bounds(-FOREVER, FOREVER), True, True),
    ],
)
def test_open_ends(bounds: Bounds, above: bool, below: bool) -> None:
    assert bounds.is_open_above is above
    assert bounds.is_open_below is below


def test_shifted_leaves_open_ends_open() -> None:
    assert Bounds(1, 2).shifted(10) == Bounds(11, 12)
    assert Bounds(-FOREVER, 2).shifted(-5) == Bounds(-FOREVER, -3)
    assert Bounds(1, FOREVER).shifted(-5) == Bounds(-4, FOREVER)


def test_meet() -> None:
    assert Bounds(1, 5).meet(Bounds(5, 9)) == Bounds(5, 5)
    assert Bounds(1, 5).meet(Bounds(6, 9)) is None
    assert Bounds(1, 9).meet(Bounds(3, 4)) == Bounds(3, 4)


@given(some_bounds(), some_bounds())
def test_touching_is_meeting(first: Bounds, second: Bounds) -> None:
    common = first.meet(second)
    assert first.touches(second) is (common is not None)
    assert second.meet(first) == common
    if common is not None:
        assert common.lo in first
        assert common.hi in second


@given(some_bounds(), some_bounds(), st.data())
def test_latest_holds_the_later(first: Bounds, second: Bounds, data: st.DataObject) -> None:
    a = data.draw(st.integers(first.lo, first.hi))
    b = data.draw(st.integers(second.lo, second.hi))
    assert max(a, b) in latest(first, second)


def test_latest_is_tight() -> None:
    assert latest(Bounds(1, 9), Bounds(4, 6)) == Bounds(4, 9)


@given(some_bounds(), some_bounds(), st.data())
def test_elapsed_holds_the_difference(start: Bounds, end: Bounds, data: st.DataObject) -> None:
    a = data.draw(st.integers(max(start.lo, -(10**18)), min(start.hi, 10**18)))
    b = data.draw(st.integers(max(end.lo, -(10**18)), min(end.hi, 10**18)))
    assert b - a in elapsed(start, end)


def test_elapsed_is_tight_and_not_cut() -> None:
    assert elapsed(Bounds(10, 12), Bounds(11, 15)) == Bounds(-1, 5)


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        (Bounds(1, 2), Bounds(5, FOREVER), Bounds(3, FOREVER)),
        (Bounds(1, 2), Bounds(-FOREVER, 5), Bounds(-FOREVER, 4)),
        (Bounds(-FOREVER, 2), Bounds(5, 6), Bounds(3, FOREVER)),
        (Bounds(1, FOREVER), Bounds(5, 6), Bounds(-FOREVER, 5)),
    ],
)
def test_elapsed_with_open_ends(start: Bounds, end: Bounds, expected: Bounds) -> None:
    assert elapsed(start, end) == expected


def test_open_ends_fit_into_64_bits() -> None:
    assert FOREVER + FOREVER < 2**63
    assert FOREVER > 50 * 365 * 86_400 * 10**9, "farther away than any clock reading"
