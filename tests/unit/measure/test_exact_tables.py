"""Exact tables against worked examples and SciPy."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from harness.measure.exact_tables import Alternative, fisher, holm, least_chance, trials_to_differ


def test_the_lady_who_tastes_tea() -> None:
    """Fisher, *The Design of Experiments* (1935), II: 3 of 4 right is 17/70, all right 1/70."""
    assert fisher([[3, 1], [1, 3]], Alternative.GREATER) == Fraction(17, 70)
    assert fisher([[4, 0], [0, 4]], Alternative.GREATER) == Fraction(1, 70)


def test_fishers_twins() -> None:
    """Convictions of like-sex twins of criminals, in the help of R's fisher.test."""
    table = [[2, 15], [10, 3]]
    assert float(fisher(table, Alternative.LESS)) == pytest.approx(0.0004652, abs=5e-8)
    assert float(fisher(table)) == pytest.approx(0.0005367, abs=5e-8)


@pytest.mark.parametrize("seed", range(10))
def test_tables_are_those_of_scipy(seed: int) -> None:
    table = np.random.default_rng(seed).integers(0, 25, (2, 2)).tolist()
    for alternative in Alternative:
        theirs = stats.fisher_exact(table, alternative=alternative.value)[1]
        assert float(fisher(table, alternative)) == pytest.approx(float(theirs), rel=1e-9)


def test_with_three_against_three_nothing_can_be_significant() -> None:
    """Samples that do not overlap: 2/20 with 3 each, 2/252 with 5 each, as SciPy's exact KS test has it."""
    assert least_chance(3, 3) == Fraction(1, 10)
    assert least_chance(5, 5) == Fraction(2, 252)
    for n in (3, 5):
        theirs = stats.ks_2samp(range(n), range(n, 2 * n), method="exact").pvalue
        assert float(least_chance(n, n)) == pytest.approx(float(theirs))
    assert trials_to_differ(0.05) == 4
    assert trials_to_differ(0.05, comparisons=600) == 9


@pytest.mark.parametrize(("first", "second"), [(2, 5), (3, 4), (3, 3), (4, 4), (1, 9)])
def test_no_table_has_a_smaller_chance_than_the_least(first: int, second: int) -> None:
    tables = [[[a, first - a], [b, second - b]] for a in range(first + 1) for b in range(second + 1)]
    assert min(fisher(it) for it in tables) == least_chance(first, second)


def test_holm_by_hand() -> None:
    """0.01 x 4, 0.013 x 3 (not below 0.04), 0.03 x 2, 0.2: ascending, and in the order that was given."""
    assert holm([0.03, 0.01, 0.2, 0.013]) == pytest.approx([0.06, 0.04, 0.2, 0.04])
    assert holm([0.6, 0.7]) == [1.0, 1.0]
    assert holm([]) == []


def test_holm_keeps_the_rate_of_false_alarms() -> None:
    """Twenty comparisons of nothing, 2,000 times: one or more called significant in about 5 %, not in 64 %."""
    chances = np.random.default_rng(3).random((2000, 20))
    assert np.mean([min(holm(row)) <= 0.05 for row in chances.tolist()]) == pytest.approx(0.05, abs=0.02)


def test_what_is_no_table_is_refused() -> None:
    with pytest.raises(ValueError, match="counts of 0 or more"):
        fisher([[1, -1], [2, 2]])
    with pytest.raises(ValueError, match="comparisons=0"):
        trials_to_differ(0.05, comparisons=0)
