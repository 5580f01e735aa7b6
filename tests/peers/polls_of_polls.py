"""The chance that a pulse gets through polls of polls: only their steps one after the other, with nothing between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

from harness.measure.budget_steps import sampled


def seen_chance(visible: Fraction, periods: Sequence[Fraction]) -> Fraction:
    """That a level held for ``visible`` gets through pollers that each sample what the one before holds."""
    held: Mapping[Fraction, Fraction] = {visible: Fraction(1)}
    for period in periods:
        held = sampled(held, period)
    return sum(held.values(), Fraction(0))
