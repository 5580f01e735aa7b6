"""Blocks of registers whose bytes, or whose registers in pairs, are the wrong way round."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Sequence

from harness.core.model import Cause, CauseKind
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.moves import (
    BYTE_SWAP,
    WORD_SWAP,
    Seen,
    explained,
    left_over,
    missing_by_block,
    shown,
    span,
)
from harness.correlate.causes.spots import BITS_PER_REGISTER, Block, Spot


def swapped_parts(case: Case) -> Iterator[Finding]:
    """Bytes or words swapped: bit b of a register seen at b^8, or in its register's mate, in both directions."""
    for of, missing in missing_by_block(case).items():
        if of.is_register_bits:
            yield from _swapped(case, of, missing, BYTE_SWAP, 0)
            yield from _swapped(case, of, missing, WORD_SWAP, 0)
            yield from _swapped(case, of, missing, WORD_SWAP, BITS_PER_REGISTER)


def _swapped(case: Case, of: Block, missing: Sequence[int], mask: int, base: int) -> Iterator[Finding]:
    """Bits that showed at the mirrored place, in registers (or pairs of them, from ``base``) where none worked."""

    def mirror(position: int) -> int:
        return ((position - base) ^ mask) + base

    width = 2 * mask
    groups: dict[int, Seen] = defaultdict(dict)
    for number in missing:
        position = case.spots[case.results[number].point].position
        if number in case.open and any(it.spot == Spot(of, mirror(position)) for it in case.own(number)):
            onset = next(it.onset for it in case.own(number) if it.spot == Spot(of, mirror(position)))
            groups[(position - base) // width].setdefault(position, (number, onset))
    works = case.working.get(of, [])
    whole: Seen = {}
    for group, seen in sorted(groups.items()):
        start = group * width + base
        untouched = bisect_left(works, start) == bisect_left(works, start + width)
        if untouched and len({(position - base) & mask for position in seen}) == 2:
            whole |= seen
    if not whole:
        return
    part, order = ("bytes", "byte order") if mask == BYTE_SWAP else ("words", "word order")
    numbers = explained(case, of, whole, mirror)
    other = ", or these two bits alone are swapped (no other was seen)" if len(whole) == 2 else ""
    yield Finding(
        cause=Cause(
            kind=CauseKind.DECODING,
            code=f"{part}-swapped",
            text=f"the {part} of the registers are swapped: {span(case, of, numbers)}{other}",
            evidence=shown(case, of, whole, mirror),
            next_check=f"compare the {order} in the device's register list with the point map, correct the bits there, "
            "and judge the record again with the corrected map",
        ),
        results=numbers,
        seen=left_over(case, of, whole, mirror),
    )
