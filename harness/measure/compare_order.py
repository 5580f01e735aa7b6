"""Whether what comes on with an alarm comes in another order than before. Pure.

Two onsets are in order only where one is over before the other can begin. An order counts as a run's own where at least
one trial proves it and none proves the opposite; a change only where both runs have an order and the two differ.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from harness.core.instants import Bounds

Onsets = Mapping[str, Bounds]
"""Of one trial: what came on, and when."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderChange:
    """``first`` came before ``second``, and comes after it now. ``before``, ``after``: (trials that prove it, trials
    that show both).
    """

    alarm: str
    first: str
    second: str
    before: tuple[int, int]
    after: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrdersCompared:
    """``same``: so many pairs keep an order that both runs prove; ``open``: of so many one run at least proves none."""

    changes: tuple[OrderChange, ...]
    same: int
    open: int


def compare_orders(before: Mapping[str, Sequence[Onsets]], after: Mapping[str, Sequence[Onsets]]) -> OrdersCompared:
    """By alarm, the trials of either run; pairs that both runs show together, in the order of the first run's names."""
    changes: list[OrderChange] = []
    same = unsettled = 0
    for alarm, trials in before.items():
        one, other = _orders(trials), _orders(after.get(alarm, ()))
        for (first, second), (forwards, backwards, shown) in one.items():
            found = other.get((first, second))
            if found is None:
                continue
            was, now = _sign(forwards, backwards), _sign(*found[:2])
            if was and now and was != now:
                names = (first, second) if was > 0 else (second, first)
                changes.append(
                    OrderChange(
                        alarm=alarm,
                        first=names[0],
                        second=names[1],
                        before=(max(forwards, backwards), shown),
                        after=(max(found[:2]), found[2]),
                    )
                )
            same += bool(was and was == now)
            unsettled += not (was and now)
    return OrdersCompared(changes=tuple(changes), same=same, open=unsettled)


def _sign(forwards: int, backwards: int) -> int:
    """1 where the first is proven to come first, -1 the second, 0 where neither, or both."""
    return 0 if bool(forwards) == bool(backwards) else 1 if forwards else -1


def _orders(trials: Sequence[Onsets]) -> dict[tuple[str, str], tuple[int, int, int]]:
    """By pair of names: (trials that prove this order, the opposite one, that show both)."""
    forwards: Counter[tuple[str, str]] = Counter()
    shown: Counter[tuple[str, str]] = Counter()
    for trial in trials:
        for (name, onset), (other_name, other) in combinations(sorted(trial.items()), 2):
            shown[name, other_name] += 1
            if onset.hi < other.lo:
                forwards[name, other_name] += 1
            elif other.hi < onset.lo:
                forwards[other_name, name] += 1
    return {pair: (forwards[pair], forwards[pair[::-1]], count) for pair, count in shown.items()}
