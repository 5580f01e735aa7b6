"""Which poll period is proven to catch enough, and what a slower poll would have seen of given sightings."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import FOREVER, Bounds
from harness.measure.poll_period import least_mean, least_visible, longest_period, seen_share, slower_poll
from harness.measure.visible_time import Seen, Trial, Unseen


def test_where_all_are_certain_it_is_nearly_the_exact_bound() -> None:
    """All 59 as long as the period or longer: the exact bound is 0.05^(1/59) = 0.9505; betting gives away under 1 %."""
    found = seen_share([1000] * 59, 1000)
    exact = 0.05 ** (1 / 59)
    assert exact - 0.01 < found.least <= exact


def test_one_that_was_not_seen_counts() -> None:
    all_seen, one_not = seen_share([1000] * 59, 1000), seen_share([*[1000] * 58, 0], 1000)
    assert one_not.least < all_seen.least - 0.01
    assert seen_share([0] * 59, 1000).least == 0.0


@pytest.mark.parametrize("shape", ["short", "mixed", "all or nothing", "constant"])
@pytest.mark.parametrize("trials", [5, 59])
def test_the_bound_holds_as_often_as_it_says(shape: str, trials: int) -> None:
    """400 draws: the 95 % bound may exceed the true mean in 20 of them, 36 is one in 1,000; it stays well below."""
    rng = np.random.default_rng(7)
    exceeded = 0
    for _ in range(400):
        if shape == "short":
            values, mean = rng.random(trials) ** 3, 0.25
        elif shape == "mixed":
            values, mean = np.minimum(1.0, rng.random(trials) * 4), 0.875
        elif shape == "all or nothing":
            values, mean = (rng.random(trials) < 0.95).astype(float), 0.95
        else:
            values, mean = np.full(trials, 0.6), 0.6
        exceeded += least_mean(values) > mean
    assert exceeded <= 36


def test_the_longest_period_is_the_last_that_is_proven() -> None:
    least = [900 + 10 * it for it in range(80)]
    found = longest_period(least, 0.9)
    assert found is not None
    assert found.least >= 0.9
    assert seen_share(least, found.period_ns + 2).least < 0.9
    assert 900 < found.period_ns < np.mean(least) / 0.9


def test_too_few_trials_prove_it_of_no_period() -> None:
    assert longest_period([1000] * 5, 0.95) is None
    assert longest_period([0] * 500, 0.5) is None
    with pytest.raises(ValueError, match="share=1"):
        longest_period([1000], 1.0)


def test_a_period_that_is_named_is_seldom_too_long() -> None:
    """Visible times uniform from 0 to 2 s: a period q of at most 2 s sees the share 1 - q/4, so 0.4 s sees 0.9."""
    rng = np.random.default_rng(5)
    too_long = 0
    for _ in range(150):
        found = longest_period((rng.random(100) * 2e9).astype(int).tolist(), 0.9)
        too_long += found is not None and found.period_ns > 0.4e9
    assert too_long <= 18  # expected at most 7.5; more than this 1 in 2,000


def brute(spans: list[tuple[int, int]], period: int) -> list[int]:
    """For every phase, every reading."""
    return [sum(any((t - phase) % period == 0 for t in range(on, off)) for on, off in spans) for phase in range(period)]


@pytest.mark.parametrize("seed", range(20))
def test_every_phase_is_counted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    period = int(rng.integers(1, 40))
    sightings = []
    for start in rng.integers(0, 500, 6).tolist():
        a, b, c = rng.integers(0, 12, 3).tolist()
        sightings.append(Seen(onset=Bounds(start, start + a), end=Bounds(start + a + b, start + a + b + c)))
    for found, spans in zip(
        slower_poll(sightings, period),
        ([(it.onset.hi, it.end.lo) for it in sightings], [(it.onset.lo, it.end.hi) for it in sightings]),
        strict=True,
    ):
        counts = brute(spans, period)
        assert (found.fewest, found.most) == (min(counts), max(counts))
        assert found.mean == pytest.approx(np.mean(counts))
        assert found.blind == pytest.approx(counts.count(0) / period)


def test_of_no_sighting_nothing_is_seen() -> None:
    surely, possibly = slower_poll([], 10)
    assert (surely.fewest, surely.most, surely.blind) == (0, 0, 1.0)
    assert possibly == surely


def test_what_is_still_on_is_seen_by_every_poll_from_its_onset_on() -> None:
    sighting = Seen(onset=Bounds(5, 9), end=Bounds(30, FOREVER))
    surely, possibly = slower_poll([sighting], 40)
    assert surely.mean == pytest.approx(21 / 40)
    assert (possibly.fewest, possibly.blind) == (1, 0.0)


def test_trials_count_for_what_they_prove() -> None:
    """In ns: 21 at the least, nothing proven, not seen."""
    trials: list[Trial] = [
        Seen(onset=Bounds(5, 9), end=Bounds(30, FOREVER)),
        Seen(onset=Bounds(5, 9), end=Bounds(8, 12)),
        Unseen(onset=Bounds(1, 5), samples_ns=(0, 9)),
    ]
    assert least_visible(trials) == [21, 0, 0]
