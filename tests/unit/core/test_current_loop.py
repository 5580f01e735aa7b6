"""The arithmetic of current loops: NAMUR NE 43 as given in trade literature, shunts, converters, objections."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from harness.core.current_loop import (
    CurrentRange,
    current_bounds,
    current_ma,
    current_of_value,
    is_on,
    objection,
    range_of,
    uncertainty_ma,
    value_of,
)
from harness.core.places import CurrentLoop, OnWhen

LEVEL = CurrentLoop(
    name="level", raw_at_4=4, raw_at_20=20, value_at_4=0, value_at_20=100, units="%",
    input_min_ma=0, input_max_ma=24, resolution_ma=0,
)  # fmt: skip
COUNTS = replace(LEVEL, raw_at_4=682.5, raw_at_20=3412.5, resolution_ma=0.006, accuracy_ma=0.006)
"""A 12-bit converter over 0 to 24 mA: 4095 / 24 counts a mA."""

F_LOW, F_HIGH = CurrentRange.FAILURE_LOW, CurrentRange.FAILURE_HIGH
LOW, MEASURED, HIGH = CurrentRange.INDETERMINATE_LOW, CurrentRange.MEASUREMENT, CurrentRange.INDETERMINATE_HIGH


@pytest.mark.parametrize(
    ("current", "expected"),
    [
        (0.0, F_LOW), (3.59, F_LOW), (3.60, F_LOW), (3.61, LOW), (3.79, LOW), (3.80, MEASURED), (4.0, MEASURED),
        (12.0, MEASURED), (20.0, MEASURED), (20.5, MEASURED), (20.51, HIGH), (20.99, HIGH), (21.0, F_HIGH),
        (22.0, F_HIGH), (math.inf, F_HIGH), (-math.inf, F_LOW),
    ],
)  # fmt: skip
def test_the_ends_of_the_ranges(current: float, expected: CurrentRange) -> None:
    assert range_of(current) is expected
    if math.isfinite(current):
        assert range_of(current_ma(LEVEL, current)) is expected, "read in mA, it is the same"


@pytest.mark.parametrize(
    ("current", "failed_low", "failed_high"),
    [(3.59, True, False), (3.6, True, False), (3.61, False, False), (20.99, False, False), (21.0, False, True)],
)
def test_failure_by_a_perfect_input(current: float, failed_low: bool, failed_high: bool) -> None:
    assert is_on(LEVEL, OnWhen.FAILURE_LOW, None, current) is failed_low
    assert is_on(LEVEL, OnWhen.FAILURE_HIGH, None, current) is failed_high


@pytest.mark.parametrize(
    ("volts", "current", "percent"),
    [
        (0.900, 3.6, -2.5), (0.950, 3.8, -1.25), (1.000, 4, 0), (3.000, 12, 50), (5.000, 20, 100),
        (5.125, 20.5, 103.125), (5.250, 21.0, 106.25), (5.500, 22, 112.5),
    ],
)  # fmt: skip
def test_a_shunt_of_250_ohm(volts: float, current: float, percent: float) -> None:
    """V = I R, and 0 to 100 % over 4 to 20 mA."""
    shunt = replace(LEVEL, raw_at_4=1.0, raw_at_20=5.0)
    assert current_ma(shunt, volts) == Fraction(repr(float(current)))
    assert value_of(shunt, volts) == percent
    assert current_of_value(shunt, percent) == current_ma(shunt, volts)


def test_a_shunt_of_249_ohm_taken_for_250() -> None:
    taken = replace(LEVEL, raw_at_4=1.0, raw_at_20=5.0)
    assert float(current_ma(taken, 0.249 * 20)) == pytest.approx(20 * (1 - 0.004), abs=1e-12)
    assert math.isclose(0.249 * 21, 5.229)
    assert range_of(current_ma(taken, 5.229)) is HIGH, "a failure is not seen as one: the scale has to be right"


@pytest.mark.parametrize(
    ("bits", "volts", "lsb_mv", "lsb_ma", "span_percent", "counts", "counts_low"),
    [
        (8, 5, 19.53125, 0.078125, 0.48828, 204.8, 2.56),
        (10, 5, 4.88281, 0.0195313, 0.12207, 819.2, 10.24),
        (12, 10, 2.44141, 0.0097656, 0.06104, 1638.4, 20.48),
        (16, 10, 0.152588, 0.00061035, 0.00381, 26214.4, 327.68),
    ],
)
def test_converters(
    bits: int, volts: float, lsb_mv: float, lsb_ma: float, span_percent: float, counts: float, counts_low: float
) -> None:
    """One count of an n-bit converter over a span of volts at 250 ohm, in mA and in percent of 4 to 20 mA."""
    count_v = volts / 2**bits
    loop = replace(LEVEL, raw_at_4=1.0 / count_v, raw_at_20=5.0 / count_v, resolution_ma=count_v / 250 * 1000)
    assert count_v * 1000 == pytest.approx(lsb_mv, rel=1e-5)
    one = current_ma(loop, 1001) - current_ma(loop, 1000)
    assert float(one) == pytest.approx(lsb_ma, rel=1e-4)
    assert value_of(loop, 1001) - value_of(loop, 1000) == pytest.approx(span_percent, rel=2e-3)
    assert loop.raw_at_20 - loop.raw_at_4 == pytest.approx(counts)
    assert 0.2 / float(one) == pytest.approx(counts_low), "counts from 3.6 to 3.8 mA"
    assert float(uncertainty_ma(loop)) == pytest.approx(lsb_ma / 2, rel=1e-4), "half a count"


def test_resolution_and_accuracy_widen_what_was_read() -> None:
    loop = replace(LEVEL, resolution_ma=0.02, accuracy_ma=0.01)
    assert current_bounds(loop, 12.0) == (Fraction("11.98"), Fraction("12.02"))
    states = [is_on(loop, OnWhen.ABOVE, 50, read) for read in (11.97, 11.98, 11.99, 12.02, 12.03)]
    assert states == [False, False, None, None, True]
    states = [is_on(loop, OnWhen.BELOW, 50, read) for read in (11.97, 11.98, 12.01, 12.02, 12.03)]
    assert states == [True, None, None, False, False]
    states = [is_on(loop, OnWhen.FAILURE_HIGH, None, read) for read in (20.97, 20.98, 21.01, 21.02)]
    assert states == [False, None, None, True]
    states = [is_on(loop, OnWhen.FAILURE_LOW, None, read) for read in (3.58, 3.59, 3.62, 3.63)]
    assert states == [True, None, None, False]


def test_a_loop_that_falls_as_its_value_rises() -> None:
    falling = replace(LEVEL, value_at_4=100, value_at_20=0, resolution_ma=0.02)
    assert [is_on(falling, OnWhen.ABOVE, 90, read) for read in (5.5, 5.6, 5.7)] == [True, None, False]
    assert [is_on(falling, OnWhen.BELOW, 90, read) for read in (5.5, 5.6, 5.7)] == [False, None, True]
    assert value_of(falling, 5.6) == 90


def test_a_failure_is_no_value() -> None:
    """A broken wire is no low level, and an upscale failure no high one; beyond the range it is still on that side."""
    assert [is_on(LEVEL, OnWhen.BELOW, 8, read) for read in (0, 3.6, 3.61, 3.8, 5.0)] == [None, None, True, True, True]
    assert [is_on(LEVEL, OnWhen.ABOVE, 8, read) for read in (0, 3.6, 3.61, 3.8)] == [None, None, False, False]
    assert [is_on(LEVEL, OnWhen.ABOVE, 92, read) for read in (20.5, 20.99, 21.0, 23)] == [True, True, None, None]
    assert [is_on(LEVEL, OnWhen.BELOW, 92, read) for read in (20.5, 20.99, 21.0, 23)] == [False, False, None, None]


def test_an_input_that_clips_tells_nothing_beyond() -> None:
    """A 0-5 V input over 250 ohm ends at 20 mA: full scale and an upscale failure read the same."""
    clipped = replace(LEVEL, input_max_ma=20, resolution_ma=0.01)
    assert current_bounds(clipped, 20.0) == (Fraction("19.995"), math.inf)
    assert is_on(clipped, OnWhen.FAILURE_HIGH, None, 20.0) is None
    assert is_on(clipped, OnWhen.FAILURE_HIGH, None, 21.5) is None, "it cannot read that: the declaration stands"
    assert is_on(clipped, OnWhen.ABOVE, 90, 20.0) is None
    assert is_on(clipped, OnWhen.ABOVE, 90, 19.9) is True
    cut = replace(LEVEL, input_min_ma=4, resolution_ma=0.01)
    assert current_bounds(cut, 4.0) == (-math.inf, Fraction("4.005"))
    assert is_on(cut, OnWhen.FAILURE_LOW, None, 4.0) is None
    assert is_on(cut, OnWhen.BELOW, 10, 4.0) is None
    assert is_on(cut, OnWhen.BELOW, 10, 4.1) is True


def test_other_conditions_are_none_for_a_loop() -> None:
    for on_when, threshold in ((OnWhen.SET, None), (OnWhen.EQUAL, 3.0), (OnWhen.ABOVE, None)):
        with pytest.raises(ValueError, match="current loop"):
            is_on(LEVEL, on_when, threshold, 12.0)


@pytest.mark.parametrize(
    ("changed", "on_when", "threshold", "words"),
    [
        ({}, "above", 92.0, ""),
        ({}, "below", 8.0, ""),
        ({}, "failure-low", None, ""),
        ({}, "failure-high", None, ""),
        ({"input_max_ma": 20}, "failure-high", None, "clips at 20 mA and cannot certify an upscale failure"),
        ({"input_max_ma": 21}, "failure-high", None, "reads up to at least 21.01 mA"),
        ({"input_max_ma": 21.011}, "failure-high", None, "cannot certify"),
        ({"input_max_ma": 21.012}, "failure-high", None, ""),
        ({"input_max_ma": 20}, "failure-low", None, ""),
        ({"input_min_ma": 4}, "failure-low", None, "clips at 4 mA and cannot certify a downscale failure"),
        ({"input_min_ma": 3.589}, "failure-low", None, "reads down to at most 3.588 mA"),
        ({"input_min_ma": 3.588}, "failure-low", None, ""),
        ({"input_max_ma": 20}, "above", 99.9, "no reading would be surely on one side"),
        ({"input_max_ma": 20}, "above", 97.0, ""),
        ({"input_min_ma": 4}, "below", 0.1, "no reading would be surely on one side"),
        ({"resolution_ma": 10.0}, "above", 50.0, "no reading would be surely on one side"),
        ({}, "above", 104.0, "above 104 % is 20.64 mA: expected 3.8 to 20.5 mA"),
        ({}, "below", -2.0, "below -2 % is 3.68 mA: expected 3.8 to 20.5 mA"),
        ({}, "above", None, "without a threshold"),
        ({}, "set", None, "expected above or below a threshold, failure-high or failure-low"),
        ({}, "equal", 3.0, "expected above or below a threshold"),
        ({}, "failure-low", 3.5, "NAMUR NE 43 sets where it begins; leave it out"),
        ({"raw_at_20": 682.5}, "above", 50.0, "raw at 4 mA and at 20 mA are both 682.5"),
        ({"value_at_20": 0}, "above", 50.0, "value at 4 mA and at 20 mA are both 0"),
        ({"input_min_ma": 30}, "above", 50.0, "an input from 30 to 24 mA: expected the lower end first"),
        ({"resolution_ma": -1.0}, "above", 50.0, "expected mA from 0 up"),
        ({"accuracy_ma": math.nan}, "above", 50.0, "accuracy=nan: expected a finite number"),
    ],
)
def test_objections(changed: dict[str, Any], on_when: str, threshold: float | None, words: str) -> None:
    said = objection(replace(COUNTS, **changed), OnWhen(on_when), threshold)
    assert (words in said) if words else not said, said


def test_what_is_not_objected_to_can_be_both() -> None:
    """Where there is no objection, some reading is surely on, and some is surely off."""
    checked = 0
    coarse = replace(LEVEL, raw_at_4=170.5, raw_at_20=852.5, resolution_ma=0.024)
    for top in (18, 20, 21.0, 21.03, 24):
        for bottom in (0, 3.5, 3.59, 4.0):
            loop = replace(coarse, input_min_ma=bottom, input_max_ma=top)
            reads = [raw for raw in range(1024) if bottom <= current_ma(loop, raw) <= top]
            for on_when, threshold in [("failure-high", None), ("failure-low", None),
                                       *(("above", at) for at in (0.5, 50, 99, 102)), ("below", 2)]:  # fmt: skip
                states = {is_on(loop, OnWhen(on_when), threshold, raw) for raw in reads}
                if not objection(loop, OnWhen(on_when), threshold):
                    assert {True, False} <= states, (top, bottom, on_when, threshold)
                    checked += 1
                elif on_when.startswith("failure") and top < 21:
                    assert True not in states or on_when == "failure-low"
    assert checked > 60
