"""Sets of trials drawn again and fitted in step, against one at a time and against what a trial is by itself."""

from __future__ import annotations

import numpy as np
import pytest

from harness.core.instants import FOREVER, Bounds
from harness.measure import lockstep
from harness.measure.interval_censored import as_arrays
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes
from harness.measure.lockstep import ROUGH, Stack, ratio_of_rank
from harness.measure.redrawn import bracketed_stack, visible_stack
from harness.measure.resampling import Brackets, Readings
from harness.measure.visible_time import Seen, Trial, Unseen, likelihood
from tests.peers.simulated_polls import SECOND, latency_bounds, poll_instants, trial, trials_of

SETS, TRIALS = 12, 15
NOWHERE = np.zeros(0, dtype=np.int64)


def seen_and_unseen(rng: np.random.Generator, window: Bounds, period_s: float = 0.5) -> list[Trial]:
    return [
        trial(
            poll_instants(rng, period_s, lost=0.1, jitter=0.2),
            window,
            int(rng.integers(window.lo, window.hi)),
            int(rng.exponential(0.7) * SECOND),
        )
        for _ in range(30)
    ]


def ratios(evidence: list[Evidence], cut: int, share: float) -> list[float]:
    return sorted((2.0 * (it.best - it.given(cut, share)) for it in evidence), reverse=True)


@pytest.mark.parametrize("window_s", [1.0, 0.02, 6.0])
@pytest.mark.parametrize(("cut_s", "share"), [(0.3, 0.5), (1.5, 0.5), (0.0, 0.3)])
def test_visible_times_in_step_are_what_they_are_one_at_a_time(window_s: float, cut_s: float, share: float) -> None:
    rng = np.random.default_rng(1)
    cut = int(cut_s * SECOND)
    known = seen_and_unseen(rng, Bounds(0, int(window_s * SECOND)))
    visible = (rng.exponential(0.8, SETS * TRIALS) * SECOND).astype(np.int64)
    visible[::9] = 0
    read = Readings(known).read(visible, rng)
    trials = trials_of(read)
    sets = [VisibleTimes(trials[at : at + TRIALS]) for at in range(0, len(trials), TRIALS)]
    assert any(isinstance(it, Unseen) for it in trials)
    one_by_one = ratios(list(sets), cut, share)
    stack = visible_stack(read, SETS, cut, share, np.array([0, cut, 2 * SECOND]))
    for rank in (1, 2, 6):
        assert ratio_of_rank(stack, rank, 0.0, 1e9) == pytest.approx(one_by_one[rank - 1], abs=4 * ROUGH)


@pytest.mark.parametrize(("cut_s", "share"), [(0.5, 0.5), (1.7, 0.9), (-1.0, 0.2), (60.0, 0.9)])
def test_brackets_in_step_are_what_they_are_one_at_a_time(cut_s: float, share: float) -> None:
    """Also where nothing was seen on one side of the cut, and where some never came."""
    rng = np.random.default_rng(2)
    cut = int(cut_s * SECOND)
    polled = [poll_instants(rng, 0.4, lost=0.1, jitter=0.2) for _ in range(30)]
    lo, hi = as_arrays([latency_bounds(it, int(rng.exponential() * SECOND)) for it in polled])
    times = (rng.exponential(1.0, SETS * TRIALS) * SECOND).astype(np.int64)
    times[::11] = FOREVER
    low, high = Brackets(lo, hi).around(times, rng)
    rows = [[Bounds(*it) for it in zip(low[at].tolist(), high[at].tolist(), strict=True)] for at in _parts()]
    one_by_one = ratios([BracketedTimes(it) for it in rows], cut, share)
    stack = bracketed_stack(low.reshape(SETS, TRIALS), high.reshape(SETS, TRIALS), cut, share, NOWHERE)
    for rank in (1, 2, 6):
        assert ratio_of_rank(stack, rank, 0.0, 1e9) == pytest.approx(one_by_one[rank - 1], abs=4 * ROUGH)


def _parts() -> list[slice]:
    return [slice(at, at + TRIALS) for at in range(0, SETS * TRIALS, TRIALS)]


def test_beyond_the_limits_the_limit_is_told() -> None:
    rng = np.random.default_rng(3)
    lo = rng.integers(0, 40, (SETS, TRIALS))
    stack = bracketed_stack(lo, lo + 6, 20, 0.5, NOWHERE)
    middle = ratio_of_rank(stack, 2, 0.0, 1e9)
    assert middle > 0.5
    assert ratio_of_rank(stack, 2, 0.0, middle / 2) == middle / 2
    assert ratio_of_rank(stack, 2, middle * 2, 1e9) == middle * 2


def test_two_stacks_are_as_one() -> None:
    """Of the same trials, asked for two shares at two cuts; the wider one has more candidates."""
    rng = np.random.default_rng(4)
    lo, few = rng.integers(0, 40, (SETS, TRIALS)), rng.integers(0, 4, (SETS, TRIALS))
    one, other = bracketed_stack(lo, lo + 6, 20, 0.5, NOWHERE), bracketed_stack(few, few + 2, 3, 0.8, NOWHERE)
    both = Stack.of([one, other])
    each = [ratio_of_rank(it, rank, 0.0, 1e9) for it in (one, other) for rank in range(1, 4)]
    for rank in range(1, 4):
        found = ratio_of_rank(both, rank, 0.0, 1e9)
        assert found == pytest.approx(sorted(each, reverse=True)[rank - 1], abs=4 * ROUGH)


def test_a_trial_is_as_likely_in_a_stack_as_by_itself() -> None:
    """Every trial that was read, for every candidate of its set; a column of nothing stands on either side."""
    rng = np.random.default_rng(5)
    known = seen_and_unseen(rng, Bounds(0, 3 * SECOND), 0.3)
    read = Readings(known).read((rng.exponential(0.3, SETS * TRIALS) * SECOND).astype(np.int64), rng)
    trials = trials_of(read)
    stack = visible_stack(read, SETS, SECOND // 2, 0.5, NOWHERE)
    for number, part in enumerate(_parts()):
        mine = trials[part]
        values = {0, SECOND // 2, SECOND // 2 + 1}
        for it in mine:
            if isinstance(it, Seen):
                values |= {max(0, it.end.lo - it.onset.lo), max(0, it.end.hi - it.onset.hi)}
            else:
                values |= {at - it.onset.hi for at in it.samples_ns if at > it.onset.hi}
        alone = likelihood(mine, np.array(sorted(values)))
        together = stack.likelihood[number]
        assert np.allclose(together[:, 1 : len(values) + 1], alone, atol=1e-12)
        assert not together[:, 0].any()
        assert not together[:, len(values) + 1 :].any()
        assert stack.split[number] == 1 + sum(it <= SECOND // 2 for it in values)


@pytest.mark.parametrize("rounds", [1, 2, 4])
def test_what_is_not_brought_to_an_end_is_told_as_too_large(rounds: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Never too small: a critical value that is too large only keeps what might have been excluded."""
    rng = np.random.default_rng(6)
    read = Readings(seen_and_unseen(rng, Bounds(0, SECOND))).read(
        (rng.exponential(0.8, SETS * TRIALS) * SECOND).astype(np.int64), rng
    )
    stack = visible_stack(read, SETS, SECOND // 2, 0.6, NOWHERE)
    true = [ratio_of_rank(stack, rank, 0.0, 1e9) for rank in (1, 2, 5)]
    monkeypatch.setattr(lockstep, "ROUNDS_MAX", rounds)
    for rank, ratio in zip((1, 2, 5), true, strict=True):
        assert ratio_of_rank(stack, rank, 0.0, 1e9) >= ratio - 4 * ROUGH
