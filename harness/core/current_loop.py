"""A 4-20 mA current loop as its analog input reads it: raw to mA, to units, to on or off. Pure arithmetic.

Linear between 4 and 20 mA, and on beyond both ends (IEC 60381-1, from memory). Ranges of the current after NAMUR NE 43,
as given in trade literature (the edition of 2021 was not at hand): 3.8 to 20.5 mA is measurement; 3.6 mA and less, and
21.0 mA and more, is the signal of a failure, once it has lasted for 4 s; between measurement and failure it is neither.

What is read is not the current: that lies within half the resolution plus the accuracy on either side, and beyond the
end at which the input clips it can lie anywhere. A state is told only where every current that it can be agrees;
otherwise the reading is neither on nor off, and the sample is left out.

A current in a failure range says nothing of the value: a broken wire is no low level. Between measurement and failure
the current is no exact measurement, but it does say on which side of the range the value lies.
"""

from __future__ import annotations

import math
from enum import StrEnum, unique
from fractions import Fraction
from functools import lru_cache
from typing import Final

from harness.core.places import CurrentLoop, OnWhen

FAILURE_LOW_MA: Final = Fraction("3.6")
VALID_LOW_MA: Final = Fraction("3.8")
VALID_HIGH_MA: Final = Fraction("20.5")
FAILURE_HIGH_MA: Final = Fraction("21.0")
"""Ends of the ranges; each belongs to the range that it names (NAMUR NE 43, as given in trade literature)."""

ZERO_MA: Final = 4
SPAN_MA: Final = 16

Current = Fraction | float
"""In mA. Exact, so that a reading on the end of a range falls on the right side; a float only where it is infinite."""


@unique
class CurrentRange(StrEnum):
    """What a current means (NAMUR NE 43, as given in trade literature)."""

    FAILURE_LOW = "failure low"
    INDETERMINATE_LOW = "between failure low and measurement"
    MEASUREMENT = "measurement"
    INDETERMINATE_HIGH = "between measurement and failure high"
    FAILURE_HIGH = "failure high"


def range_of(current_ma: Current) -> CurrentRange:
    """The range that a current is in. A float is taken as the decimal that it was written as."""
    exact = current_ma if isinstance(current_ma, Fraction) or math.isinf(current_ma) else _decimal(current_ma)
    if exact <= FAILURE_LOW_MA:
        return CurrentRange.FAILURE_LOW
    if exact < VALID_LOW_MA:
        return CurrentRange.INDETERMINATE_LOW
    if exact <= VALID_HIGH_MA:
        return CurrentRange.MEASUREMENT
    return CurrentRange.INDETERMINATE_HIGH if exact < FAILURE_HIGH_MA else CurrentRange.FAILURE_HIGH


def current_ma(loop: CurrentLoop, raw: float) -> Fraction:
    """The current in mA that a finite raw reading stands for. ZeroDivisionError where the loop has no span."""
    zero, span = _decimal(loop.raw_at_4), _decimal(loop.raw_at_20) - _decimal(loop.raw_at_4)
    return ZERO_MA + SPAN_MA * (_decimal(raw) - zero) / span


def value_of(loop: CurrentLoop, raw: float) -> float:
    """The value that a raw reading stands for, in the loop's units; what it means in a failure range is nothing."""
    span = _decimal(loop.value_at_20) - _decimal(loop.value_at_4)
    return float(_decimal(loop.value_at_4) + span * (current_ma(loop, raw) - ZERO_MA) / SPAN_MA)


def current_of_value(loop: CurrentLoop, value: float) -> Fraction:
    """The current by which the loop tells ``value``, in mA. ZeroDivisionError where the loop has no span."""
    span = _decimal(loop.value_at_20) - _decimal(loop.value_at_4)
    return ZERO_MA + SPAN_MA * (_decimal(value) - _decimal(loop.value_at_4)) / span


def uncertainty_ma(loop: CurrentLoop) -> Fraction:
    """How far the true current can be from what was read, on either side: half the resolution, and the accuracy."""
    return _decimal(loop.resolution_ma) / 2 + _decimal(loop.accuracy_ma)


def current_bounds(loop: CurrentLoop, raw: float) -> tuple[Current, Current]:
    """The lowest and the highest current that may have been read as ``raw``, in mA; infinite where the input clips."""
    read, within = current_ma(loop, raw), uncertainty_ma(loop)
    bottom, top = _decimal(loop.input_min_ma), _decimal(loop.input_max_ma)
    lo: Current = min(read, top) - within
    hi: Current = max(read, bottom) + within
    if read + within >= top:
        hi = math.inf
    if read - within <= bottom:
        lo = -math.inf
    return lo, hi


def is_on(loop: CurrentLoop, on_when: OnWhen, threshold: float | None, raw: float) -> bool | None:
    """Whether a reading counts as on; None where it does not tell.

    For a failure range: whether the current is in it, whatever the persistence; that takes time, and is judged over
    many readings. ValueError where ``on_when`` is not for loops, or lacks its threshold.
    """
    lo, hi = current_bounds(loop, raw)
    if on_when is OnWhen.FAILURE_HIGH:
        return _agreed(on=lo >= FAILURE_HIGH_MA, off=hi < FAILURE_HIGH_MA)
    if on_when is OnWhen.FAILURE_LOW:
        return _agreed(on=hi <= FAILURE_LOW_MA, off=lo > FAILURE_LOW_MA)
    if on_when not in (OnWhen.ABOVE, OnWhen.BELOW) or threshold is None:
        asked = f"on_when={on_when.value} threshold={threshold}"
        raise ValueError(f"{asked}: a current loop is on above or below a threshold, or in a failure range")
    if lo <= FAILURE_LOW_MA or hi >= FAILURE_HIGH_MA:
        return None
    limit = current_of_value(loop, threshold)
    if _on_is_up(loop, on_when):
        return _agreed(on=lo > limit, off=hi <= limit)
    return _agreed(on=hi < limit, off=lo >= limit)


def is_failure(on_when: OnWhen) -> bool:
    """True for the two conditions that have to persist before they count."""
    return on_when in (OnWhen.FAILURE_HIGH, OnWhen.FAILURE_LOW)


def objection(loop: CurrentLoop, on_when: OnWhen, threshold: float | None) -> str:
    """Why this loop could never tell on from off, in words, with what to do; '' where it can."""
    return (
        _bad_scale(loop)
        or _bad_condition(on_when, threshold)
        or (_blind_to_failure(loop, on_when) if is_failure(on_when) else _blind_to_limit(loop, on_when, threshold))
    )


def _bad_scale(loop: CurrentLoop) -> str:
    numbers = {
        "raw at 4 mA": loop.raw_at_4,
        "raw at 20 mA": loop.raw_at_20,
        "value at 4 mA": loop.value_at_4,
        "value at 20 mA": loop.value_at_20,
        "input from": loop.input_min_ma,
        "input to": loop.input_max_ma,
        "resolution": loop.resolution_ma,
        "accuracy": loop.accuracy_ma,
    }
    for name, number in numbers.items():
        if not math.isfinite(number):
            return f"loop {loop.name}: {name}={number}: expected a finite number"
    for what, low, high in (
        ("raw", loop.raw_at_4, loop.raw_at_20),
        ("value", loop.value_at_4, loop.value_at_20),
    ):
        if low == high:
            return f"loop {loop.name}: {what} at 4 mA and at 20 mA are both {low:g}: expected two different numbers"
    if loop.input_min_ma >= loop.input_max_ma:
        span = f"an input from {loop.input_min_ma:g} to {loop.input_max_ma:g} mA"
        return f"loop {loop.name}: {span}: expected the lower end first"
    if loop.resolution_ma < 0 or loop.accuracy_ma < 0:
        asked = f"resolution={loop.resolution_ma:g} accuracy={loop.accuracy_ma:g}"
        return f"loop {loop.name}: {asked}: expected mA from 0 up"
    return ""


def _bad_condition(on_when: OnWhen, threshold: float | None) -> str:
    if is_failure(on_when):
        if threshold is None:
            return ""
        return f"{on_when.value} with a threshold of {threshold:g}: NAMUR NE 43 sets where it begins; leave it out"
    if on_when not in (OnWhen.ABOVE, OnWhen.BELOW):
        return f"on when {on_when.value}: expected above or below a threshold, failure-high or failure-low"
    if threshold is None or not math.isfinite(threshold):
        return f"on when {on_when.value} without a threshold: write the number in the loop's units, such as > 90"
    return ""


def _blind_to_failure(loop: CurrentLoop, on_when: OnWhen) -> str:
    """One whole resolution beyond the limit: the highest reading of an input lies up to that below its end."""
    room = _decimal(loop.resolution_ma) + _decimal(loop.accuracy_ma)
    upscale = on_when is OnWhen.FAILURE_HIGH
    if upscale and _decimal(loop.input_max_ma) < FAILURE_HIGH_MA + room:
        end, limit, side, wanted = loop.input_max_ma, "21.0 mA and more", "up to at least", FAILURE_HIGH_MA + room
    elif not upscale and _decimal(loop.input_min_ma) > FAILURE_LOW_MA - room:
        end, limit, side, wanted = loop.input_min_ma, "3.6 mA and less", "down to at most", FAILURE_LOW_MA - room
    else:
        return ""
    way = "an upscale" if upscale else "a downscale"
    return (
        f"loop {loop.name}: its input clips at {end:g} mA and cannot certify {way} failure ({limit}, NAMUR NE 43): "
        f"use an input that reads {side} {float(wanted):.4g} mA, or leave this alarm out"
    )


def _blind_to_limit(loop: CurrentLoop, on_when: OnWhen, threshold: float | None) -> str:
    assert threshold is not None  # noqa: S101 - held by _bad_condition
    limit, within = current_of_value(loop, threshold), 2 * uncertainty_ma(loop)
    where = (
        f"loop {loop.name}: {on_when.value} {threshold:g}{f' {loop.units}' if loop.units else ''} is {_text(limit)} mA"
    )
    if not VALID_LOW_MA <= limit <= VALID_HIGH_MA:
        return f"{where}: expected 3.8 to 20.5 mA, which is what a loop measures with (NAMUR NE 43); look at the scale"
    bottom = max(FAILURE_LOW_MA, _decimal(loop.input_min_ma))
    top = min(FAILURE_HIGH_MA, _decimal(loop.input_max_ma))
    if bottom + within < limit < top - within:
        return ""
    return (
        f"{where}: its input tells currents apart from {float(bottom):g} to {float(top):g} mA, each within "
        f"{float(uncertainty_ma(loop)):.4g} mA: no reading would be surely on one side; use a finer or wider input"
    )


def _on_is_up(loop: CurrentLoop, on_when: OnWhen) -> bool:
    """True where on is at the higher currents; a loop may well fall as its value rises."""
    return (on_when is OnWhen.ABOVE) is (loop.value_at_20 > loop.value_at_4)


def _agreed(*, on: bool, off: bool) -> bool | None:
    return True if on else False if off else None


def _text(current: Fraction) -> str:
    return f"{float(current):.4g}"


@lru_cache(maxsize=4096)
def _decimal(value: float) -> Fraction:
    """The number that was typed, and not the binary one nearest to it."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)
