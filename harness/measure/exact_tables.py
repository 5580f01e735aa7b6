"""Tables of counts, exact, in whole numbers. Pure, standard library only.

Two runs of the same test give a table of two rows: so many missed, so many not. With few trials an exact chance is the
only honest one, and it also says how many trials are needed before any difference could show at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum, unique
from fractions import Fraction
from math import comb

from harness.measure.binomial import smallest


@unique
class Alternative(StrEnum):
    """Which difference is looked for."""

    TWO_SIDED = "two-sided"
    LESS = "less"
    GREATER = "greater"


def fisher(table: Sequence[Sequence[int]], alternative: Alternative = Alternative.TWO_SIDED) -> Fraction:
    """The chance of a table at least as far off with the same sums: Fisher, *Statistical Methods for Research
    Workers*, 21.02.

    ``LESS``: the first cell so small or smaller. Two-sided: every table that is no likelier than the one that was
    found.
    """
    (a, b), (c, d) = table
    if min(a, b, c, d) < 0:
        raise ValueError(f"table={table}: expected counts of 0 or more")
    row, column, total = a + b, a + c, a + b + c + d
    cells = range(max(0, row + column - total), min(row, column) + 1)
    ways = {cell: comb(row, cell) * comb(total - row, column - cell) for cell in cells}
    if alternative is Alternative.LESS:
        kept = [ways[cell] for cell in cells if cell <= a]
    elif alternative is Alternative.GREATER:
        kept = [ways[cell] for cell in cells if cell >= a]
    else:
        kept = [ways[cell] for cell in cells if ways[cell] <= ways[a]]
    return Fraction(sum(kept), sum(ways.values()))


def least_chance(first: int, second: int) -> Fraction:
    """The smallest two-sided chance that any comparison of so many trials with so many can give.

    2/C(2 n, n) for as many in each, since what is dealt the other way round is as far off. With unequal numbers it need
    not be: 1/C(n + m, n), as with 2 misses of 2 against none of 5.
    """
    return min(Fraction(1), Fraction(2 if first == second else 1, comb(first + second, first)))


def trials_to_differ(level: float, *, comparisons: int = 1) -> int:
    """The least trials in each of two runs with which a difference can be significant at all, after Holm's correction.

    4 at 5 %: with 3 against 3 even samples that do not overlap have a chance of 2/20 = 0.1.
    """
    if not 0.0 < level < 1.0 or comparisons < 1:
        raise ValueError(
            f"level={level}, comparisons={comparisons}: expected a level between 0 and 1, one or more comparisons"
        )
    limit = Fraction(level).limit_denominator(10**9) / comparisons
    return smallest(lambda n: least_chance(n, n) <= limit, 10_000)


def holm(chances: Sequence[float]) -> list[float]:
    """Adjusted so that among all of them a false alarm is as rare as the level says. Holm, *Scand. J. Statist.* 6
    (1979) 65.

    The k-th smallest of m, times m - k + 1, never below the one before and never above 1. Order as given.
    """
    adjusted = [0.0] * len(chances)
    reached = 0.0
    for taken, at in enumerate(sorted(range(len(chances)), key=lambda it: chances[it])):
        reached = max(reached, min(1.0, chances[at] * (len(chances) - taken)))
        adjusted[at] = reached
    return adjusted
