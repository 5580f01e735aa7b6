"""All straight lines of a foreign clock: by hand, and against a linear program of another library."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import product

import pytest
from scipy.optimize import linprog

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.measure.clock_line import ClockReading, lines_through

S, MS = NS_PER_S, NS_PER_MS
PPM = Fraction(1, 1_000_000)


def reading(at: tuple[int, int], stood: tuple[int, int]) -> ClockReading:
    return ClockReading(at=Bounds(*at), stood=Bounds(*stood))


def test_one_reading_bounds_the_offset_and_no_drift() -> None:
    lines = lines_through([reading((100, 110), (150, 155))], Fraction(0))
    assert lines is not None
    assert lines.offset_at(100) == lines.offset_at(10_000) == Bounds(40, 55) == reading((100, 110), (150, 155)).offset
    free = lines_through([reading((100, 110), (150, 155))])
    assert free is not None
    assert free.is_bounded == (False, False)
    assert free.rate == (-1_000 * PPM, 1_000 * PPM)


@pytest.mark.parametrize("stamps", [(100_000, 105_020, 105_025, 100_045), (10_000, 10_200, 10_300, 10_500)])
def test_a_question_and_its_answer_are_a_reading(stamps: tuple[int, int, int, int]) -> None:
    """RFC 5905, 8: the other clock less ours is in [T3 - T4, T2 - T1]; what came in at T2 and was sent at T3 was read
    between.
    """
    asked, received, sent, answered = (it * MS for it in stamps)
    # At the instant of sending, which lies in [T1 + (T3 - T2), T4], the clock stood at T3.
    lines = lines_through([reading((asked + sent - received, answered), (sent, sent))], Fraction(0))
    assert lines is not None
    assert lines.offset_at(asked) == Bounds(sent - answered, received - asked)


def test_two_readings_far_apart_bound_the_drift() -> None:
    """1 s of uncertainty each, 10,000 s apart, 2 s gained: between 100 and 300 ppm."""
    lines = lines_through([reading((0, 0), (0, 1 * S)), reading((10_000 * S, 10_000 * S), (10_002 * S, 10_003 * S))])
    assert lines is not None
    assert lines.rate == (100 * PPM, 300 * PPM)
    assert lines.is_bounded == (True, True)
    assert lines.offset_at(0) == Bounds(0, S)
    assert lines.offset_at(10_000 * S) == Bounds(2 * S, 3 * S)
    assert lines.offset_at(5_000 * S) == Bounds(1 * S, 2 * S)


def test_what_only_came_in_by_an_instant_bounds_one_side() -> None:
    lines = lines_through([reading((-FOREVER, 100), (70, 80))])
    assert lines is not None
    assert lines.offset_at(100) == Bounds(-30, FOREVER)
    assert lines.is_bounded == (False, False)


def test_times_that_no_line_fits() -> None:
    apart = [reading((0, 0), (0, 0)), reading((1_000 * S, 1_000 * S), (1_002 * S, 1_002 * S))]
    assert lines_through(apart) is None
    exactly = lines_through(apart, Fraction(2, 1_000))
    assert exactly is not None
    assert exactly.rate == (Fraction(2, 1_000), Fraction(2, 1_000))
    assert exactly.is_bounded == (True, False)


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ValueError, match="at least one"):
        lines_through([])
    with pytest.raises(ValueError, match="rate_max=1: expected"):
        lines_through([reading((0, 0), (0, 0))], Fraction(1))


def drawn(rng: random.Random, count: int) -> list[ClockReading]:
    """Readings of a clock that is not always straight."""
    rate, bent, found = rng.uniform(-0.4, 0.4), rng.choice([0, 0, 30, 300]), []
    for _ in range(count):
        at = rng.randint(0, 1_000)
        lo, hi = at - rng.randint(0, 40), at + rng.randint(0, 40)
        stood = round(at * (1 + rate)) + 50 + rng.randint(-bent, bent)
        stood_lo = stood - rng.randint(0, 30)
        found.append(reading((-FOREVER if rng.random() < 0.15 else lo, hi), (stood_lo, stood + rng.randint(0, 30))))
    return found


@pytest.mark.parametrize("seed", range(120))
def test_against_a_linear_program(seed: int) -> None:
    """The same ends from SciPy's HiGHS, to what floating point gives."""
    rng = random.Random(seed)
    readings = drawn(rng, rng.randint(1, 25))
    rate_max = Fraction(rng.randint(1, 9), 10)
    rows = [(-1.0, -float(it.at.hi), -float(it.stood.lo - it.at.hi)) for it in readings]
    rows += [(1.0, float(it.at.lo), float(it.stood.hi - it.at.lo)) for it in readings if not it.at.is_open_below]

    def best(a: float, b: float) -> float | None:
        bounds = [(None, None), (-float(rate_max), float(rate_max))]
        done = linprog([a, b], A_ub=[row[:2] for row in rows], b_ub=[row[2] for row in rows], bounds=bounds)
        return None if done.status != 0 else float(done.fun)

    lines = lines_through(readings, rate_max)
    least = best(0.0, 1.0)
    assert (lines is None) == (least is None)
    if lines is None or least is None:
        return
    greatest = best(0.0, -1.0)
    assert greatest is not None
    assert [float(it) for it in lines.rate] == pytest.approx([least, -greatest], abs=1e-7)
    for instant in (-300, 0, 500, 1_700):
        low, high = best(1.0, float(instant)), best(-1.0, -float(instant))
        found = lines.offset_at(instant)
        assert found.is_open_above == (high is None)
        if low is not None and not found.is_open_below:
            assert found.lo <= low + 1e-6
            assert found.lo >= low - 1 - 1e-6
        if high is not None:
            assert found.hi >= -high - 1e-6
            assert found.hi <= -high + 1 + 1e-6


@pytest.mark.parametrize("seed", range(60))
def test_against_every_line_of_a_small_grid(seed: int) -> None:
    """A clock that steps through whole instants, by every line with whole offsets at both ends of 12 instants."""
    rng = random.Random(seed)
    span = 12
    readings = []
    for _ in range(rng.randint(1, 5)):
        lo = rng.randint(0, span)
        stood = rng.randint(0, span)
        readings.append(reading((lo, rng.randint(lo, span)), (stood, stood + rng.randint(0, 4))))
    rate_max = Fraction(11, 12)
    fitting = []
    for first, last in product(range(-30, 31), repeat=2):
        rate = Fraction(last - first, span)
        if abs(rate) <= rate_max and all(passes(first, rate, it) for it in readings):
            fitting.append((first, rate, last))
    lines = lines_through(readings, rate_max)
    if lines is None:
        assert not fitting
        return
    for first, rate, last in fitting:
        assert lines.rate[0] <= rate <= lines.rate[1]
        assert first in lines.offset_at(0)
        assert last in lines.offset_at(span)
    for corner_rate, a in (*lines.low, *lines.high):
        assert all(passes(a - corner_rate * lines.origin, corner_rate, it) for it in readings)


def passes(offset: Fraction | int, rate: Fraction, it: ClockReading) -> bool:
    """Whether the clock offset + rate t + t is in the reading's box at some instant: it goes forward."""
    at_lo, at_hi = (offset + rate * t + t for t in (it.at.lo, it.at.hi))
    return at_lo <= it.stood.hi and at_hi >= it.stood.lo
