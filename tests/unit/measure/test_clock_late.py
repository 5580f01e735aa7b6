"""Times that came later than was declared, by a clock that was asked besides."""

from __future__ import annotations

from harness.core.instants import FOREVER, Bounds
from harness.measure.clock_late import from_one_side, told_late
from harness.measure.clock_line import ClockReading


def reading(lo: int, hi: int, stood: int, width: int = 1) -> ClockReading:
    return ClockReading(at=Bounds(lo, hi), stood=Bounds(stood, stood + width))


ASKED = (reading(0, 2, 1), reading(1_000, 1_002, 1_001))
"""A clock that is right to about 2."""


def test_late_is_what_a_clock_that_was_asked_cannot_have_shown() -> None:
    prompt, late, ahead = reading(490, 500, 495), reading(490, 500, 400), reading(490, 500, 600)
    assert told_late(ASKED, [prompt, late, ahead], 10) == [False, True, False]


def test_the_edge_is_where_a_line_that_fits_still_passes() -> None:
    """At 490 the clock stood at 487 at least: offsets of -1 to 2 fit both, and 2 in 1,000 of the 490 are drift."""
    found = [told_late(ASKED, [reading(490, 500, stood)], 10)[0] for stood in range(480, 494)]
    assert found == sorted(found, reverse=True)
    first = 480 + found.index(False)
    assert 485 <= first <= 489


def test_what_says_one_side_only_is_late_by_when_it_was_told() -> None:
    kept = from_one_side(reading(490, 500, 400))
    assert kept.at == Bounds(-FOREVER, 500)
    assert told_late(ASKED, [kept, from_one_side(reading(490, 500, 495))], 10) == [True, False]


def test_nothing_is_late_that_nobody_can_tell() -> None:
    assert told_late((), [reading(490, 500, 400)], 10) == [False]
    assert told_late(ASKED, [reading(490, 500, 400)], None) == [False]


def test_about_a_setting_a_time_that_fits_either_side_is_not_late() -> None:
    """It was set back by 500 somewhere between two looks."""
    asked = (reading(0, 2, 501), reading(100, 102, 601), reading(900, 902, 901), reading(1_000, 1_002, 1_001))
    assert told_late(asked, [reading(490, 500, 995), reading(490, 500, 495), reading(490, 500, 300)], 10) == [
        False, False, True,
    ]  # fmt: skip
