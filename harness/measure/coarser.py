"""Many trials, told a little more coarsely, so that their likelihoods can be maximised in a second. Pure, numpy.

Bounds are only ever made wider, to the next of so many quantiles of all ends: what was true stays true, and a bound
of a share moves by less than the share between two of them. Of very many visible times an even selection is used, by
their place alone, so the bounds hold all the same and are as wide as for so many trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import Times
from harness.measure.visible_time import Seen, Trial, Unseen, candidates

BRACKETS_MAX: Final = 1_500
"""So many bracketed times are taken as they are."""
CELLS: Final = 500
VISIBLE_MAX: Final = 300
"""So many visible times are taken as they are, and"""
VISIBLE_USED: Final = 1_000
"""no more than these are used."""
UNSEEN_CELLS: Final = 50


def coarser_ends(lo: Times, hi: Times) -> tuple[Times, Times]:
    """Lower and upper ends, outwards to at most CELLS cells, each from one quantile of all ends to the next."""
    if len(lo) <= BRACKETS_MAX:
        return lo, hi
    closed = hi[hi < FOREVER]
    edges = _quantiles(np.concatenate((lo, closed + 1)))
    low = edges[np.maximum(np.searchsorted(edges, lo, side="right") - 1, 0)]
    at = np.searchsorted(edges, hi, side="right")
    high = np.where(at < len(edges), edges[np.minimum(at, len(edges) - 1)] - 1, hi)
    return np.minimum(low, lo), np.maximum(high, hi)


def coarser_trials(trials: Sequence[Trial]) -> Sequence[Trial]:
    """The visible times at which a trial is most likely begin and end at one of CELLS values."""
    if len(trials) <= VISIBLE_MAX:
        return trials
    trials = [trials[at] for at in np.linspace(0, len(trials) - 1, min(len(trials), VISIBLE_USED)).astype(int)]
    seen = [it for it in trials if isinstance(it, Seen)]
    knots = [it.end.lo - it.onset.lo for it in seen]
    knots += [it.end.hi - it.onset.hi for it in seen if not it.end.is_open_above]
    if not knots:
        return trials
    edges = _quantiles(np.maximum(np.array(knots, dtype=np.int64), 0))
    return [it if isinstance(it, Unseen) else _wider(it, edges) for it in trials]


def coarser_candidates(trials: Sequence[Trial]) -> Times:
    """Of many trials, only some of the candidates of those that nobody saw."""
    if len(trials) <= VISIBLE_MAX:
        return candidates(trials)
    unseen = candidates([it for it in trials if isinstance(it, Unseen)])
    return np.union1d(candidates([it for it in trials if isinstance(it, Seen)]), _quantiles(unseen, UNSEEN_CELLS))


def _quantiles(values: Times, cells: int = CELLS) -> Times:
    ordered = np.sort(values)
    return np.unique(ordered[np.linspace(0, len(ordered) - 1, cells).astype(int)])


def _wider(trial: Seen, edges: Times) -> Seen:
    begin = trial.end.lo - trial.onset.lo
    at = int(np.searchsorted(edges, begin, side="right")) - 1
    earlier = begin - int(edges[at]) if at >= 0 else 0
    later = 0
    if not trial.end.is_open_above:
        end = trial.end.hi - trial.onset.hi
        at = int(np.searchsorted(edges, end, side="left"))
        later = int(edges[at]) - end if at < len(edges) and end >= 0 else 0
    hi = trial.end.hi if trial.end.is_open_above else trial.end.hi + later
    return Seen(onset=trial.onset, end=Bounds(trial.end.lo - earlier, hi))
