"""Many small sets of trials at once: how far the likeliest distribution of each lies above the likeliest with a share.

What ``mixture`` does for one set is done here for all of a stack in step, by the same method and with the same
certificate, so that each operation of numpy is one for the whole stack. Only the largest ratios are asked for: a set is
left as soon as its ratio is certain to be none of them. Pure, numpy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.measure.mixture import Floats, Indices

Flags = NDArray[np.bool_]

ROUGH: Final = 5e-3
"""In log-likelihood: so well is a ratio known that is among the largest."""
ROUNDS_MAX: Final = 60
BLOCKS_MAX: Final = 5
PIVOTS_MAX: Final = 12
"""Of one step; what it finds is a direction to climb in, so it may stop early."""
_HALVINGS_MAX: Final = 12
_RIDGE: Final = 1e-12
_FAR: Final = 0.5
_HARDLY: Final = 0.01
_COVER: Final = 0.1
"""Of the mass of a candidate that is likely from the start: that of one which only makes an observation possible."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stack:
    """B sets of n observations over m candidates, ascending, of which the first ``split`` hold ``below`` together.

    ``likelihood``: of shape (B, n, m); a column of zeros is where nothing was seen, and pads sets with fewer
    candidates. Each side of the split has a column, and ``below`` is neither 0 nor 1. ``near``: candidates that are
    likely to hold mass.
    """

    likelihood: Floats
    split: Indices
    below: Floats
    near: Flags

    @staticmethod
    def of(stacks: list[Stack]) -> Stack:
        """One of several, as many observations each."""
        size = max(it.likelihood.shape[2] for it in stacks)
        return Stack(
            likelihood=np.concatenate([_padded(it.likelihood, size) for it in stacks]),
            split=np.concatenate([it.split for it in stacks]),
            below=np.concatenate([it.below for it in stacks]),
            near=np.concatenate([_padded(it.near, size) for it in stacks]),
        )


def _padded(values: NDArray[Any], size: int) -> NDArray[Any]:
    return np.pad(values, [(0, 0)] * (values.ndim - 1) + [(0, size - values.shape[-1])])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Of each problem which candidates it has, which of them are of the second part, and the sum of either."""

    valid: Flags
    second: Flags
    totals: Floats


def ratio_of_rank(stack: Stack, rank: int, least: float, most: float) -> float:
    """The ``rank``-th largest of the ratios 2 (max log L - max log L with the share), or up to 4 ROUGH more.

    More than that too where ROUNDS_MAX did not bring it so near: what is too large keeps what might be excluded.
    One that is for certain at most ``least`` is told as that, and one that is at least ``most`` as that.
    """
    sets = len(stack.split)
    climb = _Climb(stack)
    low, high, limit = np.full((2, sets), -np.inf), np.full((2, sets), np.inf), most
    for _ in range(ROUNDS_MAX):
        climb.bound()
        low[climb.which, climb.at], high[climb.which, climb.at] = climb.reached, climb.reached + climb.gap
        at_least = np.maximum(2.0 * (low[0] - high[1]), 0.0)
        at_most = np.maximum(2.0 * (high[0] - low[1]), 0.0)
        reached, limit = (float(np.partition(it, sets - rank)[sets - rank]) for it in (at_least, at_most))
        if reached >= most:
            return most
        if limit <= least:
            return least
        is_open = (at_most > max(reached, least)) & (at_most - at_least > 4.0 * ROUGH)
        if not is_open.any():
            break
        climb.keep(is_open[climb.at] & (climb.gap > ROUGH))
        if not len(climb.at):
            break
        climb.step()
    return min(limit, most)


_OF_EACH: Final = (
    *("which", "at", "likelihood", "second", "totals", "masses", "chances", "reached", "gap", "scores", "is_slow"),
)


class _Climb:
    """The problems that are still open: of each set that without a condition (``which`` 0) and that with (1)."""

    def __init__(self, stack: Stack) -> None:
        sets, trials, size = stack.likelihood.shape
        self.which = np.repeat((0, 1), sets)
        self.at = np.tile(np.arange(sets), 2)
        self.likelihood = np.concatenate((stack.likelihood, stack.likelihood))
        self.second: Flags = (np.arange(size) >= stack.split[:, None])[self.at] & (self.which == 1)[:, None]
        below = np.where(self.which == 0, 1.0, stack.below[self.at])
        self.totals: Floats = np.stack((below, 1.0 - below), axis=1)
        self.trials = trials
        self.masses = self._begun(stack)
        self.chances = _product(self.likelihood, self.masses)
        self.reached: Floats = _logs(self.chances)
        self.gap = self.scores = np.empty(0)
        self.is_slow: Flags = np.zeros(len(self.at), dtype=np.bool_)
        """Of what left out many at once led to but a little of the way."""

    def _begun(self, stack: Stack) -> Floats:
        """Mass near where it is likely, and a little for each observation that is hardly possible there: from next to
        nothing a step of Newton's method only doubles its chance.
        """
        likelihood, masses = stack.likelihood, np.where(stack.near, 1.0, 0.0)
        popular = np.argmax(likelihood * likelihood.sum(axis=1, keepdims=True), axis=2)
        shares = masses / np.maximum(masses.sum(axis=1, keepdims=True), 1.0)
        missing, which = np.nonzero(_product(likelihood, shares) <= _HARDLY * likelihood.max(axis=2))
        masses[missing, popular[missing, which]] = _COVER
        masses = masses[self.at]
        for part in (~self.second, self.second):
            empty = np.flatnonzero(part.any(axis=1) & ~(masses * part).any(axis=1))
            masses[empty, np.argmax(part[empty], axis=1)] = 1.0
        return masses * _of_part(self.totals / np.maximum(self._sums(masses), 1e-300), self.second)

    def _sums(self, values: Floats) -> Floats:
        """Of each part."""
        whole, second = values.sum(axis=1), (values * self.second).sum(axis=1)
        return np.stack((whole - second, second), axis=1)

    def bound(self) -> None:
        """What no other distribution can gain."""
        self.scores = _product(self.likelihood.transpose(0, 2, 1), 1.0 / self.chances)
        best = np.stack([np.where(part, self.scores, 0.0).max(axis=1) for part in (~self.second, self.second)], axis=1)
        self.gap = np.maximum((self.totals * best).sum(axis=1) - self.trials, 0.0)

    def keep(self, kept: Flags) -> None:
        """Only these problems go on."""
        if kept.all():
            return
        for name in _OF_EACH:
            setattr(self, name, getattr(self, name)[kept])

    def step(self) -> None:
        """One round of the constrained Newton method."""
        wide = (self.masses > 0.0) | self._better()
        columns = np.argsort(~wide, axis=1, kind="stable")[:, : int(wide.sum(axis=1).max())]
        valid = np.take_along_axis(wide, columns, axis=1)
        second = np.take_along_axis(self.second, columns, axis=1)
        held = np.take_along_axis(self.likelihood, columns[:, None, :], axis=2)
        scaled = held / self.chances[:, :, None]
        start = np.take_along_axis(self.masses, columns, axis=1)
        linear = 2.0 * np.take_along_axis(self.scores, columns, axis=1)
        gram = scaled.transpose(0, 2, 1) @ scaled
        parts = Parts(valid=valid, second=second, totals=self.totals)
        aim = lower(gram, linear, parts, start, self.is_slow)
        self._move(columns, start, aim, held)

    def _better(self) -> Flags:
        """The best candidate between every two that hold mass, where it is better than its part."""
        has = self.masses > 0.0
        begins = has.copy()
        begins[:, 1:] |= has[:, :-1]
        begins[:, 1:] |= self.second[:, 1:] != self.second[:, :-1]
        begins[:, 0] = True
        flat = self.scores.ravel()
        starts = np.flatnonzero(begins.ravel())
        piece = np.cumsum(begins.ravel()) - 1
        is_best = flat == np.maximum.reduceat(flat, starts)[piece]
        first = np.minimum.reduceat(np.where(is_best, np.arange(len(flat)), len(flat)), starts)
        found = np.zeros(len(flat), dtype=np.bool_)
        found[first] = True
        level = self._sums(self.masses * self.scores) / np.maximum(self._sums(self.masses), 1e-300)
        return found.reshape(self.scores.shape) & (self.scores > _of_part(level, self.second) * (1.0 + 1e-12))

    def _move(self, columns: Indices, start: Floats, aim: Floats, held: Floats) -> None:
        """As far towards ``aim`` as the likelihood grows, by halving."""
        here, there = self.chances, np.maximum(_product(held, aim), 0.0)
        steps, todo = np.zeros(len(aim)), np.arange(len(aim))
        step = 1.0
        for _ in range(_HALVINGS_MAX):
            chances = here[todo] + step * (there[todo] - here[todo])
            value = _logs(chances)
            is_up = value > self.reached[todo]
            up = todo[is_up]
            steps[up], self.chances[up], self.reached[up] = step, chances[is_up], value[is_up]
            todo = todo[~is_up]
            if not len(todo):
                break
            step /= 2.0
        self.is_slow = steps < _FAR
        moved = start + steps[:, None] * (aim - start)
        self.masses = np.zeros_like(self.masses)
        np.put_along_axis(self.masses, columns, moved, axis=1)


def _product(matrices: Floats, vectors: Floats) -> Floats:
    return np.asarray((matrices @ vectors[:, :, None])[:, :, 0], dtype=np.float64)


def _of_part(values: Floats, second: Flags) -> Floats:
    """Of shape (B, m): the value of the part that each candidate belongs to."""
    return np.where(second, values[:, 1:], values[:, :1])


def _logs(chances: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(chances).sum(axis=1), dtype=np.float64)


def lower(gram: Floats, linear: Floats, problem: Parts, start: Floats, is_slow: Flags) -> Floats:
    """Of each p'Gp/2 - c'p, p >= 0 with the sum of each part fixed, a place to go to from ``start``.

    What would fall below 0 is left out at once, again and again; one at a time (``_lowest``) where that leads nowhere,
    and of what is ``is_slow``. What is not ``valid`` stays 0.
    """
    start = np.where(problem.valid, start, 0.0)
    slope = linear - _product(gram, start)
    system = _Systems(gram, linear, problem, start)
    masses, held, todo = start.copy(), problem.valid.copy(), np.flatnonzero(~is_slow)
    for _ in range(BLOCKS_MAX):
        if not len(todo):
            break
        mine = held[todo]
        solved = system.solved(todo, mine)[:, : start.shape[1]]
        masses[todo] = solved
        falling = mine & (solved < 0.0)
        held[todo] = mine & ~falling
        todo = todo[falling.any(axis=1)]
    gain = (slope * (masses - start)).sum(axis=1)
    poor = np.flatnonzero((gain <= 0.0) | (masses < 0.0).any(axis=1))
    if len(poor):
        masses[poor] = _lowest(system, problem, start, poor)
    return masses


def _lowest(system: _Systems, problem: Parts, start: Floats, chosen: Indices) -> Floats:
    """A primal active set, as in ``quadratic``: lower than at ``start``, and mostly at the least."""
    masses, held, todo = start.copy(), problem.valid.copy(), chosen
    size = start.shape[1]
    for _ in range(PIVOTS_MAX):
        mine, now = held[todo], masses[todo]
        whole = system.solved(todo, mine)
        solved = whole[:, :size]
        falling = mine & (solved < 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            steps = np.where(falling, now / (now - solved), np.inf)
        step = np.minimum(steps.min(axis=1), 1.0)
        now = np.where(mine, now + step[:, None] * (solved - now), 0.0)
        blocked = falling & (steps <= step[:, None])
        now[blocked | (now < 0.0)] = 0.0
        mine &= ~blocked
        is_free = ~falling.any(axis=1)
        pull = np.where(problem.valid[todo] & ~mine, system.pull(todo, whole), -np.inf)
        best, rows = np.argmax(pull, axis=1), np.arange(len(todo))
        is_pulled = is_free & (pull[rows, best] > system.slack[todo])
        mine[rows[is_pulled], best[is_pulled]] = True
        masses[todo], held[todo] = now, mine
        todo = todo[~is_free | is_pulled]
        if not len(todo):
            break
    return masses[chosen]


class _Systems:
    """The linear equations of which masses are best while those of some candidates are held at 0; after the candidates
    a row for the sum of each part, and one of nothing, which pads.
    """

    def __init__(self, gram: Floats, linear: Floats, problem: Parts, start: Floats) -> None:
        sets, size = linear.shape
        at = np.arange(size)
        ridge = _RIDGE * np.maximum(gram[:, at, at], 1.0)
        rows = np.stack((~problem.second, problem.second), axis=1).astype(np.float64)
        self._size = size
        self._matrix = np.zeros((sets, size + 3, size + 3))
        self._matrix[:, :size, :size] = gram
        self._matrix[:, at, at] += ridge
        self._matrix[:, size : size + 2, :size] = rows
        self._matrix[:, :size, size : size + 2] = rows.transpose(0, 2, 1)
        self._wanted = np.concatenate((linear + ridge * start, problem.totals, np.zeros((sets, 1))), axis=1)
        self._second = problem.second
        largest = np.abs(np.where(problem.valid, linear, 0.0)).max(axis=1)
        self.slack: Floats = 1e-9 * np.maximum(1.0, largest)

    def solved(self, sets: Indices, held: Flags) -> Floats:
        """The masses that are best with all others at 0, of any sign, and the multiplier of each part."""
        size, count = self._size, held.sum(axis=1)
        wide = int(count.max())
        at = np.argsort(~held, axis=1, kind="stable")[:, :wide]
        is_pad = np.arange(wide) >= count[:, None]
        at[is_pad] = size + 2
        sums = np.broadcast_to((size, size + 1), (len(sets), 2))
        at = np.concatenate((at, sums), axis=1)
        rows = sets[:, None]
        system = self._matrix[rows[:, :, None], at[:, :, None], at[:, None, :]]
        wanted = self._wanted[rows, at]
        second = held & self._second[sets]
        is_empty = np.stack((~(held & ~second).any(axis=1), ~second.any(axis=1)), axis=1)
        diagonal = np.arange(wide + 2)
        system[:, diagonal, diagonal] += np.concatenate((is_pad, is_empty), axis=1)
        wanted[:, wide:][is_empty] = 0.0
        whole = np.zeros((len(sets), size + 3))
        np.put_along_axis(whole, at, np.linalg.solve(system, wanted[:, :, None])[:, :, 0], axis=1)
        return whole

    def pull(self, sets: Indices, whole: Floats) -> Floats:
        """How much each candidate pulls to be let in."""
        return self._wanted[sets, : self._size] - _product(self._matrix[sets, : self._size], whole)
