"""The chance that a pulse is seen by a poll, and by polls of polls. Pure; exact, as rational numbers.

Every poll is taken to run at a random phase of its own. Two that are locked to each other break all of this: each
phase then gives a chance of 0 or 1 (``phase_lock``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from math import factorial, floor, sqrt

from harness.measure.binomial import bracket


def seen_chance(visible: Fraction, periods: Sequence[Fraction]) -> Fraction:
    """That a level held for ``visible`` gets through pollers that each sample what the one before holds.

    One poller of period p: min(1, d/p). After it the image is held for k = floor(d/p) periods, or one more with the
    chance of the fraction that is left; the next poller meets that. Any unit, the same for all. Derived from the
    uniform phase.
    """
    if visible < 0 or any(it <= 0 for it in periods) or not periods:
        raise ValueError(f"visible={visible}, periods={list(periods)}: expected one period or more, each above 0")
    held: Mapping[Fraction, Fraction] = {visible: Fraction(1)}
    for period in periods:
        held = sampled(held, period)
    return sum(held.values(), Fraction(0))


def sampled(lengths: Mapping[Fraction, Fraction], period: Fraction) -> dict[Fraction, Fraction]:
    """For how long a poll of this period holds what it saw, with the chance of each length; what was missed is left.

    ``lengths``: the same of what it polls.
    """
    after: dict[Fraction, Fraction] = {}
    for length, chance in lengths.items():
        samples = floor(length / period)
        more = length / period - samples
        for count, part in ((samples, 1 - more), (samples + 1, more)):
            if count and part:
                after[count * period] = after.get(count * period, Fraction(0)) + chance * part
    return after


@dataclass(frozen=True, slots=True, kw_only=True)
class Cascade:
    """How late a level that stays is seen behind pollers with independent phases: a sum of uniform delays."""

    periods: tuple[Fraction, ...]

    @property
    def mean(self) -> Fraction:
        """Half of all periods."""
        return sum(self.periods, Fraction(0)) / 2

    @property
    def longest(self) -> Fraction:
        """All periods: the worst case."""
        return sum(self.periods, Fraction(0))

    @property
    def deviation(self) -> float:
        """The standard deviation: the variances period^2/12 add up."""
        return sqrt(float(sum((it * it for it in self.periods), Fraction(0)) / 12))

    def within(self, delay: Fraction) -> Fraction:
        """The chance of a delay of at most this, by inclusion and exclusion.

        sum over subsets S of (-1)^|S| max(0, delay - sum of S)^n / (n! product of periods), of Feller, *An
        Introduction to Probability Theory and Its Applications* II (1971), I.9 (from memory), for unequal widths.
        """
        n = len(self.periods)
        total, product = Fraction(0), Fraction(1)
        for period in self.periods:
            product *= period
        for size in range(n + 1):
            for chosen in combinations(self.periods, size):
                left = max(Fraction(0), delay - sum(chosen, Fraction(0)))
                total += (-1) ** size * left**n
        return min(Fraction(1), total / (factorial(n) * product))

    def quantile(self, share: float) -> float:
        """The delay that this share does not exceed, rounded up to the next float."""
        return bracket(lambda delay: self.within(Fraction(delay)) >= share, 0.0, float(self.longest))[1]
