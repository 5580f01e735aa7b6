"""Sets of trials that were drawn again, as ``lockstep`` takes them: how likely each is under each candidate. Pure.

Each set has the same number of trials, so that a set is a row of arrays of shape (sets, trials).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.core.instants import FOREVER
from harness.measure.interval_censored import Times
from harness.measure.lockstep import Stack
from harness.measure.mixture import Floats
from harness.measure.resampling import Read

AT_ONCE: Final = 2_000_000
"""Numbers that are worked out in one go: some megabytes."""


def bracketed_stack(lo: Times, hi: Times, cut: int, share: float, near: Times) -> Stack:
    """Of brackets. An innermost interval begins at a lower end, or just beyond the cut."""
    values = _ascending(np.concatenate((lo, np.full((len(lo), 1), cut + 1)), axis=1))
    at = values[:, None, :]
    likelihood = (lo[:, :, None] <= at) & (at <= hi[:, :, None])
    return _stack(values, likelihood.astype(np.float64), cut, share, near)


def visible_stack(read: Read, sets: int, cut: int, share: float, near: Times) -> Stack:
    """Of visible times: the candidates and likelihoods of ``visible_time``, the rows of ``read`` shared out to sets."""
    seen = read.is_seen.reshape(sets, -1)
    onset_lo, onset_hi, end_lo, end_hi = (
        it.reshape(sets, -1) for it in (read.onset_lo, read.onset_hi, read.end_lo, read.end_hi)
    )
    latest = read.samples[np.arange(len(read.count)), read.count - 1].reshape(sets, -1)
    found = np.concatenate(
        (
            np.where(seen, end_lo - onset_lo, latest - onset_hi),
            np.where(seen & (end_hi < FOREVER), end_hi - onset_hi, 0),
            np.broadcast_to(np.array([0, cut, cut + 1]), (sets, 3)),
        ),
        axis=1,
    )
    values = _ascending(np.maximum(found, 0))
    at = values[:, None, :]
    first = np.maximum(onset_lo[:, :, None], end_lo[:, :, None] - at)
    last = np.minimum(onset_hi[:, :, None], end_hi[:, :, None] - at)
    likelihood = np.maximum(last - first + 1, 0) / (onset_hi - onset_lo + 1)[:, :, None]
    likelihood[~seen] = _unseen(read, values[np.nonzero(~seen)[0]])
    return _stack(values, likelihood, cut, share, near)


def _unseen(read: Read, values: Times) -> Floats:
    """Of the trials that nobody saw, each for values of its own: the onsets that no reading follows in time."""
    mine = ~read.is_seen
    width, count = read.onset_hi[mine], read.count[mine]
    samples = read.samples[mine, : int(count.max(initial=1))]
    first = np.maximum(samples[:, :-1] + 1, 0)
    is_gap = np.arange(1, samples.shape[1]) < count[:, None]
    until = np.where(is_gap, samples[:, 1:], -FOREVER // 4)
    chances = np.empty(values.shape)
    rows = max(1, AT_ONCE // max(1, first.shape[1] * values.shape[1]))
    for begin in range(0, len(values), rows):
        part = slice(begin, begin + rows)
        ends = np.minimum(width[part, None, None], until[part, :, None] - values[part, None, :])
        fits = np.maximum(ends - first[part, :, None] + 1, 0).sum(axis=1)
        chances[part] = np.minimum(fits / (width[part, None] + 1), 1.0)
    return np.where(values == 0, 1.0, chances)


def _ascending(found: Times) -> Times:
    """Each once in its row; what is left over stands behind as FOREVER."""
    ordered = np.sort(found, axis=1)
    ordered[:, 1:][ordered[:, 1:] == ordered[:, :-1]] = FOREVER
    ordered = np.sort(ordered, axis=1)
    return ordered[:, : int((ordered < FOREVER).sum(axis=1).max())]


def _stack(values: Times, likelihood: Floats, cut: int, share: float, near: Times) -> Stack:
    """With a column of nothing on either side, where the mass lies for which nothing was seen."""
    sets, size = values.shape
    real = values < FOREVER
    found = np.zeros((sets, size + 2), dtype=np.bool_)
    rows = np.arange(sets)
    for one in near.tolist():
        at = np.minimum((values < one).sum(axis=1), real.sum(axis=1) - 1)
        found[rows, at + 1] = True
    return Stack(
        likelihood=np.pad(likelihood * real[:, None, :], ((0, 0), (0, 0), (1, 1))),
        split=1 + (real & (values <= cut)).sum(axis=1),
        below=np.full(sets, share),
        near=found,
    )
