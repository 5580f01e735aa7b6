"""Offsets, drifts and settings of clocks in words: what is shown always holds what was found."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.measure.clock_line import ClockLines
from harness.measure.clock_steps import ClockSet
from harness.report.clock_document import ClocksDocument
from harness.report.clock_words import drift_words, offset_words, set_words

S, MS = NS_PER_S, NS_PER_MS
PPM = Fraction(1, 1_000_000)
UNITS = {"ns": 1, "\N{MICRO SIGN}s": 1_000, "ms": MS, "s": S, "min": 60 * S, "h": 3600 * S}


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (3_414 * MS, 3_966 * MS, "3.41 to 3.97 s ahead"),
        (-3_966 * MS, -3_414 * MS, "3.41 to 3.97 s behind"),
        (-588_100_000, 342_900_000, "589 ms behind to 343 ms ahead"),
        (0, 7 * MS, "0 to 7.0 ms ahead"),
        (3_599 * S + 1, 3_602 * S - 1, "59 min 59 s to 1 h 0 min 2 s ahead"),
        (2 * S, FOREVER, "at least 2.00 s ahead"),
        (2_003 * MS + 1, FOREVER, "at least 2.00 s ahead"),
        (700 * S + 1, FOREVER, "at least 11 min 40 s ahead"),
        (-2 * S, FOREVER, "at most 2 s behind"),
        (-FOREVER, 2 * S, "at most 2 s ahead"),
        (-FOREVER, -2_003 * MS, "at least 2.00 s behind"),
        (-FOREVER, FOREVER, "cannot be told"),
    ],
)
def test_offsets(low: int, high: int, words: str) -> None:
    assert offset_words(Bounds(low, high)) == words


def size(text: str) -> int:
    """Nanoseconds of ``1 h 0 min 2 s`` or ``3.41 s``."""
    parts = re.findall(r"([\d.]+) (ns|\N{MICRO SIGN}s|ms|s|min|h)(?![a-z])", text)
    return sum(int(Fraction(number) * UNITS[unit]) for number, unit in parts)


@given(st.integers(-9_000 * S, 9_000 * S), st.integers(0, 9_000 * S))
def test_an_offset_is_within_what_is_shown(low: int, width: int) -> None:
    words = offset_words(Bounds(low, low + width))
    sign = -1 if words.endswith("behind") else 1
    if " behind to " in words:
        behind, ahead = words.split(" behind to ")
        assert -size(behind) <= low
        assert low + width <= size(ahead)
        return
    ends = words.removesuffix(" ahead").removesuffix(" behind").split(" to ")
    if len(ends) > 1 and not re.search(r"[a-z]", ends[0]):
        ends[0] += " " + ends[1].rsplit(" ", 1)[1]
    shown = sorted(sign * size(it) for it in ends)
    assert shown[0] <= low
    assert low + width <= shown[-1]


def lines(low: Fraction, high: Fraction, *, below: bool = True, above: bool = True) -> ClockLines:
    return ClockLines(origin=0, rate=(low, high), is_bounded=(below, above), low=(), high=())


def test_drifts() -> None:
    limit = 1_000 * PPM
    assert drift_words(lines(-12 * PPM, 31 * PPM), limit) == "-12 to 31 ppm (-1.1 to 2.7 s a day)"
    assert drift_words(lines(Fraction(1, 3) * PPM, 400 * PPM), limit) == "0.3 to 400 ppm (0 to 34.6 s a day)"
    assert drift_words(lines(-1_000 * PPM, 5 * PPM, below=False), limit) == "at most 5 ppm (0.5 s a day)"
    assert drift_words(lines(5 * PPM, 1_000 * PPM, above=False), limit) == "at least 5 ppm (0.4 s a day)"
    assert "within 1000 ppm either way" in drift_words(lines(-limit, limit, below=False, above=False), limit)


@pytest.mark.parametrize(
    ("at", "by", "words"),
    [
        ((10, 20), (16_700, 18_400), "ahead by 16.7 to 18.4 s, between 01:00:10 and 01:00:21"),
        ((10, 20), (-9_000, -8_000), "back by 8.0 to 9.0 s, between 01:00:10 and 01:00:21"),
        ((None, 20), (1_000, None), "ahead by at least 1.00 s, before 01:00:21"),
        ((10, 20), (-1_000, 1_000), "by an amount that cannot be told, between 01:00:10 and 01:00:21"),
        (
            (0, 1),
            (-3_600_500, -3_600_000),
            "back by 1 h 0 min 0 s to 1 h 0 min 1 s, an hour, between 01:00:00 and 01:00:02",
        ),
    ],
)
def test_settings(at: tuple[int | None, int], by: tuple[int, int | None], words: str) -> None:
    document = ClocksDocument(
        site="s", records=(), span=Bounds(0, S), utc_offset_s=3_600, set_to="UTC+01:00", has_zone=False, own=(),
        own_error_ns=None, rate_max=1_000 * PPM,
    )  # fmt: skip
    when = Bounds(-FOREVER if at[0] is None else at[0] * S, at[1] * S)
    how_far = Bounds(by[0] * MS, FOREVER if by[1] is None else by[1] * MS)
    assert set_words(ClockSet(at=when, by=how_far), document) == words


def test_a_setting_between_two_days_has_its_days() -> None:
    """From three in the morning until four of the day after is not an hour."""
    document = ClocksDocument(
        site="s", records=(), span=Bounds(0, 86_400 * S), utc_offset_s=3_600, set_to="UTC+01:00", has_zone=False,
        own=(), own_error_ns=None, rate_max=1_000 * PPM,
    )  # fmt: skip
    one = ClockSet(at=Bounds(7_200 * S, 97_200 * S), by=Bounds(16_700 * MS, 18_400 * MS))
    assert set_words(one, document) == "ahead by 16.7 to 18.4 s, between 1970-01-01 03:00:00 and 1970-01-02 04:00:01"
