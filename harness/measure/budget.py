"""How late an alarm shows behind each step on its way, and with what chance one of a given length shows at all. Pure.

Exact for polls of independent phases. Two that are locked to each other break it: every phase then gives 0 or 1
(``phase_lock``). A measurement is held against it by exact bounds of its share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import reduce

from harness.measure.budget_steps import NOTHING, Case, Lengths, Need, Range, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Hop:
    """One step on the way, in words.

    ``with_dead``: the same while one unit of its bus does not answer, None where it is on none.
    """

    words: str
    step: Step
    with_dead: Step | None = None

    def taken(self, *, dead: bool = False) -> Step:
        """The step, as it is while a unit is dead or while all answer."""
        return self.with_dead if dead and self.with_dead is not None else self.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Watcher:
    """Who looks at the point, and how."""

    name: str
    hops: tuple[Hop, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """From the alarm to the point, and on to everybody who looks at it.

    ``assumed``: what was taken for what nobody declared; two ways that differ in nothing else are the same.
    """

    hops: tuple[Hop, ...]
    watchers: tuple[Watcher, ...]
    assumed: tuple[str, ...] = field(default=(), compare=False)

    def steps(self, watcher: Watcher | None = None, *, dead: bool = False) -> tuple[Step, ...]:
        """All steps up to the point, or on to one who looks at it."""
        hops = self.hops if watcher is None else (*self.hops, *watcher.hops)
        return tuple(hop.taken(dead=dead) for hop in hops)

    def has_bus(self, watcher: Watcher | None = None) -> bool:
        """True where a dead unit makes a difference."""
        hops = self.hops if watcher is None else (*self.hops, *watcher.hops)
        return any(hop.with_dead is not None for hop in hops)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """That it is seen: in the slowest, the usual and the quickest case of what was declared."""

    slowest: Fraction
    usual: Fraction
    quickest: Fraction

    @property
    def low(self) -> Fraction:
        """The smallest of the three."""
        return min(self.slowest, self.usual, self.quickest)

    @property
    def high(self) -> Fraction:
        """The greatest of the three."""
        return max(self.slowest, self.usual, self.quickest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What holds behind one step: the latency since the raise, of an alarm that stays, and a chance for each length."""

    latency: Range
    chances: tuple[Chance, ...]


def stages(steps: Sequence[Step], lengths: Sequence[Fraction]) -> tuple[Stage, ...]:
    """One for each step, in order. ``lengths``: for how long the alarm lasts, each above 0."""
    if any(length <= 0 for length in lengths):
        raise ValueError(f"lengths={list(lengths)}: expected each above 0")
    shown: dict[tuple[Fraction, Case], Lengths] = {(it, case): {it: Fraction(1)} for it in lengths for case in Case}
    latency, found = NOTHING, []
    for step in steps:
        latency = latency + step.latency
        shown = {key: step.after(before, key[1]) for key, before in shown.items()}
        chances = tuple(
            Chance(
                slowest=_sum(shown[it, Case.SLOWEST]),
                usual=_sum(shown[it, Case.USUAL]),
                quickest=_sum(shown[it, Case.QUICKEST]),
            )
            for it in lengths
        )
        found.append(Stage(latency=latency, chances=chances))
    return tuple(found)


def chance_of(steps: Sequence[Step], length: Fraction, case: Case = Case.USUAL) -> Fraction:
    """That an alarm of one length is seen behind all steps, in one case."""
    first: Lengths = {length: Fraction(1)}
    return _sum(reduce(lambda before, step: step.after(before, case), steps, first))


def certain_from(steps: Sequence[Step]) -> Need | None:
    """The length from which on it is seen for certain, in the slowest case; None where no length is enough."""
    need: Need | None = Need()
    for step in reversed(steps):
        if need is None:
            return None
        need = step.needs(need)
    return need


def _sum(lengths: Lengths) -> Fraction:
    return sum(lengths.values(), Fraction(0))
