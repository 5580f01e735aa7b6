"""Places of a block that showed at another place, all by the same rule: what that explains, and what it left there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Final

from harness.core.instants import FOREVER, Bounds
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Appearance
from harness.correlate.causes.spots import BITS_PER_REGISTER, Block, Spot
from harness.correlate.causes.words import after, pair_text, place, series

BYTE_SWAP: Final = 8
"""Bit b of a register is bit b ^ 8 where its bytes are swapped."""

WORD_SWAP: Final = 16
"""And bit b ^ 16 of a pair of registers where those are."""

Move = Callable[[int], int]
Seen = dict[int, tuple[int, Bounds]]
"""By position: the result that missed there, and the onset seen at the other place."""


def span(case: Case, of: Block, numbers: Sequence[int]) -> str:
    """The first and the last place of results of a block."""
    positions = [case.spots[case.results[n].point].position for n in numbers]
    return f"{place(case, Spot(of, min(positions)))} to {place(case, Spot(of, max(positions)))}"


def shown(case: Case, of: Block, seen: Seen, moved: Move) -> str:
    """Where each of them showed, in words."""
    told = [
        f"{pair_text(case.results[number])} showed at {_short(case, Spot(of, moved(position)))} "
        f"{after(case, number, onset)} after its raise"
        for position, (number, onset) in sorted(seen.items())
    ]
    return f"{len(seen)} places, none of which showed where it should: {series(told)}"


def _short(case: Case, spot: Spot) -> str:
    names = case.points_at.get(spot)
    return names[0] if names else place(case, spot)


def in_block(spot: Spot, of: Block) -> Spot | None:
    """The place as a position of ``of``; a bit of a register counts as the register where whole ones are mapped."""
    if spot.block == of:
        return spot
    if of.words and spot.block.is_register_bits and spot.block._replace(words=True) == of:
        return Spot(of, spot.position // BITS_PER_REGISTER)
    return None


def missing_by_block(case: Case) -> dict[Block, list[int]]:
    """Numbers of the missing results by their block."""
    found: dict[Block, list[int]] = defaultdict(list)
    for number in case.missing():
        found[case.spots[case.results[number].point].block].append(number)
    return found


def shows_moved(case: Case, number: int, moved: Move) -> bool:
    """True where something came on at the moved place in the window of a result."""
    spot = case.spots[case.results[number].point]
    return any(case.shows_at(number, it) for it in case.readable_as(Spot(spot.block, moved(spot.position))))


def explained(case: Case, of: Block, seen: Seen, moved: Move) -> tuple[int, ...]:
    """The results that the fault explains: those that showed at the moved place, and what it pushed out of the map."""
    known = {number for number, _ in seen.values()}
    first, last = min(seen), max(seen)
    found: list[int] = []
    for number in case.missing():
        spot = case.spots[case.results[number].point]
        if spot.block != of:
            continue
        beside = first - 1 <= spot.position <= last + 1
        unmapped = Spot(of, moved(spot.position)) not in case.points_at
        shows = number in known or shows_moved(case, number, moved)
        if shows or (beside and unmapped):
            found.append(number)
    return tuple(found)


def left_over(
    case: Case, of: Block, seen: Seen, moved: Move, contrary: Sequence[int] | None = None
) -> tuple[Appearance, ...]:
    """What the alarms of the block left at moved places, also where another alarm brought them along.

    As far as the next place that worked; without ``contrary``, no further than the places next to those seen.
    """
    found: dict[Appearance, None] = {}
    first, last = min(seen) - 1, max(seen) + 1
    if contrary is not None:
        first = max((it + 1 for it in contrary if it <= min(seen)), default=-FOREVER)
        last = min((it - 1 for it in contrary if it >= max(seen)), default=FOREVER)
    for name, spot in case.spots.items():
        if spot.block == of and first <= spot.position <= last:
            for target in case.readable_as(Spot(of, moved(spot.position))):
                found.update(dict.fromkeys(case.left_by(target, case.shown_at[name])))
    return tuple(found)
