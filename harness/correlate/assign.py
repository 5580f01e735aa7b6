"""Which sighting of a point belongs to which stimulus: an order-preserving assignment with the fewest deviations.

Late, missed and stray count one deviation each; ties go to the smaller total distance. The greatest number of pairs is
never the aim: one dead output and one stray would become a row of lates. A window can only take a sighting that is
compatible with it, so the table of the alignment is a narrow band and the cost is linear in the number of pairs
(an order-preserving alignment in the manner of Needleman and Wunsch, J. Mol. Biol. 48 (1970) 443, restricted to it).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.core.instants import FOREVER
from harness.core.model import Expectation, Stimulus
from harness.correlate.demand import Demand
from harness.correlate.outline import Outline

Cost = tuple[int, int]
"""(deviations, distance in ns), compared in this order."""

_UNREACHABLE: Cost = (FOREVER, FOREVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The time in which a stimulus may show at a point. ``implied``: another alarm brings this one with it."""

    stimulus: Stimulus
    expectation: Expectation
    demand: Demand
    implied: bool = False

    @property
    def start(self) -> int:
        """The earliest instant of the raise."""
        return self.demand.raised.lo


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """For each window the number of its sighting, or None; ``ambiguous``: other best solutions say otherwise."""

    own: tuple[int | None, ...]
    ambiguous: tuple[bool, ...]


def assign(outline: Outline, windows: Sequence[Window]) -> Assignment:
    """Assign sightings to ``windows``, which must be in the order of their starts."""
    ranges = [_compatible(outline, window) for window in windows]
    missing = _costs_of_missing(windows)
    own: list[int | None] = [None] * len(windows)
    ambiguous = [False] * len(windows)
    first = 0
    while first < len(windows):
        last, reach = first, ranges[first].stop
        while last + 1 < len(windows) and ranges[last + 1].start < reach:
            last += 1
            reach = max(reach, ranges[last].stop)
        cluster = slice(first, last + 1)
        band = _Band(outline, windows[cluster], ranges[cluster], missing[cluster])
        if not band.is_empty:
            for at, choices in enumerate(band.best_choices()):
                own[first + at] = choices[0]
                ambiguous[first + at] = len(choices) > 1
        first = last + 1
    return Assignment(own=tuple(own), ambiguous=tuple(ambiguous))


def _compatible(outline: Outline, window: Window) -> range:
    """Sightings whose onset may lie in the window: not wholly before the raise, not after the search limit."""
    start = bisect_left(outline.onset_hi, window.start)
    return range(start, max(start, bisect_right(outline.onset_lo, window.demand.search_end_hi)))


class _Band:
    """The band of one cluster of windows. A state before a window is how many sightings are used up.

    Sightings that neither this window nor a later one can take are strays: they are paid for on entering its layer,
    which merges the states behind them and keeps the band narrow.
    """

    def __init__(
        self, outline: Outline, windows: Sequence[Window], ranges: Sequence[range], missing: Sequence[Cost]
    ) -> None:
        self._outline = outline
        self._windows = windows
        self._ranges = ranges
        self._missing = missing
        self.begin = ranges[0].start
        self._stop = max(r.stop for r in ranges)

    @property
    def is_empty(self) -> bool:
        return self.begin >= self._stop

    def best_choices(self) -> list[list[int | None]]:
        """For each window, every choice that some best solution makes."""
        layers: list[dict[int, Cost]] = [{self.begin: (0, 0)}]
        for at in range(len(self._windows)):
            table: dict[int, Cost] = {}
            for used, cost in layers[-1].items():
                for _, state, step in self._options(at, used):
                    total = _plus(cost, step)
                    if total < table.get(state, _UNREACHABLE):
                        table[state] = total
            layers.append(table)
        rest: dict[int, Cost] = dict.fromkeys(layers[-1], (0, 0))
        best = min(layers[-1].values())
        found: list[list[int | None]] = []
        for at in reversed(range(len(self._windows))):
            choices: dict[int | None, None] = {}
            before: dict[int, Cost] = {}
            for used, cost in layers[at].items():
                to_go = _UNREACHABLE
                for choice, state, step in self._options(at, used):
                    tail = _plus(step, rest[state])
                    to_go = min(to_go, tail)
                    if _plus(cost, tail) == best:
                        choices[choice] = None
                before[used] = to_go
            rest = before
            found.append(list(choices))
        return found[::-1]

    def _options(self, at: int, used: int) -> Iterator[tuple[int | None, int, Cost]]:
        """Choices at a window: (sighting or None, state of the next layer, cost)."""
        yield None, *self._enter(at + 1, used, self._missing[at])
        for number in self._ranges[at]:
            if number >= used:
                deviations, distance = self._pair_cost(self._windows[at], number)
                yield number, *self._enter(at + 1, number + 1, (deviations + number - used, distance))

    def _enter(self, at: int, used: int, cost: Cost) -> tuple[int, Cost]:
        start = self._ranges[at].start if at < len(self._ranges) else self._stop
        return max(used, start), (cost[0] + max(0, start - used), cost[1])

    def _pair_cost(self, window: Window, number: int) -> Cost:
        latency_lo = self._outline.onset_lo[number] - window.demand.raised.hi
        distance = max(0, self._outline.onset_hi[number] - window.start)
        return (1 if latency_lo > window.demand.reach_ns and not window.implied else 0, distance)


def _costs_of_missing(windows: Sequence[Window]) -> list[Cost]:
    """1 for a stimulus without a sighting; 0 where none is owed: implied, or the point was already held by another.

    One pass in the order of the starts: of the windows that began before, only the one that holds longest matters.
    """
    costs: list[Cost] = []
    held_until = -FOREVER
    for window in windows:
        owed = not window.implied and held_until <= window.start
        costs.append((1 if owed else 0, 0))
        if not window.demand.is_pulse:
            held_until = max(held_until, _held(window))
    return costs


def _held(window: Window) -> int:
    """Until when a window's alarm may hold its point."""
    release = window.demand.release
    return FOREVER if release is None else release.hi + window.demand.limits.dwell_ns


def _plus(first: Cost, second: Cost) -> Cost:
    return (first[0] + second[0], first[1] + second[1])
