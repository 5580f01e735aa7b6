"""Matching one side of a graph with the other, and what every best matching has in common. Pure.

Augmenting paths (Berge 1957); which vertices some best matching leaves out follows from the alternating paths that
begin at those that one of them leaves out (Dulmage and Mendelsohn 1958).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """A matching of the greatest number of pairs, in which the first of the left side come first.

    ``right_of``: left -> right. ``exchangeable``: for each left one that is left out, all that could be left out in its
    place, itself among them; the same of the right side in ``exchangeable_right``.
    """

    right_of: Mapping[int, int]
    left_of: Mapping[int, int]
    exchangeable: Mapping[int, frozenset[int]]
    exchangeable_right: Mapping[int, frozenset[int]]


def best_matching(edges: Sequence[Sequence[int]]) -> Matching:
    """``edges[left]``: the right ones that it may be matched with. A left one that was matched is never given up for a
    later one, so what must be matched stands first.
    """
    right_of: dict[int, int] = {}
    left_of: dict[int, int] = {}
    for left in range(len(edges)):
        _augment(left, edges, right_of, left_of)
    back: dict[int, list[int]] = {}
    for left, rights in enumerate(edges):
        for right in rights:
            back.setdefault(right, []).append(left)
    free = (left for left in range(len(edges)) if left not in right_of)
    free_right = (right for right in back if right not in left_of)
    return Matching(
        right_of=right_of,
        left_of=left_of,
        exchangeable={left: _reached(left, edges, left_of) for left in free},
        exchangeable_right={right: _reached(right, back, right_of) for right in free_right},
    )


def _augment(start: int, edges: Sequence[Sequence[int]], right_of: dict[int, int], left_of: dict[int, int]) -> None:
    """Find a path from ``start`` to a right one that is free, and turn it round. In breadth, so that it is short."""
    came_from: dict[int, int] = {}
    queue = deque([start])
    while queue:
        left = queue.popleft()
        for right in edges[left]:
            if right in came_from:
                continue
            came_from[right] = left
            if right not in left_of:
                _turn_round(right, came_from, right_of, left_of)
                return
            queue.append(left_of[right])


def _turn_round(end: int, came_from: dict[int, int], right_of: dict[int, int], left_of: dict[int, int]) -> None:
    """Match along the path that ends at ``end``, up to the one that had no partner."""
    right: int | None = end
    while right is not None:
        left = came_from[right]
        before = right_of.get(left)
        right_of[left], left_of[right] = right, left
        right = before


def _reached(
    start: int, edges: Sequence[Sequence[int]] | Mapping[int, Sequence[int]], partner: Mapping[int, int]
) -> frozenset[int]:
    """What can be left out in place of ``start``, of its own side; ``partner`` leads from the other side back."""
    seen = {start}
    queue = deque([start])
    while queue:
        for other in edges[queue.popleft()]:
            mate = partner.get(other)
            if mate is not None and mate not in seen:
                seen.add(mate)
                queue.append(mate)
    return frozenset(seen)
