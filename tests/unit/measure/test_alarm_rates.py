"""Alarm rates at the edges of what counts as what.

The limits are those of ISA-18.2-2009 and EEMUA 191 from memory; what is checked is that the edges are counted as said.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.measure.alarm_rates import (
    ActedOn,
    Activation,
    Most,
    Number,
    RateLimits,
    Rates,
    fixed_windows,
    is_fleeting,
    is_stale,
    most_within,
    rates_of,
)
from harness.measure.spans import is_free, joined, length_without

S = NS_PER_S
MINUTE, HOUR, DAY = 60 * S, 3_600 * S, 86_400 * S
LIMITS = RateLimits()


def exactly(*seconds: float) -> list[Bounds]:
    return [Bounds.exactly(round(it * S)) for it in seconds]


def active(onset: Bounds | int, lasts: int, alarm: str = "a", width: int = 0) -> Activation:
    begins = Bounds(onset, onset + width) if isinstance(onset, int) else onset
    return Activation(alarm=alarm, onset=begins, end=Bounds(begins.lo + lasts, begins.lo + lasts + width))


def rates(onsets: Iterable[Bounds], hours: int = 2, blind: Iterable[Bounds] = ()) -> Rates:
    found = [Activation(alarm="a", onset=it, end=Bounds(it.hi + 5 * S, it.hi + 5 * S)) for it in onsets]
    return rates_of(found, Bounds(0, hours * HOUR), blind, LIMITS)


def test_eleven_a_minute_apart_are_ten_in_ten_minutes() -> None:
    onsets = exactly(*(60 * number for number in range(11)))
    assert most_within(onsets, LIMITS.window_ns).number == Number(10, 10)
    assert rates(onsets).floods == ()


def test_eleven_in_590_seconds_are_a_flood() -> None:
    onsets = exactly(*(59 * number for number in range(11)))
    assert most_within(onsets, LIMITS.window_ns) == Most(number=Number(11, 11), until=590 * S)
    (flood,) = rates(onsets).floods
    # It begins with the eleventh, and ends where four are left: 10 min after the seventh.
    assert (flood.begin, flood.end) == (590 * S, 954 * S)
    assert flood.sure == ((590 * S, 954 * S),)
    assert flood.activations == Number(11, 11)


def test_a_flood_goes_on_while_five_are_left() -> None:
    """One every 120 s keeps five in each half-open 10 min; one every 121 s leaves four for a second now and then."""
    burst = [59 * number for number in range(11)]
    still = [590 + 120 * number for number in range(1, 20)]
    ended = [590 + 121 * number for number in range(1, 20)]
    assert rates(exactly(*burst, *still)).floods[0].end == (still[-1] + 120) * S
    assert rates(exactly(*burst, *ended)).floods[0].end == (590 + 600) * S


def test_the_end_of_the_record_cuts_a_flood() -> None:
    (flood,) = rates(exactly(*(6_600 + 59 * number for number in range(11)))).floods
    assert (flood.begin, flood.end) == (7_190 * S, 7_200 * S)


def bounded(*seconds: tuple[float, float]) -> list[Bounds]:
    return [Bounds(round(lo * S), round(hi * S)) for lo, hi in seconds]


def test_one_flood_for_all_that_is_known_may_have_been_two() -> None:
    """Ten more begin somewhere in the ten minutes after the first eleven: it may have ended before they came."""
    first, second = [(59.0 * it, 59.0 * it) for it in range(11)], [(700.0, 1_300.0)] * 11
    (flood,) = rates(bounded(*first, *second)).floods
    assert (bool(flood.sure), flood.most) == (True, 2)
    late = rates(bounded(*first, *[(1_250.0, 1_250.0)] * 11)).floods
    assert [it.most for it in late] == [1, 1], "the truth may be so, and then they are two"


def test_a_flood_that_began_between_two_readings_is_one() -> None:
    """None left the window while they came, and none came while they left it."""
    (flood,) = rates(bounded(*[(100.0, 102.0)] * 40)).floods
    assert (bool(flood.sure), flood.most) == (True, 1)
    (flood,) = rates(exactly(*(59 * number for number in range(40)))).floods
    assert flood.most == 1


@pytest.mark.parametrize(("third", "chatters"), [(59.999, True), (60.0, False), (60.001, False)])
def test_three_in_a_minute_chatter(third: float, *, chatters: bool) -> None:
    found = rates(exactly(0, 30, third))
    assert [it.alarm for it in found.chattering] == ["a"] * chatters
    assert found.contributors[0].most == (Number(3, 3) if chatters else Number(2, 2))


def test_chattering_is_of_one_alarm() -> None:
    found = rates_of([active(at * S, S, alarm) for at, alarm in ((0, "a"), (10, "b"), (20, "a"))],
                     Bounds(0, HOUR), (), LIMITS)  # fmt: skip
    assert found.chattering == ()
    assert [(it.alarm, it.number) for it in found.contributors] == [("a", Number(2, 2)), ("b", Number(1, 1))]


@pytest.mark.parametrize(("lasts", "number"), [(DAY, 0), (DAY + S, 1), (DAY + 1, 1), (DAY - 1, 0)])
def test_longer_than_a_day_is_stale(lasts: int, number: int) -> None:
    """Exactly 24 h is not longer."""
    assert is_stale(active(0, lasts), 3 * DAY, LIMITS) == Number(number, number)


def test_stale_within_bounds() -> None:
    assert is_stale(active(0, DAY, width=S), 3 * DAY, LIMITS) == Number(0, 1)
    on = Activation(alarm="a", onset=Bounds(0, S), end=Bounds(FOREVER - 1, FOREVER))
    assert is_stale(on, DAY + 2 * S, LIMITS) == Number(1, 1)
    assert is_stale(on, DAY, LIMITS) == Number(0, 0)
    before = Activation(alarm="a", onset=Bounds(-FOREVER, S), end=Bounds(20 * HOUR, 20 * HOUR))
    assert is_stale(before, 3 * DAY, LIMITS) == Number(0, 1)
    doubtful = Activation(alarm="a", onset=Bounds(0, S), end=Bounds(2 * DAY, 2 * DAY), is_whole=False)
    assert is_stale(doubtful, 3 * DAY, LIMITS) == Number(0, 1)


def test_fleeting_clears_by_itself_and_soon() -> None:
    assert is_fleeting(active(0, MINUTE), LIMITS) == Number(1, 1)
    assert is_fleeting(active(0, MINUTE + 1), LIMITS) == Number(0, 0)
    assert is_fleeting(active(0, MINUTE, width=NS_PER_MS), LIMITS) == Number(0, 1)
    on = Activation(alarm="a", onset=Bounds(0, 0), end=Bounds(S, FOREVER))
    assert is_fleeting(on, LIMITS) == Number(0, 0)
    for acted_on, number in ((ActedOn.YES, Number(0, 0)), (ActedOn.MAYBE, Number(0, 1)), (ActedOn.NO, Number(1, 1))):
        acted = Activation(alarm="a", onset=Bounds(0, 0), end=Bounds(S, S), acted_on=acted_on)
        assert is_fleeting(acted, LIMITS) == number


def test_a_window_edge_within_the_bounds_of_an_activation() -> None:
    onsets = [Bounds(599 * S, 601 * S), *exactly(0, 600)]
    first, second = fixed_windows(onsets, Bounds(0, 1_200 * S), (), LIMITS.window_ns)
    assert first.number == Number(1, 2)
    assert second.number == Number(1, 2)
    assert most_within(onsets, LIMITS.window_ns).number == Number(2, 2)
    assert most_within([Bounds(0, 5 * S), Bounds(598 * S, 606 * S)], LIMITS.window_ns).number == Number(1, 2)


def test_blind_time_is_no_exposure() -> None:
    found = rates(exactly(*(59 * number for number in range(11))), blind=[Bounds(600 * S, 900 * S),
                                                                          Bounds(890 * S, 1_000 * S)])  # fmt: skip
    assert found.observed_ns == 2 * HOUR - 400 * S
    assert [it.is_observed for it in found.windows] == [True, False] + [True] * 10
    assert found.flood_ns == (10 * S, 10 * S)


def test_a_window_that_the_record_cuts_off_is_not_whole() -> None:
    found = rates_of([active(0, S)], Bounds(0, 25 * MINUTE), (), LIMITS)
    assert [(it.begin // MINUTE, it.is_observed) for it in found.windows] == [(0, True), (10, True), (20, False)]


def test_what_was_on_before_is_no_activation() -> None:
    before = Activation(alarm="b", onset=Bounds(-FOREVER, 0), end=Bounds(5 * S, 6 * S))
    found = rates_of([before, active(30 * S, S)], Bounds(0, HOUR), (), LIMITS)
    assert found.total == Number(1, 1)
    assert found.standing == ("b",)
    assert found.stale == {"b": Number(0, 1)}


def test_an_empty_record() -> None:
    found = rates_of([], Bounds(5, 5), (), LIMITS)
    assert (found.total, found.most.number, found.floods, len(found.windows)) == (Number(0, 0), Number(0, 0), (), 1)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"window_ns": 0}, "window_ns=0: expected 1 or more"),
        ({"flood_above": 3}, "flood_below=5: expected at most 4"),
    ],
)
def test_limits_that_cannot_be(changed: dict[str, int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        RateLimits(**changed)


def test_spans() -> None:
    gaps = joined([Bounds(5, 9), Bounds(0, 2), Bounds(8, 12), Bounds(12, 13)])
    assert gaps == [(0, 2), (5, 13)]
    assert length_without([(1, 6), (20, 30)], gaps) == 3 + 10
    assert [is_free(it, gaps) for it in ((2, 5), (1, 5), (2, 6), (13, 14), (3, 20))] == [
        True,
        False,
        False,
        True,
        False,
    ]
