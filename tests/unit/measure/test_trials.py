"""What many trials of one expectation come to: misses in exact bounds, and what is left out stays visible."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import binom, binomtest

from harness.core.instants import FOREVER, Bounds
from harness.core.verdicts import Verdict
from harness.measure.proportions import Side
from harness.measure.trials import Asked, RowTrial, RowTrials, Shown, miss_share, summarise
from harness.measure.visible_time import Seen, Unseen

MS = 1_000_000


def trial(shown: Shown, number: int = 0, *, latency_ms: int = 50, visible_ms: int = 900) -> RowTrial:
    at = number * 10_000 * MS
    is_shown = shown is Shown.SHOWN
    onset = Bounds(at + latency_ms * MS, at + (latency_ms + 100) * MS)
    seen = Seen(onset=onset, end=Bounds(onset.lo + visible_ms * MS, onset.hi + visible_ms * MS))
    unseen = Unseen(onset=Bounds(at, at + 200 * MS), samples_ns=tuple(at + it * MS for it in range(-100, 400, 100)))
    return RowTrial(
        record=0,
        stimulus=f"{number:04d}",
        verdict=Verdict.ON_TIME if is_shown else Verdict.MISSED if shown is Shown.MISSED else Verdict.UNRESOLVED,
        shown=shown,
        raised=Bounds.exactly(at),
        latency=Bounds(latency_ms * MS, (latency_ms + 100) * MS) if is_shown else None,
        visible=None if shown is Shown.LEFT_OUT else seen if is_shown else unseen,
    )


def row(*shown: Shown, ends_by_itself: bool = True) -> RowTrials:
    trials = tuple(trial(it, number) for number, it in enumerate(shown))
    return RowTrials(key="a@p", alarm="a", point="p", trials=trials, ends_by_itself=ends_by_itself)


def test_no_miss_in_59_is_below_4_95_per_cent_one_sided() -> None:
    """Success run and zero misses: 1 - 0.05^(1/59) = 0.04951 (Hanley, Lippman-Hand, JAMA 249 (1983) 1743)."""
    share = miss_share(row(*[Shown.SHOWN] * 59))
    assert share is not None
    assert share.side is Side.UPPER
    assert share.low == 0.0
    assert share.high == pytest.approx(0.04951, abs=5e-6)


def test_misses_have_bounds_each_one_sided_as_scipy_has_them() -> None:
    """A one-sided bound at 95 % is an end of two-sided ones at 90 %."""
    share = miss_share(row(*[Shown.MISSED] * 4, *[Shown.SHOWN] * 16))
    assert share is not None
    expected = binomtest(4, 20).proportion_ci(0.9, "exact")
    assert share.low == pytest.approx(expected.low)
    assert share.high == pytest.approx(expected.high)
    assert share.side is Side.EACH


def test_either_bound_of_misses_holds_whatever_came_and_no_more_is_said() -> None:
    """Counted out over every count. Whether a lower bound is told hangs on the count, so the two do not hold together:
    as they are they hold 90 %, which is what is said; two-sided ones beside an upper one would have been said to hold
    95 %, and hold 92.7 % of ten trials with a true share of 0.259.
    """
    shares = [miss_share(row(*[Shown.MISSED] * it, *[Shown.SHOWN] * (10 - it))) for it in range(11)]
    for true in (0.01, 0.05, 0.1, 0.2, 0.2588655, 0.26, 0.3, 0.5, 0.8):
        above = below = 0.0
        for count, share in enumerate(shares):
            assert share is not None
            assert share.side is (Side.EACH if count else Side.UPPER)
            chance = float(binom.pmf(count, 10, true))
            above, below = above + chance * (true > share.high), below + chance * (true < share.low)
        assert max(above, below) <= 0.05


def test_what_no_reading_met_widens_the_bounds_to_both_sides() -> None:
    share = miss_share(row(*[Shown.MISSED] * 2, *[Shown.UNSEEN] * 3, *[Shown.SHOWN] * 15))
    assert share is not None
    assert share.low == pytest.approx(binomtest(2, 20).proportion_ci(0.9, "exact").low)
    assert share.high == pytest.approx(binomtest(5, 20).proportion_ci(0.9, "exact").high)


def test_what_is_left_out_is_no_trial_of_the_share_and_is_counted() -> None:
    told = row(Shown.LEFT_OUT, Shown.SHOWN, Shown.SHOWN)
    share = miss_share(told)
    assert share is not None
    assert (share.trials, told.count(Shown.LEFT_OUT), len(told.measured)) == (2, 1, 2)
    assert miss_share(row(Shown.LEFT_OUT)) is None


def test_a_summary_tells_quantiles_and_no_visible_time_of_what_somebody_else_ends() -> None:
    told = summarise(row(*[Shown.SHOWN] * 30), Asked(slower_ns=(2_000 * MS,)))
    assert told.latency is not None
    median = next(it for it in told.latency.quantiles if it.share == 0.5)
    assert 50 * MS in median.bounds
    assert told.visible is not None
    assert len(told.slower) == 1
    held = summarise(row(*[Shown.SHOWN] * 30, ends_by_itself=False), Asked(slower_ns=(2_000 * MS,)))
    assert (held.visible, held.longest, held.slower) == (None, None, ())


def test_unseen_trials_keep_the_visible_time_from_looking_long() -> None:
    """Half of them were seen by nobody: then half of the visible times may be short, and no bound denies it."""
    told = summarise(row(*[Shown.SHOWN, Shown.UNSEEN] * 15))
    assert told.visible is not None
    quarter = next(it for it in told.visible.quantiles if it.share == 0.05)
    assert quarter.bounds.lo < 100 * MS
    alone = summarise(row(*[Shown.SHOWN] * 15))
    assert alone.visible is not None


def test_a_poll_period_counts_what_nobody_saw_even_where_nothing_was_read_around_it() -> None:
    """Seen 63 times, which names a period; and 20 times not, of which nobody knows how long they were visible."""
    shown = row(*[Shown.SHOWN] * 63)
    assert summarise(shown).longest is not None
    lost = tuple(replace(trial(Shown.UNSEEN, 100 + number), visible=None) for number in range(20))
    assert summarise(replace(shown, trials=(*shown.trials, *lost))).longest is None


def test_one_trial_makes_no_distribution() -> None:
    told = summarise(row(Shown.SHOWN))
    assert (told.latency, told.visible) == (None, None)
    assert told.misses is not None


def test_a_latency_without_end_is_no_distribution() -> None:
    trials = tuple(
        RowTrial(
            record=0, stimulus=str(it), verdict=Verdict.LATE, shown=Shown.SHOWN, raised=Bounds.exactly(0),
            latency=Bounds(5, FOREVER),
        )
        for it in range(3)
    )  # fmt: skip
    assert summarise(RowTrials(key="k", alarm="a", point="p", trials=trials)).latency is None
