"""Whole blocks at the wrong place: off by one, by another offset, with their bytes or words swapped.

One coincidence is not an offset: at least two places of a block, of two alarms, must have shown at the same distance,
with no place between them that worked.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Cause, CauseKind, Equal
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Appearance, Finding
from harness.correlate.causes.spots import BITS_PER_REGISTER, LINES, Block, Spot
from harness.correlate.causes.words import after, block, listed, pair_text, place, series
from harness.correlate.wording import span_text

BYTE_SWAP: Final = 8
WORD_SWAP: Final = 16
SHIFTS_MAX: Final = 8
"""More different shifts of parts of one block are no longer one: each is then looked at alone."""

_Move = Callable[[int], int]
_Seen = dict[int, tuple[int, Bounds]]
"""By position: the result that missed there, and the onset seen at the other place."""


@dataclass(slots=True, kw_only=True)
class _Shift:
    """Places that all showed at the same distance."""

    by: int
    seen: _Seen = field(default_factory=dict)

    def spread(self, case: Case) -> int:
        """The sum of the distances in time from raise to appearance: the smaller, the better the shift explains."""
        return sum(onset.hi - case.stimulus(number).raised.lo for number, onset in self.seen.values())

    def moved(self, position: int) -> int:
        """Where a place of the point map showed."""
        return position + self.by


def swapped_parts(case: Case) -> Iterator[Finding]:
    """Bytes or words swapped: bit b of a register seen at b^8, or in its register's mate, in both directions."""
    for of, missing in _missing_by_block(case).items():
        if of.is_register_bits:
            yield from _swapped(case, of, missing, BYTE_SWAP, 0)
            yield from _swapped(case, of, missing, WORD_SWAP, 0)
            yield from _swapped(case, of, missing, WORD_SWAP, BITS_PER_REGISTER)


def _swapped(case: Case, of: Block, missing: Sequence[int], mask: int, base: int) -> Iterator[Finding]:
    """Bits that showed at the mirrored place, in registers (or pairs of them, from ``base``) where none worked."""

    def mirror(position: int) -> int:
        return ((position - base) ^ mask) + base

    width = 2 * mask
    groups: dict[int, _Seen] = defaultdict(dict)
    for number in missing:
        position = case.spots[case.results[number].point].position
        if number in case.open and any(it.spot == Spot(of, mirror(position)) for it in case.own(number)):
            onset = next(it.onset for it in case.own(number) if it.spot == Spot(of, mirror(position)))
            groups[(position - base) // width].setdefault(position, (number, onset))
    works = case.working.get(of, [])
    whole: _Seen = {}
    for group, seen in sorted(groups.items()):
        start = group * width + base
        untouched = bisect_left(works, start) == bisect_left(works, start + width)
        if untouched and len({(position - base) & mask for position in seen}) == 2:
            whole |= seen
    if not whole:
        return
    part, order = ("bytes", "byte order") if mask == BYTE_SWAP else ("words", "word order")
    numbers = _explained(case, of, whole, mirror)
    other = ", or these two bits alone are swapped (no other was seen)" if len(whole) == 2 else ""
    yield Finding(
        cause=Cause(
            kind=CauseKind.DECODING,
            code=f"{part}-swapped",
            text=f"the {part} of the registers are swapped: {_span(case, of, numbers)}{other}",
            evidence=_shown(case, of, whole, mirror),
            next_check=f"compare the {order} in the device's register list with the point map, correct the bits there, "
            "and judge the record again with the corrected map",
        ),
        results=numbers,
        seen=_left_over(case, of, whole, mirror),
    )


def offsets(case: Case) -> Iterator[Finding]:
    """Blocks in which everything showed at the same distance from where the point map has it."""
    for of, missing in _missing_by_block(case).items():
        for _ in range(SHIFTS_MAX):
            best = _best(case, of, [n for n in missing if n in case.open])
            if best is None:
                break
            yield _offset(case, of, best)


def _best(case: Case, of: Block, missing: Sequence[int]) -> _Shift | None:
    """The shift that explains the most places; then the one nearest in time, then the smallest."""
    votes: dict[int, _Shift] = {}
    for number in missing:
        position = case.spots[case.results[number].point].position
        for it in case.near(number):
            spot = _in_block(it.spot, of)
            if spot is not None and spot.position != position:
                by = spot.position - position
                votes.setdefault(by, _Shift(by=by)).seen.setdefault(position, (number, it.onset))
    found = [whole for shift in votes.values() if (whole := _runs(case, of, shift)) is not None]
    return min(found, key=lambda it: (-len(it.seen), it.spread(case), abs(it.by), -it.by, min(it.seen)), default=None)


def _runs(case: Case, of: Block, shift: _Shift) -> _Shift | None:
    """The shift without pieces of a single place or alarm: cut where a place between two of its own worked.

    A place that worked only because its alarm brings along the one that the shift moves there is no such place.
    """
    if len(shift.seen) < 2:
        return None
    contrary = _contrary(case, of, shift.by)
    pieces: list[_Seen] = []
    last: int | None = None
    for position in sorted(shift.seen):
        if last is None or bisect_left(contrary, last + 1) != bisect_left(contrary, position):
            pieces.append({})
        pieces[-1][position] = shift.seen[position]
        last = position
    kept: _Seen = {}
    for piece in pieces:
        if len(piece) >= 2 and len({case.results[number].alarm for number, _ in piece.values()}) >= 2:
            kept |= piece
    return _Shift(by=shift.by, seen=kept) if kept else None


def _worked_by_another(case: Case, of: Block, position: int, by: int) -> bool:
    """True where the alarm of a place brings another along that the shift moves there, or that has no place here."""
    alarms = [alarm for name in case.points_at[Spot(of, position)] for alarm in case.shown_at[name]]
    brought = {alarm for name in case.points_at.get(Spot(of, position - by), ()) for alarm in case.shown_at[name]}
    if Spot(of, position - by) not in case.points_at:
        brought = {it for alarm in alarms for it in case.raises.brings(alarm) if not case.positions_of(of, it)}
    return bool(alarms) and all(not brought.isdisjoint(case.raises.brings(alarm)) for alarm in alarms)


def _offset(case: Case, of: Block, shift: _Shift) -> Finding:
    numbers = _explained(case, of, shift.seen, shift.moved)
    shown = {case.results[number].point for number, _ in shift.seen.values()}
    lost = [n for n in numbers if case.results[n].point not in shown and not _shows_moved(case, n, shift.moved)]
    tail = f"; lost at the end of the block: {listed(pair_text(case.results[n]) for n in lost)}" if lost else ""
    step, code, check = _step(of, shift.by)
    swap = _like_a_swap(of, shift)
    also = _like_a_delay(case, shift)
    return Finding(
        cause=Cause(
            kind=CauseKind.ADDRESS,
            code=code,
            text=f"in {block(of)}, {step}: {_span(case, of, numbers)}{also}",
            evidence=_shown(case, of, shift.seen, shift.moved) + tail,
            next_check=check,
            equals=swap,
            deciding="an alarm in the other half of one of these registers" if swap else "",
        ),
        results=numbers,
        seen=_left_over(case, of, shift.seen, shift.moved, _contrary(case, of, shift.by)),
    )


def _contrary(case: Case, of: Block, by: int) -> list[int]:
    """The places of a block that really worked, in order."""
    return [it for it in case.working.get(of, []) if not _worked_by_another(case, of, it, by)]


def _step(of: Block, by: int) -> tuple[str, str, str]:
    """The step in words, its code, and what to check."""
    further = "further on" if by > 0 else "further back"
    single = abs(by) == 1
    if of.table == LINES:
        ranks = "one row" if single else f"{abs(by)} rows"
        check = "compare the printer's list of texts with the alarm list, row by row from the first one"
        step = f"every alarm prints the text of the alarm {ranks} {further} in the point map"
        return step, "text-off-by-one" if single else "text-offset", check
    what = "bit" if of.is_register_bits else "register" if of.words else "address" if of.is_modbus else "instance"
    if of.is_ranked:
        what = of.table
    if of.is_register_bits and by % BITS_PER_REGISTER == 0:
        what, by = "register", by // BITS_PER_REGISTER
    plural = "es" if what == "address" else "s"
    step = f"every alarm shows {'one' if abs(by) == 1 else abs(by)} {what}{'' if abs(by) == 1 else plural} {further}"
    again = "then judge the record again with the corrected map"
    if abs(by) == 1:
        check = (
            f"see whether the device's list counts from 0 or from 1 and what numbering the site file states, {again}"
        )
        return step, "address-off-by-one", check
    check = f"compare the first address of this block in the device's list with the point map, {again}"
    return step, "address-offset", check


def _like_a_swap(of: Block, shift: _Shift) -> tuple[Equal, ...]:
    """What the evidence cannot tell apart from the shift: swapped bytes or words of which one half is in use."""
    mask = abs(shift.by)
    if not of.is_register_bits or mask not in (BYTE_SWAP, WORD_SWAP):
        return ()
    if any(position ^ mask != position + shift.by for position in shift.seen):
        return ()
    part = "bytes of each register" if mask == BYTE_SWAP else "registers of each pair"
    code = "bytes-swapped" if mask == BYTE_SWAP else "words-swapped"
    text = f"the {part} are swapped (the other half showed nothing that would tell)"
    return (Equal(kind=CauseKind.DECODING, code=code, text=text),)


def _span(case: Case, of: Block, numbers: Sequence[int]) -> str:
    positions = [case.spots[case.results[n].point].position for n in numbers]
    return f"{place(case, Spot(of, min(positions)))} to {place(case, Spot(of, max(positions)))}"


def _shown(case: Case, of: Block, seen: _Seen, moved: _Move) -> str:
    told = [
        f"{pair_text(case.results[number])} showed at {_short(case, Spot(of, moved(position)))} "
        f"{after(case, number, onset)} after its raise"
        for position, (number, onset) in sorted(seen.items())
    ]
    return f"{len(seen)} places, none of which showed where it should: {series(told)}"


def _short(case: Case, spot: Spot) -> str:
    names = case.points_at.get(spot)
    return names[0] if names else place(case, spot)


def _in_block(spot: Spot, of: Block) -> Spot | None:
    """The place as a position of ``of``; a bit of a register counts as the register where whole ones are mapped."""
    if spot.block == of:
        return spot
    if of.words and spot.block.is_register_bits and spot.block._replace(words=True) == of:
        return Spot(of, spot.position // BITS_PER_REGISTER)
    return None


def _missing_by_block(case: Case) -> dict[Block, list[int]]:
    found: dict[Block, list[int]] = defaultdict(list)
    for number in case.missing():
        found[case.spots[case.results[number].point].block].append(number)
    return found


def _shows_moved(case: Case, number: int, moved: _Move) -> bool:
    spot = case.spots[case.results[number].point]
    return any(case.shows_at(number, it) for it in case.readable_as(Spot(spot.block, moved(spot.position))))


def _explained(case: Case, of: Block, seen: _Seen, moved: _Move) -> tuple[int, ...]:
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
        shows = number in known or _shows_moved(case, number, moved)
        if shows or (beside and unmapped):
            found.append(number)
    return tuple(found)


def _left_over(
    case: Case, of: Block, seen: _Seen, moved: _Move, contrary: Sequence[int] | None = None
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


def _like_a_delay(case: Case, shift: _Shift) -> str:
    """A delay of just the time between two raises looks the same, where each point came on with the next raise."""
    late = [n for n, _ in shift.seen.values() if n in case.displaced]
    delays = [delay for n in late if (delay := case.results[n].latency) is not None]
    if 2 * len(late) < len(shift.seen) or not delays:
        return ""
    low, high = max(it.lo for it in delays), min(it.hi for it in delays)
    if low > high:
        return ""
    return f", or everything is late by {span_text(Bounds(low, high))}, which is just the time between two raises"
