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
    gram: Floats,
    linear: Floats,
    start: Floats,
    second: NDArray[np.bool_] | None,
    totals: Floats,
    *,
    is_slow: bool = False,
) -> Floats:
    """Minimise p'Gp/2 - c'p over p >= 0 with the sum of each part fixed.

    Many candidates change sides at once at first (block pivoting: Kim, Park, *SIAM J. Sci. Comput.* 33 (2011) 3261).
    Where that does not settle, what falls below 0 is left out for good, which mostly leads down too; where it does not,
    or where the way is slow (``is_slow``), one at a time from the feasible start (a primal active set). What is
    returned is feasible and only a direction to climb in, so that any of them may stop early.
    """
    size = len(start)
    rows = np.ones((1, size)) if second is None else np.vstack((~second, second)).astype(np.float64)
    rows, sums = rows[totals > 0.0], totals[totals > 0.0]
    slope = linear - gram @ start
    ridge = _RIDGE * np.maximum(np.diag(gram), 1.0)  # towards the start, so that the maximum stays where it is
    linear = linear + ridge * start
    slack = 1e-12 * max(1.0, float(np.abs(linear).max()))
    system = _System(gram + np.diag(ridge), linear, rows, sums)
    held = np.ones(size, dtype=np.bool_)
    for _ in range(_PIVOTS_MAX):
        masses, pull = system.solved(held)
        leaving, entering = held & (masses < 0.0), pull > slack
        if not leaving.any() and not entering.any():
            return masses
        held = (held & ~leaving) | entering
        if not system.has_all_parts(held):
            break
    rest = None if is_slow else _left_out(system, size)
    if rest is not None and float(slope @ (rest - start)) > 0.0:
        return rest
    return _one_by_one(system, start, slack)


class _System:
    """The linear equations of which masses are best while those of some candidates are held at 0."""

    def __init__(self, gram: Floats, linear: Floats, rows: Floats, sums: Floats) -> None:
        self._size, parts = len(linear), len(sums)
        self._rows, self._linear = rows, linear
        self._matrix = np.zeros((self._size + parts, self._size + parts))
        self._matrix[: self._size, : self._size] = gram
        self._matrix[: self._size, self._size :] = rows.T
        self._matrix[self._size :, : self._size] = rows
        self._wanted = np.concatenate((linear, sums))
        self._sums = np.arange(self._size, self._size + parts)

    def has_all_parts(self, held: NDArray[np.bool_]) -> bool:
        """Whether some candidate of each part may have mass."""
        return bool(self._rows[:, held].any(axis=1).all())

    def solved(self, held: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """The masses that are best with all others at 0, of any sign; how much each other one pulls to be let in."""
        at = np.concatenate((np.flatnonzero(held), self._sums))
        whole = np.zeros(len(self._wanted))
        whole[at] = np.linalg.solve(self._matrix[at[:, None], at], self._wanted[at])
        pull = self._linear - self._matrix[: self._size] @ whole
        pull[held] = -np.inf
        return whole[: self._size], pull


def _left_out(system: _System, size: int) -> Floats | None:
    """Masses from which all that would fall below 0 were left out, again and again; None where no part is left."""
    held = np.ones(size, dtype=np.bool_)
    while system.has_all_parts(held):
        masses, _ = system.solved(held)
        falling = held & (masses < 0.0)
        if not falling.any():
            return masses
        held &= ~falling
    return None


def _one_by_one(system: _System, start: Floats, slack: float) -> Floats:
    masses = start.copy()
    held = np.ones(len(start), dtype=np.bool_)
    for _ in range(3 * len(start) + 20):
        solved, pull = system.solved(held)
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
        if not system.has_all_parts(held):
            break
    return np.maximum(masses, 0.0)
