"""What is known of other cuts encloses what a fit there finds."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import Bounds
from harness.measure.cut_bounds import CutBounds
from harness.measure.likelihood_ratio import SAME, VisibleTimes, likely_quantile, quantile
from harness.measure.mixture import Matrix, most_likely
from harness.measure.visible_time import Trial, candidates, likelihood
from tests.peers.simulated_polls import SECOND, poll_instants, trial


def drawn(seed: int, trials: int = 25) -> list[Trial]:
    rng = np.random.default_rng(seed)
    window = Bounds(0, SECOND if seed % 2 else SECOND // 50)
    return [
        trial(
            poll_instants(rng, 0.5, lost=0.1, jitter=0.1),
            window,
            int(rng.integers(0, window.hi)),
            int(rng.exponential(0.8) * SECOND),
        )
        for _ in range(trials)
    ]


def sides(trials: list[Trial], cut: int) -> np.ndarray:
    return likelihood(trials, np.array([cut, cut + 1]))


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("seed", range(4))
def test_what_is_known_of_a_cut_holds_there(seed: int, share: float) -> None:
    """Fits at three cuts, and every cut at a candidate or between two, each fitted by itself."""
    trials = drawn(seed)
    values = candidates(trials)
    chances = likelihood(trials, values)
    known = CutBounds(values, chances, share)
    cuts = sorted({*values.tolist(), *((values[1:] + values[:-1]) // 2).tolist(), int(values[-1]) + SECOND})
    evidence = VisibleTimes(trials)
    for cut in cuts[len(cuts) // 4 :: len(cuts) // 4]:
        with_cut = candidates(trials, cut)
        split = int(np.searchsorted(with_cut, cut, side="right"))
        columns = likelihood(trials, with_cut)
        fit = most_likely(Matrix(likelihood=columns), np.ones(len(trials)), split, share)
        assert fit is not None
        known.learn(with_cut[fit.support], fit.masses, columns[:, fit.support])
        assert known.at(cut, sides(trials, cut)) == pytest.approx((fit.log_likelihood, fit.log_likelihood), abs=1e-5)
    decided = 0
    for cut in cuts:
        low, high = known.at(cut, sides(trials, cut))
        true = evidence.given(cut, share)
        assert low <= true + 1e-6
        assert high >= true - 1e-6
        decided += high - low < 0.2
    assert decided >= 3


@pytest.mark.parametrize("seed", range(4))
def test_bounds_are_those_of_fits_at_every_cut(seed: int) -> None:
    """Each asked of evidence that knows nothing yet: alike within the bounds of the likely median, and not outside."""
    trials = drawn(seed, 12)
    likely = likely_quantile(VisibleTimes(trials), 0.5)
    ends = VisibleTimes(trials).ends.tolist()
    best = VisibleTimes(trials).best
    alone = [it for it in ends if 2.0 * (best - VisibleTimes(trials).given(it, 0.5)) <= SAME]
    assert [it for it in ends if likely.lo <= it < likely.hi] == alone
    bounds = quantile(VisibleTimes(trials), 0.5)
    assert bounds.lo <= likely.lo <= likely.hi <= bounds.hi
