"""Trials that depend on what came of those before: stopped once a claim is decided, or held for ever shorter times.

What is decided here is only what is raised next. What holds in the end is worked out anew from the record.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

from harness.core.durations import at_most
from harness.core.instants import FOREVER, Bounds
from harness.core.model import Result
from harness.core.verdicts import VerdictClass
from harness.correlate.sweeps import Try
from harness.measure.claims import decide
from harness.measure.sequential import Rule
from harness.measure.shortest_shown import Answer, Outcome, ShortestShown
from harness.run.order import Item


class Steering(Protocol):
    """Asked before each alarm. Calls come from the event loop's thread, so they are cheap."""

    def plan(self, ahead: deque[Item]) -> None:
        """May change what is still ahead, or empty it."""

    def judged(self, results: Sequence[Result]) -> None:
        """What one alarm came to at its outputs, as far as is known so far."""

    def tried(self, item: Item, tries: Sequence[Try]) -> str:
        """What became of an alarm that was held for a stated time; returns it in words."""

    @property
    def asking(self) -> str:
        """The point for whose sake the next one is held as long as it is, '' where there is none."""


@dataclass(slots=True, kw_only=True)
class ClaimSteering:
    """Leaves the rest where a claim is decided for every output. ``keys``: of their rows."""

    rule: Rule
    keys: tuple[str, ...]
    _classes: dict[str, list[VerdictClass]] = field(default_factory=dict)

    def plan(self, ahead: deque[Item]) -> None:
        """Empty what is ahead once no further trial could decide anything."""
        if self._classes and not any(decide(self.rule, self._classes.get(key, [])).is_open for key in self.keys):
            ahead.clear()

    def judged(self, results: Sequence[Result]) -> None:
        """Enter one trial."""
        for result in results:
            self._classes.setdefault(result.expectation, []).append(result.verdict.verdict_class)

    def tried(self, item: Item, tries: Sequence[Try]) -> str:
        """A claim is not about alarms of a stated length."""
        del item, tries
        return ""

    @property
    def asking(self) -> str:
        """Every trial counts for every output."""
        return ""


BARREN_MAX: Final = 5
"""So many times in a row an alarm is asked for that is then not raised: refused, skipped, not possible."""

_WORD: Final = {Answer.SHOWN: "shown", Answer.LOST: "not shown", Answer.UNKNOWN: "cannot be told"}


@dataclass(slots=True, kw_only=True)
class ShortestSteering:
    """Searches for the shortest alarm that each output shows, one output after the other.

    ``points``: of the outputs, in the order in which they are searched. A try counts for the output that asked for it
    alone: were it counted for others too, what these show would depend on how the lengths were chosen.
    """

    search: ShortestShown
    points: tuple[str, ...]
    _outcomes: dict[str, list[Outcome]] = field(default_factory=dict)
    _barren: int = 0  # asked for since the last one of which anything came
    asking: str = ""

    def plan(self, ahead: deque[Item]) -> None:
        """The next one is held for as long as the first output that is not done asks for."""
        if not ahead:
            return
        first = ahead[0]
        ahead.clear()
        if self._barren >= BARREN_MAX:
            return
        self._barren += 1
        for point in self.points:
            held_ns = self.search.next_ns(self._outcomes.get(point, ()))
            if held_ns is not None:
                self.asking = point
                ahead.append(replace(first, held_ns=held_ns))
                ahead.append(first)  # something is left to go on from; what it is, is asked again
                return

    def judged(self, results: Sequence[Result]) -> None:
        """No row is judged by an alarm that was held for a stated time."""

    def tried(self, item: Item, tries: Sequence[Try]) -> str:
        """Enter one try for the output that asked for it."""
        held_ns = item.held_ns or 0
        self._barren = 0
        self._outcomes.setdefault(self.asking, []).append(outcome_of(held_ns, tries, self.asking))
        told = (f"{point} {_WORD[outcome_of(held_ns, tries, point).answer]}" for point in self.points)
        return f"held for {at_most(held_ns)}, as {self.asking} asks: {', '.join(told)}"


def outcome_of(held_ns: int, tries: Iterable[Try], point: str) -> Outcome:
    """The try at a point. One of which nothing was read is one of which nothing can be told."""
    mine = next((it for it in tries if it.point == point), None)
    if mine is None:
        return Outcome(held_ns=held_ns, answer=Answer.UNKNOWN, held=Bounds(0, FOREVER))
    answer = Answer.UNKNOWN if mine.shown is None else Answer.SHOWN if mine.shown else Answer.LOST
    return Outcome(held_ns=held_ns, answer=answer, held=mine.held)
