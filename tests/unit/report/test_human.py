"""What a reader sees is never narrower, and never on another side of a limit, than what was found."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.core.instants import FOREVER, Bounds
from harness.report import human

MS, S = 1_000_000, 1_000_000_000
UNITS = {"s": S, "ms": MS, "\N{MICRO SIGN}s": 1_000, "ns": 1}
spans = st.integers(min_value=-(10**13), max_value=10**13)


def _read(text: str) -> tuple[Fraction, Fraction]:
    numbers, unit = re.fullmatch(r"(-?[\d.]+(?: to -?[\d.]+)?) (\S+)", text).groups()  # type: ignore[union-attr]
    ends = [Fraction(number) * UNITS[unit] for number in numbers.split(" to ")]
    return ends[0], ends[-1]


@pytest.mark.parametrize(
    ("lo", "hi", "text"),
    [
        (410 * MS, 520 * MS, "0.41 to 0.52 s"),
        (411_004_511, 519_000_001, "0.41 to 0.52 s"),
        (0, 310 * MS, "0 to 0.31 s"),
        (0, 31 * MS, "0 to 31 ms"),
        (0, 0, "0 s"),
        (-2 * MS, 3 * MS, "-2.0 to 3.0 ms"),
        (200, 30 * S, "0 to 30 s"),
        (2_310_400_000, FOREVER, "at least 2.31 s"),
        (-FOREVER, 40 * MS, "at most 40.0 ms"),
        (-FOREVER, FOREVER, "not known"),
        (500 * MS, 500 * MS, "0.500 s"),
    ],
)
def test_bounds_as_people_read_them(lo: int, hi: int, text: str) -> None:
    assert human.bounds(Bounds(lo, hi)) == text


def test_a_latency_just_over_its_limit_does_not_look_as_if_it_met_it() -> None:
    assert human.bounds(Bounds(500 * MS + 400_000, 900 * MS)) == "0.50 to 0.90 s"
    assert human.bounds(Bounds(500 * MS + 400_000, 900 * MS), against_ns=500 * MS) == "0.5004 to 0.9000 s"


@given(first=spans, second=spans)
def test_the_bounds_shown_hold_the_bounds_found(first: int, second: int) -> None:
    value = Bounds(min(first, second), max(first, second))
    low, high = _read(human.bounds(value))
    assert low <= value.lo <= value.hi <= high


@given(first=spans, second=spans, limit=spans)
def test_the_bounds_shown_lie_on_the_same_side_of_the_limit(first: int, second: int, limit: int) -> None:
    value = Bounds(min(first, second), max(first, second))
    low, high = _read(human.bounds(value, against_ns=limit))
    assert low <= value.lo <= value.hi <= high
    assert (low > limit) == (value.lo > limit)
    assert (high > limit) == (value.hi > limit)


@given(spans)
def test_a_set_duration_is_shown_exactly(ns: int) -> None:
    low, high = _read(human.duration(ns))
    assert low == high == ns


@given(st.integers(min_value=0, max_value=599 * S))
def test_a_measured_duration_is_rounded_up_by_less_than_a_hundredth(ns: int) -> None:
    shown, _ = _read(human.measured(ns))
    assert ns <= shown <= ns + max(Fraction(1), Fraction(ns, 100))


def test_long_durations_in_minutes_and_hours() -> None:
    assert human.measured(724 * S) == "12 min 04 s"
    assert human.measured(724 * S + 1) == "12 min 05 s"
    assert human.measured(3_600 * S + 61 * S) == "1 h 01 min"
    assert human.measured(FOREVER) == "not known"


@given(part=st.integers(0, 10**12), whole=st.integers(1, 10**12))
def test_a_share_is_whole_only_where_nothing_is_missing(part: int, whole: int) -> None:
    assume(part <= whole)
    assert (human.share(part, whole) == "100 %") == (part == whole)


def test_times_say_their_zone() -> None:
    at = 1_795_564_267_482_113_007
    assert human.utc(at) == "2026-11-24 23:51:07 UTC"
    assert human.local(at, 3600) == "2026-11-25 00:51:07 UTC+01:00"
    assert human.local(at, -12_600) == "2026-11-24 20:21:07 UTC-03:30"
    assert human.clock(at, 3600) == "00:51:07.482"
    assert human.utc(2**80) == f"{2**80} ns since 1970 UTC"
