"""When a clock was set: by hand, and against every way of setting it on a small grid."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations, pairwise

import pytest

from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.measure.clock_limit import Within, stays_within
from harness.measure.clock_line import ClockReading, lines_through
from harness.measure.clock_steps import HOUR_NS, ClockHistory, clock_history

S = NS_PER_S


def read_at(seconds: float, ahead_s: float, *, late_s: float = 0.0, step_s: float = 1.0) -> ClockReading:
    """Read between ``late_s`` before an instant and it, by a clock so far ahead that was cut or rounded to a step."""
    at = round(seconds * S)
    shown = round((seconds + ahead_s) / step_s - 0.5) * round(step_s * S)
    lo, hi = shown - round(step_s * S) // 2, shown + round(step_s * S)
    return ClockReading(at=Bounds(at - round(late_s * S), at), stood=Bounds(lo, hi))


def test_an_even_clock_was_never_set() -> None:
    history = clock_history([read_at(10 * number, 3.2, late_s=0.3) for number in range(60)])
    assert history.settings == ()
    assert len(history.stretches) == 1
    assert history.common is not None
    assert round(3.2 * S) in history.common
    assert history.common.width <= 1.8 * S


def test_a_clock_that_drifts_has_no_one_offset() -> None:
    history = clock_history([read_at(100 * number, 100e-6 * 100 * number) for number in range(864)])
    assert history.common is None
    (stretch,) = history.stretches
    assert stretch.lines is not None
    assert stretch.lines.rate[0] <= Fraction(100, 1_000_000) <= stretch.lines.rate[1]
    assert stretch.lines.rate[1] - stretch.lines.rate[0] < Fraction(25, 1_000_000)


def test_a_clock_that_was_set() -> None:
    ahead = [5.0] * 30 + [-12.0] * 40
    history = clock_history([read_at(10 * number, it, late_s=0.3) for number, it in enumerate(ahead)])
    (one,) = history.settings
    assert one.at == Bounds(round(289.7 * S) + 1, 300 * S)
    assert -17 * S in one.by
    assert one.by.width < 5 * S
    assert not one.is_hour
    assert [it.count for it in history.stretches] == [30, 40]
    assert 5 * S in history.stretches[0].offset_at(0)
    assert -12 * S in history.stretches[1].offset_at(690 * S)


@pytest.mark.parametrize("by", [3600, -3600])
def test_an_hour_may_be_daylight_saving_time(by: int) -> None:
    history = clock_history([read_at(10 * number, 0.4 + by * (number >= 20)) for number in range(40)])
    (one,) = history.settings
    assert one.is_hour
    assert by * S in one.by


def test_there_and_back() -> None:
    ahead = [0.3] * 20 + [90.3] * 5 + [0.3] * 20
    history = clock_history([read_at(10 * number, it) for number, it in enumerate(ahead)])
    assert [it.by.lo > 0 for it in history.settings] == [True, False]
    assert [it.count for it in history.stretches] == [20, 5, 20]


def test_what_waited_shows_no_further_setting() -> None:
    """A line that waited while the clock was set shows no further setting; what it says puts it before that one."""
    readings = [read_at(10 * number, 30.0 * (number >= 10), late_s=0.3) for number in range(20)]
    waited = ClockReading(at=Bounds(85 * S, 105 * S), stood=Bounds(85 * S, 86 * S))
    history = clock_history([*readings, waited])
    (one,) = history.settings
    assert 100 * S in one.at
    assert [it.count for it in history.stretches] == [11, 10]


def test_one_side_alone_shows_no_setting() -> None:
    told = [read_at(10 * number, -30.0 * (number >= 10)) for number in range(20)]
    history = clock_history([ClockReading(at=Bounds(-FOREVER, it.at.hi), stood=it.stood) for it in told])
    assert history.settings == ()
    assert history.common == Bounds(round(-0.5 * S), FOREVER)


# --- against every way of setting it --------------------------------------------------------------


def drawn(rng: random.Random, span: int) -> list[ClockReading]:
    ahead, found = rng.randint(-6, 6), []
    sets = {rng.randint(1, span): rng.choice([-9, -4, 5, 11]) for _ in range(rng.randint(0, 2))}
    for at in sorted(rng.randint(0, span) for _ in range(rng.randint(1, 7))):
        shown = at + ahead + sum(by for when, by in sets.items() if when <= at)
        stood = Bounds(shown - rng.randint(0, 1), shown + rng.randint(0, 1))
        found.append(ClockReading(at=Bounds(at - rng.randint(0, 3), at + rng.randint(0, 1)), stood=stood))
    return found


def ways(readings: Sequence[ClockReading], rate_max: Fraction, span: int) -> Iterator[tuple[int, ...]]:
    """Every way of setting the clock at whole instants, with the fewest times."""
    fits: dict[tuple[int, int], bool] = {}

    def fit(begin: int, end: int) -> bool:
        mine = [it for it in readings if it.at.lo >= begin and it.at.hi < end]
        if (begin, end) not in fits:
            fits[begin, end] = not mine or lines_through(mine, rate_max) is not None
        return fits[begin, end]

    for count in range(len(readings) + 1):
        found = False
        for when in combinations(range(-4, span + 4), count):
            if all(fit(begin, end) for begin, end in pairwise((-FOREVER, *when, FOREVER))):
                found = True
                yield when
        if found:
            return


@pytest.mark.parametrize("seed", range(150))
def test_against_every_way_of_setting_it(seed: int) -> None:
    rng = random.Random(seed)
    span, rate_max = 14, Fraction(rng.choice([0, 1, 3]), 10)
    readings = drawn(rng, span)
    history = clock_history(readings, rate_max)
    possible = list(ways(readings, rate_max, span))
    assert {len(it) for it in possible} == {len(history.settings)}
    for number, one in enumerate(history.settings):
        assert one.at == Bounds(min(it[number] for it in possible), max(it[number] for it in possible))


# --- a limit --------------------------------------------------------------------------------------


def history_of(*ahead: float, apart_s: float = 10.0) -> ClockHistory:
    return clock_history([read_at(apart_s * number, it) for number, it in enumerate(ahead)])


def test_a_limit_is_kept_broken_or_open() -> None:
    right = history_of(*[0.2] * 40)
    assert stays_within(right, 2 * S, 0, hours_apart=False) is Within.YES
    assert stays_within(right, S // 10, 0, hours_apart=False) is Within.UNTOLD
    assert stays_within(history_of(*[9.2] * 40), 2 * S, 0, hours_apart=False) is Within.NO
    assert stays_within(None, 2 * S, 0, hours_apart=False) is Within.UNTOLD


def test_our_own_error_proves_so_much_less() -> None:
    off = history_of(*[9.2] * 40)
    assert stays_within(off, 2 * S, 5 * S, hours_apart=False) is Within.NO
    assert stays_within(off, 2 * S, 9 * S, hours_apart=False) is Within.UNTOLD
    assert stays_within(history_of(*[0.2] * 40), 2 * S, 15 * S // 10, hours_apart=False) is Within.UNTOLD


def test_off_for_a_while_is_off() -> None:
    assert stays_within(history_of(*[0.2] * 20, *[30.2] * 5, *[0.2] * 20), 2 * S, 0, hours_apart=False) is Within.NO


def test_an_hour_may_be_right() -> None:
    changed = history_of(*[0.2] * 20, *[3600.2] * 20)
    assert changed.settings[0].is_hour
    assert changed.settings[0].by.width < HOUR_NS
    assert stays_within(changed, 2 * S, 0, hours_apart=True) is Within.UNTOLD
    assert stays_within(changed, 2 * S, 0, hours_apart=False) is Within.NO
    assert stays_within(history_of(*[0.2] * 20, *[3605.2] * 20), 2 * S, 0, hours_apart=True) is Within.NO


def test_what_drifts_out_of_a_limit_between_its_times_is_not_within() -> None:
    """Two times a day apart: in between it cannot be farther off than at either, but only the drift says so."""
    assert stays_within(history_of(0.2, 0.2, apart_s=86_400), 2 * S, 0, hours_apart=False) is Within.YES
    assert stays_within(history_of(0.2, 2.9, apart_s=86_400), 2 * S, 0, hours_apart=False) is Within.UNTOLD
