"""Whole blocks at the wrong place: off by one, or by another offset.

One coincidence is not an offset: at least two places of a block, of two alarms, must have shown at the same distance,
with no place between them that worked.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Cause, CauseKind, Equal
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.moves import (
    BYTE_SWAP,
    WORD_SWAP,
    Seen,
    explained,
    in_block,
    left_over,
    missing_by_block,
    shown,
    shows_moved,
    span,
)
from harness.correlate.causes.spots import BITS_PER_REGISTER, LINES, Block, Spot
from harness.correlate.causes.words import block, listed, pair_text
from harness.correlate.wording import span_text

SHIFTS_MAX: Final = 8
"""More different shifts of parts of one block are no longer one: each is then looked at alone."""


@dataclass(slots=True, kw_only=True)
class _Shift:
    """Places that all showed at the same distance."""

    by: int
    seen: Seen = field(default_factory=dict)

    def spread(self, case: Case) -> int:
        """The sum of the distances in time from raise to appearance: the smaller, the better the shift explains."""
        return sum(onset.hi - case.stimulus(number).raised.lo for number, onset in self.seen.values())

    def moved(self, position: int) -> int:
        """Where a place of the point map showed."""
        return position + self.by


def offsets(case: Case) -> Iterator[Finding]:
    """Blocks in which everything showed at the same distance from where the point map has it."""
    for of, missing in missing_by_block(case).items():
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
            spot = in_block(it.spot, of)
            for by in () if spot is None else distances(case, number, of, spot.position):
                votes.setdefault(by, _Shift(by=by)).seen.setdefault(position, (number, it.onset))
    found = [whole for shift in votes.values() if (whole := _runs(case, of, shift)) is not None]
    return min(found, key=lambda it: (-len(it.seen), it.spread(case), abs(it.by), -it.by, min(it.seen)), default=None)


def distances(case: Case, number: int, of: Block, seen: int) -> Iterator[int]:
    """How far a place that came on is from that of a result; or from that of an alarm that it brings along, where
    something showed just as far from its own: there it is taken for the alarm of that place.
    """
    position = case.spots[case.results[number].point].position
    if seen != position:
        yield seen - position
    for alarm in case.raises.brings(case.results[number].alarm):
        for brought in case.positions_of(of, alarm):
            by = seen - brought
            if by not in (0, seen - position) and shows_moved(case, number, _Shift(by=by).moved):
                yield by


def _runs(case: Case, of: Block, shift: _Shift) -> _Shift | None:
    """The shift without pieces of a single place or alarm: cut where a place between two of its own worked.

    A place that worked only because its alarm brings along the one that the shift moves there is no such place.
    """
    if len(shift.seen) < 2:
        return None
    works = contrary(case, of, shift.by)
    pieces: list[Seen] = []
    last: int | None = None
    for position in sorted(shift.seen):
        if last is None or bisect_left(works, last + 1) != bisect_left(works, position):
            pieces.append({})
        pieces[-1][position] = shift.seen[position]
        last = position
    kept: Seen = {}
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
    numbers = explained(case, of, shift.seen, shift.moved)
    places = {case.results[number].point for number, _ in shift.seen.values()}
    lost = [n for n in numbers if case.results[n].point not in places and not shows_moved(case, n, shift.moved)]
    tail = f"; lost at the end of the block: {listed(pair_text(case.results[n]) for n in lost)}" if lost else ""
    step, code, check = _step(of, shift.by)
    swap = _like_a_swap(of, shift)
    also = _like_a_delay(case, shift)
    return Finding(
        cause=Cause(
            kind=CauseKind.ADDRESS,
            code=code,
            text=f"in {block(of)}, {step}: {span(case, of, numbers)}{also}",
            evidence=shown(case, of, shift.seen, shift.moved) + tail,
            next_check=check,
            equals=swap,
            deciding="an alarm in the other half of one of these registers" if swap else "",
        ),
        results=numbers,
        seen=left_over(case, of, shift.seen, shift.moved, contrary(case, of, shift.by)),
    )


def contrary(case: Case, of: Block, by: int) -> list[int]:
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
        what = of.table.partition(" ")[0]
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
