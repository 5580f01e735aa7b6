"""The estimate from intervals, against published masses, a general optimiser and its own certificate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import Distribution, as_arrays, estimate_of, reduce
from harness.measure.mixture import GAP_MAX, Matrix, most_likely
from tests.peers.breast_cosmesis import (
    PUBLISHED_RADIATION,
    PUBLISHED_WITH_CHEMOTHERAPY,
    RADIATION,
    WITH_CHEMOTHERAPY,
    after_until,
    months,
)


def as_published(found: Distribution) -> dict[tuple[int, int], float]:
    """Masses by (L, R]."""
    return {(mass.within.lo - 1, mass.within.hi): round(mass.share, 4) for mass in found.masses}


@pytest.mark.parametrize(
    ("rows", "published", "log_likelihood"),
    [
        (RADIATION, PUBLISHED_RADIATION, -58.06002),  # log-likelihoods: R, package npsurv on the same rows
        (WITH_CHEMOTHERAPY, PUBLISHED_WITH_CHEMOTHERAPY, -65.63696),
    ],
)
def test_the_published_estimates(rows: str, published: dict[tuple[int, int], float], log_likelihood: float) -> None:
    """Fay, Shaw (2010), 4.1: every mass to the last printed digit."""
    found = estimate_of(*as_arrays(months(rows)))
    assert as_published(found) == published
    assert found.log_likelihood == pytest.approx(log_likelihood, abs=1e-5)
    assert found.gap <= GAP_MAX
    assert sum(mass.share for mass in found.masses) == pytest.approx(1.0, abs=1e-12)


def test_the_trap_of_closed_intervals() -> None:
    """Taken for [L, R] the same rows give another curve: S after 8 months is .8481 and not .8316."""
    closed = [Bounds(it.lo - 1, it.hi) for it in months(RADIATION)]
    assert 1 - estimate_of(*as_arrays(closed)).at_most(8)[1] == pytest.approx(0.8481, abs=5e-5)
    assert 1 - estimate_of(*as_arrays(months(RADIATION))).at_most(8)[1] == pytest.approx(0.8316, abs=5e-5)


def test_quantiles_and_shares_are_bounds() -> None:
    found = estimate_of(*as_arrays(months(RADIATION)))
    assert found.quantile(0.10) == Bounds(8, 8)
    assert found.quantile(0.5) == Bounds(39, 40)
    assert found.quantile(0.9) == Bounds(47, 48)
    low, high = found.at_most(39)
    assert (round(low, 4), round(high, 4)) == (0.4136, 0.5344)  # 1 - .5864 and 1 - .4656


def test_a_quantile_between_two_masses_reaches_from_one_to_the_other() -> None:
    found = estimate_of(*as_arrays([Bounds(1, 2), Bounds(5, 6)]))
    assert found.quantile(0.5) == Bounds(1, 6)
    assert found.quantile(0.25) == Bounds(1, 2)


def test_what_was_not_seen_to_end_leaves_the_end_open() -> None:
    found = estimate_of(*as_arrays([Bounds(1, 2), after_until(7, None), after_until(9, None)]))
    assert found.masses[-1].within == Bounds(10, FOREVER)
    assert found.quantile(0.9).is_open_above
    assert found.at_most(10**15) == pytest.approx((1 / 3, 1.0))


def test_exact_times_give_the_empirical_distribution() -> None:
    """Where nothing is censored the estimate has one n-th at each time."""
    times = [3, 1, 4, 1, 5, 9, 2, 6]
    found = estimate_of(*as_arrays([Bounds.exactly(it) for it in times]))
    assert {mass.within.lo: round(mass.share * 8, 5) for mass in found.masses} == {
        it: times.count(it) for it in sorted(set(times))
    }


def test_right_censored_times_give_the_product_limit_estimate() -> None:
    """Kaplan, Meier, *JASA* 53 (1958) 457, 2.1: deaths at 0.8, 3.1, 5.4, 9.2, losses at 1.0, 2.7, 7.0, 12.1 months:
    after each death P = 7/8, 7/8 x 4/5, 7/10 x 3/4, 21/40 x 1/2."""
    deaths = [Bounds.exactly(it) for it in (8, 31, 54, 92)]
    losses = [after_until(it, None) for it in (10, 27, 70, 121)]
    found = estimate_of(*as_arrays([*deaths, *losses]))
    for at, survival in ((8, 0.875), (31, 0.7), (54, 0.525), (92, 0.2625)):
        assert 1 - found.at_most(at)[1] == pytest.approx(survival, abs=1e-4)


def drawn(rng: np.random.Generator) -> list[Bounds]:
    """A few random intervals: exact, bracketed and open ones, with many ties."""
    n = int(rng.integers(2, 12))
    lows = rng.integers(0, 12, n).tolist()
    return [
        Bounds(low, FOREVER if rng.random() < 0.2 else low + int(rng.integers(0, 6)) * int(rng.integers(0, 2)))
        for low in lows
    ]


@pytest.mark.parametrize("seed", range(12))
def test_no_optimiser_finds_a_likelier_distribution(seed: int) -> None:
    """SciPy's general SLSQP over the masses of every whole number, not only the innermost intervals."""
    times = drawn(np.random.default_rng(seed))
    ends = sorted({it.lo for it in times} | {it.hi for it in times})
    inside = np.array([[it.lo <= end <= it.hi for end in ends] for it in times], dtype=float)

    def loss(masses: np.ndarray) -> float:
        return -float(np.log(np.maximum(inside @ masses, 1e-300)).sum())

    theirs = minimize(
        loss,
        np.full(len(ends), 1 / len(ends)),
        bounds=[(0, 1)] * len(ends),
        constraints={"type": "eq", "fun": lambda masses: masses.sum() - 1},
        method="SLSQP",
        options={"maxiter": 500, "ftol": 1e-12},
    )
    found = estimate_of(*as_arrays(times))
    assert found.log_likelihood >= -theirs.fun - 1e-6
    assert found.log_likelihood <= -theirs.fun + 1e-4
    whole = most_likely(Matrix(likelihood=inside), np.ones(len(times)))
    assert whole is not None
    assert whole.log_likelihood == pytest.approx(found.log_likelihood, abs=2 * GAP_MAX)


@pytest.mark.parametrize("seed", range(8))
def test_the_certificate_holds_with_a_share_fixed(seed: int) -> None:
    """Counted again from the definition: no mass moved within its part gains anything."""
    rng = np.random.default_rng(seed)
    split = 0
    while not split:
        lo, hi = as_arrays(drawn(rng))
        cut = int(rng.integers(int(lo.min()), 12))
        reduced = reduce(lo, hi, cut)
        at = int(np.searchsorted(reduced.within_hi, cut, side="right"))
        split = at if at < reduced.spans.candidates else 0
    fit = most_likely(reduced.spans, reduced.weights, split, 0.3)
    assert fit is not None
    assert fit.masses[fit.support < split].sum() == pytest.approx(0.3, abs=1e-9)
    masses = np.zeros(reduced.spans.candidates)
    masses[fit.support] = fit.masses
    spans = reduced.spans
    chance = [masses[a : b + 1].sum() for a, b in zip(spans.first, spans.last, strict=True)]
    score = [
        sum(
            weight / p
            for a, b, weight, p in zip(spans.first, spans.last, reduced.weights, chance, strict=True)
            if a <= j <= b
        )
        for j in range(spans.candidates)
    ]
    gain = 0.3 * max(score[:split]) + 0.7 * max(score[split:]) - reduced.weights.sum()
    assert gain <= 2 * GAP_MAX


@pytest.mark.parametrize("width", [3, 40, 400])
def test_ten_thousand_intervals_are_certified_too(width: int) -> None:
    """Narrow brackets and wide ones, a tenth of them open. Times are measured in tests/bench/bench_npmle.py."""
    rng = np.random.default_rng(width)
    lows = (rng.exponential(300, 10_000) + rng.random(10_000) * width).astype(int).tolist()
    found = estimate_of(
        *as_arrays([Bounds(low, FOREVER if at % 10 == 0 else low + width) for at, low in enumerate(lows)])
    )
    assert found.gap <= GAP_MAX
    assert sum(mass.share for mass in found.masses) == pytest.approx(1.0)


def test_nothing_is_no_distribution() -> None:
    with pytest.raises(ValueError, match="times is empty"):
        estimate_of(*as_arrays([]))
    with pytest.raises(ValueError, match="share=1"):
        estimate_of(*as_arrays([Bounds(1, 2)])).quantile(1)
