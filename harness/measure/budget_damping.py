"""What a damped current loop does to the latency of an alarm, and to for how long it shows. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import exp, log

from harness.measure.budget_steps import HELD, NANOSECOND, ZERO, Case, Lengths, Need, Range, each


@dataclass(frozen=True, slots=True, kw_only=True)
class Damping:
    """A first-order lag of time constant ``tau`` between the alarm and its threshold.

    Driven from a to b it passes the threshold c after tau ln((b - a)/(b - c)); let go at x it passes it again after
    tau ln((x - a)/(c - a)): the step response of a first-order system. ``rest``: between which values a lies.
    Irrational, so rounded to nanoseconds: outwards in the slowest and quickest case.
    """

    tau: Fraction
    rest: tuple[float, float]
    driven_to: float
    threshold: float

    @property
    def latency(self) -> Range:
        return Range(
            least=_ns(self._up(Case.QUICKEST), Case.QUICKEST),
            usual=_ns(self._up(Case.USUAL), Case.USUAL),
            most=_ns(self._up(Case.SLOWEST), Case.QUICKEST) + NANOSECOND,
        )

    def _from(self, case: Case) -> float:
        """The value at rest: the further from the threshold, the slower."""
        low, high = self.rest
        far, near = (low, high) if self.driven_to > self.threshold else (high, low)
        return {Case.SLOWEST: far, Case.USUAL: (low + high) / 2, Case.QUICKEST: near}[case]

    def _up(self, case: Case) -> float:
        rest = self._from(case)
        return float(self.tau) * log((self.driven_to - rest) / (self.driven_to - self.threshold))

    def _shows(self, length: Fraction, case: Case) -> Fraction:
        if length >= HELD:
            return length
        rest, up = self._from(case), self._up(case)
        if float(length) <= up:
            return ZERO
        let_go = self.driven_to + (rest - self.driven_to) * exp(-float(length / self.tau))
        down = float(self.tau) * log((let_go - rest) / (self.threshold - rest))
        return _ns(float(length) - up + down, case)

    def after(self, lengths: Lengths, case: Case) -> Lengths:
        return each(lengths, lambda length: self._shows(length, case))

    def needs(self, need: Need) -> Need | None:
        """Found by halving, to the nanosecond: what shows grows with what lasts."""
        low, high = ZERO, need.length + self.latency.most + NANOSECOND
        while high - low > NANOSECOND:
            middle = (low + high) / 2
            if self._shows(middle, Case.SLOWEST) > need.length:
                high = middle
            else:
                low = middle
        return Need(length=-(-high // NANOSECOND) * NANOSECOND, longer=False)


def _ns(seconds: float, case: Case) -> Fraction:
    whole = round(seconds * 1e9)
    whole += {Case.SLOWEST: -1, Case.USUAL: 0, Case.QUICKEST: 1}[case]
    return max(ZERO, whole * NANOSECOND)
