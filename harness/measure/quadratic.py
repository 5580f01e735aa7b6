"""A quadratic function at its least over masses: none below 0, and the sum of each part given. Pure, numpy.

NumPy has no such solver, and SciPy's non-negative least squares fixes no sums; it is a step of ``mixture``, where the
result is certified whatever this returns.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_RIDGE: Final = 1e-12
_PIVOTS_MAX: Final = 15


def best_masses(
    gram: Floats, linear: Floats, start: Floats, second: NDArray[np.bool_] | None, totals: Floats
) -> Floats:
    """Minimise p'Gp/2 - c'p over p >= 0 with the sum of each part fixed.

    Many candidates change sides at once at first (block pivoting: Kim, Park, *SIAM J. Sci. Comput.* 33 (2011) 3261);
    where that does not settle, one at a time from the feasible start (a primal active set). What is returned is
    feasible and only a direction to climb in, so either may stop early.
    """
    size = len(start)
    rows = np.ones((1, size)) if second is None else np.vstack((~second, second)).astype(np.float64)
    rows, sums = rows[totals > 0.0], totals[totals > 0.0]
    ridge = _RIDGE * np.maximum(np.diag(gram), 1.0)  # towards the start, so that the maximum stays where it is
    gram, linear = gram + np.diag(ridge), linear + ridge * start
    slack = 1e-12 * max(1.0, float(np.abs(linear).max()))
    held = np.ones(size, dtype=np.bool_)
    for _ in range(_PIVOTS_MAX):
        masses, pull = _on_held(gram, linear, rows, sums, held)
        leaving, entering = held & (masses < 0.0), pull > slack
        if not leaving.any() and not entering.any():
            return masses
        held = (held & ~leaving) | entering
        if not np.all(rows[:, held].any(axis=1)):
            break
    return _one_by_one(gram, linear, rows, sums, start, slack)


def _one_by_one(gram: Floats, linear: Floats, rows: Floats, sums: Floats, start: Floats, slack: float) -> Floats:
    masses = start.copy()
    held = np.ones(len(start), dtype=np.bool_)
    for _ in range(3 * len(start) + 20):
        solved, pull = _on_held(gram, linear, rows, sums, held)
        falling = held & (solved < 0.0)
        if not falling.any():
            masses = solved
            best = int(np.argmax(pull))
            if pull[best] <= slack:
                break
            held[best] = True
            continue
        steps = np.full(len(start), np.inf)
        steps[falling] = masses[falling] / (masses[falling] - solved[falling])
        step = float(steps.min())
        masses = np.where(held, masses + step * (solved - masses), 0.0)
        blocked = steps <= step
        masses[blocked] = 0.0
        held &= ~blocked
        if not np.all(rows[:, held].any(axis=1)):
            break
    return np.maximum(masses, 0.0)


def _on_held(
    gram: Floats, linear: Floats, rows: Floats, sums: Floats, held: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """The masses that are best with all others at 0, of any sign, and how much each other one pulls to be let in."""
    at = np.flatnonzero(held)
    solved, multipliers = _with_sums(gram[np.ix_(at, at)], linear[at], rows[:, at], sums)
    masses = np.zeros(len(linear))
    masses[at] = solved
    pull = linear - gram @ masses - rows.T @ multipliers
    pull[at] = -np.inf
    return masses, pull


def _with_sums(gram: Floats, linear: Floats, rows: Floats, sums: Floats) -> tuple[Floats, Floats]:
    size, parts = len(linear), len(sums)
    system = np.zeros((size + parts, size + parts))
    system[:size, :size] = gram
    system[:size, size:] = rows.T
    system[size:, :size] = rows
    solved = np.linalg.solve(system, np.concatenate((linear, sums)))
    return solved[:size].astype(np.float64), solved[size:].astype(np.float64)
