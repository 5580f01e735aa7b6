"""Masses that minimise a quadratic function, against a general optimiser."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from harness.measure import quadratic


@pytest.mark.parametrize("pivots", [0, 15])
@pytest.mark.parametrize("seed", range(6))
def test_no_optimiser_finds_less(seed: int, pivots: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """SciPy's SLSQP, with one part and with two; by block pivoting and, with that switched off, one at a time."""
    monkeypatch.setattr(quadratic, "_PIVOTS_MAX", pivots)
    rng = np.random.default_rng(seed)
    size = int(rng.integers(3, 9))
    columns = rng.random((size + 3, size))
    gram, linear = columns.T @ columns, columns.sum(axis=0) * rng.random(size)
    second = np.arange(size) >= size // 2 if seed % 2 else None
    totals = np.array([0.3, 0.7]) if second is not None else np.array([1.0])
    parts = [~second, second] if second is not None else [np.ones(size, dtype=np.bool_)]
    start = np.zeros(size)
    for part, total in zip(parts, totals, strict=True):
        start[part] = total / part.sum()

    def loss(masses: np.ndarray) -> float:
        return float(masses @ gram @ masses / 2 - linear @ masses)

    theirs = minimize(
        loss,
        start,
        bounds=[(0, 1)] * size,
        constraints=[
            {"type": "eq", "fun": lambda masses, part=part, total=total: masses[part].sum() - total}
            for part, total in zip(parts, totals, strict=True)
        ],
        options={"ftol": 1e-14, "maxiter": 500},
    )
    found = quadratic.best_masses(gram, linear, start, second, totals, is_slow=True)
    assert found.min() >= 0.0
    for part, total in zip(parts, totals, strict=True):
        assert found[part].sum() == pytest.approx(total, abs=1e-9)
    assert loss(found) <= theirs.fun + 1e-9


@pytest.mark.parametrize("seed", range(6))
def test_what_is_left_out_for_good_leads_down_too(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without block pivoting, from a start that is feasible: lower than there, and every mass and sum as it must be."""
    monkeypatch.setattr(quadratic, "_PIVOTS_MAX", 0)
    rng = np.random.default_rng(seed)
    columns = rng.random((12, 9))
    gram, linear = columns.T @ columns, columns.sum(axis=0) * rng.random(9)
    second, totals = np.arange(9) >= 4, np.array([0.3, 0.7])
    start = np.where(second, 0.7 / 5, 0.3 / 4)
    found = quadratic.best_masses(gram, linear, start, second, totals)
    assert found.min() >= 0.0
    assert [found[~second].sum(), found[second].sum()] == pytest.approx(totals.tolist(), abs=1e-9)
    before, after = (float(it @ gram @ it / 2 - linear @ it) for it in (start, found))
    assert after < before
