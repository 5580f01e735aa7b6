"""Single alarms at the wrong place: a swapped pair, the same address in another table or unit, another bit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from harness.core.instants import FOREVER
from harness.core.model import Behaviour, Cause, CauseKind, Equal
from harness.core.places import Table
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Appearance, Finding
from harness.correlate.causes.moves import BYTE_SWAP
from harness.correlate.causes.offsets import contrary, distances
from harness.correlate.causes.spots import BITS_PER_REGISTER, LINES, Block, Spot
from harness.correlate.causes.words import after, alarms, block, listed, pairs, place, series, times, where
from harness.correlate.causes.words import point as point_words

CANDIDATES_MAX: Final = 3
"""More places than this came on in the window: a coincidence of any one of them would prove nothing."""

_TWIN: Final = {
    Table.COIL.value: Table.DISCRETE_INPUT.value,
    Table.DISCRETE_INPUT.value: Table.COIL.value,
    Table.INPUT_REGISTER.value: Table.HOLDING_REGISTER.value,
    Table.HOLDING_REGISTER.value: Table.INPUT_REGISTER.value,
}


def swapped_pairs(case: Case) -> Iterator[Finding]:
    """A appeared at B's point and B at A's, each nearest to its own raise."""
    showed: dict[tuple[str, str], list[tuple[int, Appearance]]] = defaultdict(list)
    for number in case.missing():
        for it in case.own(number):
            if it.point and it.point != case.results[number].point:
                showed[case.results[number].point, it.point].append((number, it))
    for (first, second), there in showed.items():
        back = showed.get((second, first))
        if back is None or there[0][0] > back[0][0] or any(n not in case.open for n, _ in (*there, *back)):
            continue
        lines = case.spots[first].block.table == LINES
        shown = {
            point: dict.fromkeys(case.results[n].alarm for n, _ in seen)
            for point, seen in ((first, there), (second, back))
        }
        both = f"{where(case, back[0][1])} and {where(case, there[0][1])}"
        numbers = [n for n in case.missing() if case.results[n].point in (first, second)]
        yield Finding(
            cause=Cause(
                kind=CauseKind.ADDRESS,
                code="swapped-pair",
                text=f"{both} are swapped",
                evidence=f"{_told(case, there)}; {_told(case, back)}",
                next_check="compare the two texts in the printer's list with the point map"
                if lines
                else "compare the two rows in the device's list with the point map, and the wires where there are any; "
                "raise one of the two alone",
            ),
            results=tuple(numbers),
            seen=(*case.left_by(case.spots[second], shown[first]), *case.left_by(case.spots[first], shown[second])),
        )


def wrong_tables(case: Case) -> Iterator[Finding]:
    """The same address in another table, or in another unit, reacted in place of the mapped one."""
    groups: dict[tuple[Block, Block], list[tuple[int, Appearance]]] = defaultdict(list)
    for number in case.missing():
        spot = case.spots[case.results[number].point]
        for it in case.own(number):
            if it.spot.position == spot.position and _is_twin(spot.block, it.spot.block):
                groups[spot.block, it.spot.block].append((number, it))
    for (own, other), every in groups.items():
        seen = [(number, it) for number, it in every if number in case.open]
        if not seen:
            continue
        numbers = list(dict.fromkeys(number for number, _ in seen))
        unit = own.unit != other.unit
        yield Finding(
            cause=Cause(
                kind=CauseKind.IDENTITY if unit else CauseKind.ADDRESS,
                code="wrong-unit" if unit else "wrong-table",
                text=f"{pairs(case, numbers)}: shown in {block(other)}, at the same address, and not in {block(own)}",
                evidence=_told(case, seen),
                next_check="check the unit number in the device's list against the site file"
                if unit
                else "check in the device's list which table (and which read function) these points belong to",
            ),
            results=tuple(numbers),
            seen=tuple(
                dict.fromkeys(left for n, it in seen for left in case.left_by(it.spot, [case.results[n].alarm]))
            ),
        )


def _is_twin(own: Block, other: Block) -> bool:
    if own.link != other.link or own.words != other.words or not (own.is_modbus and other.is_modbus):
        return False
    same_table, same_unit = own.table == other.table, own.unit == other.unit
    return (same_unit and _TWIN[own.table] == other.table) or (same_table and not same_unit)


def wrong_bits(case: Case) -> Iterator[Finding]:
    """One alarm that came on somewhere else every time that it was missed here."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.missing():
        groups[case.results[number].point].append(number)
    for point, numbers in groups.items():
        found = _everywhere(case, numbers)
        if not 0 < len(found) <= CANDIDATES_MAX:
            continue
        spots = sorted({it.spot for _, it in found.values()})
        there = " or ".join(dict.fromkeys(where(case, it) for _, it in found.values()))
        evidence = _told(case, list(found.values()))
        if len(numbers) > 1:
            evidence += f"; so each time that it was raised and missed here ({times(len(numbers))})"
        yield Finding(
            cause=_wrong_bit(case, point, numbers, spots, there, evidence),
            results=tuple(numbers),
            seen=tuple(it for spot in spots for it in case.left_by(spot, {case.results[n].alarm for n in numbers})),
        )


def _wrong_bit(
    case: Case, point: str, numbers: Sequence[int], spots: Sequence[Spot], there: str, evidence: str
) -> Cause:
    own = case.spots[point]
    alarm = alarms(case, numbers)
    here = point_words(case, point) if own in spots else place(case, own)
    if own.block.table == LINES:
        return Cause(
            kind=CauseKind.ADDRESS,
            code="wrong-text",
            text=f"{alarm} prints the text of {listed(spot_alarms(case, spots))} and not its own at {here}",
            evidence=evidence,
            next_check="compare the text of this alarm in the printer's list with the point map",
        )
    same_register = (
        own.block.is_register_bits
        and len(spots) == 1
        and spots[0].block == own.block
        and spots[0].position // BITS_PER_REGISTER == own.position // BITS_PER_REGISTER
    )
    equals = _SWAPPED if same_register and spots[0].position == own.position ^ BYTE_SWAP else ()
    if _may_be_brought(case, numbers, spots, own):
        equals = (*equals, _BROUGHT)
    which = "another bit of the register" if same_register else "another place"
    several = " (what was seen cannot tell which)" if len(spots) > 1 else ""
    return Cause(
        kind=CauseKind.ADDRESS,
        code="wrong-bit",
        text=f"{alarm} is at {which}: {there}{several}, and not at {here}",
        evidence=evidence,
        next_check=f"compare the row of {alarm} in the device's list with the point map; raise {alarm} alone and watch "
        "both places",
        equals=equals,
        deciding="another alarm whose place lies beside it, raised alone" if equals else "",
    )


_SWAPPED: Final = (
    Equal(kind=CauseKind.DECODING, code="bytes-swapped", text="the two bytes of the register are swapped"),
)


def _may_be_brought(case: Case, numbers: Sequence[int], spots: Sequence[Spot], own: Spot) -> bool:
    """True where what came on there may be an alarm that comes with it, in a block that is moved as a whole."""
    for n in numbers:
        brought = case.raises.brings(case.results[n].alarm)
        if not all(case.positions_of(own.block, it) for it in brought):
            return True
        for spot in (it for it in spots if it.block == own.block):
            moved = [by for by in distances(case, n, own.block, spot.position) if by != spot.position - own.position]
            if any(not contrary(case, own.block, by) for by in moved):
                return True
    return False


_BROUGHT: Final = Equal(
    kind=CauseKind.ADDRESS,
    code="address-off-by-one",
    text="it is an alarm that comes with it that shows there, and the whole block is moved",
)


def spot_alarms(case: Case, spots: Iterable[Spot]) -> list[str]:
    """The alarms that are expected at places."""
    return [alarm for spot in spots for name in case.points_at.get(spot, ()) for alarm in case.shown_at[name]]


def _everywhere(case: Case, numbers: Sequence[int]) -> dict[tuple[Spot, str], tuple[int, Appearance]]:
    """Places that came on after every one of these raises, and stayed until the clear; with the first appearance."""
    found: dict[tuple[Spot, str], tuple[int, Appearance]] | None = None
    for number in numbers:
        fitting = _fitting(case, number)
        demand = case.demand(number)
        in_time = [it for it in fitting if it.onset.lo <= demand.raised.hi + demand.reach_ns]
        here = {(it.spot, it.point): (number, it) for it in reversed(in_time or fitting)}
        found = here if found is None else {spot: first for spot, first in found.items() if spot in here}
    return found or {}


def _fitting(case: Case, number: int) -> list[Appearance]:
    """What may be the alarm; of its own block only, where there is any: other kinds of place may show it rightly."""
    point = case.results[number].point
    own = case.spots[point]
    others = (it for it in case.own(number) if it.spot != own or it.point not in ("", point))
    found = [it for it in others if _fits_end(case, number, it)]
    return [it for it in found if it.spot.block == own.block] or [it for it in found if it.point]


def _fits_end(case: Case, number: int, it: Appearance) -> bool:
    """True unless it went off before the alarm was cleared, or stayed much longer, where the point should follow."""
    demand = case.demand(number)
    if demand.behaviour is not Behaviour.FOLLOWS or demand.cleared is None:
        return True
    limits = demand.limits
    latest_end = demand.cleared.hi + limits.dwell_ns + max(limits.gone_within_ns or 0, limits.search_ns)
    return it.end.hi >= demand.cleared.lo and (it.end.lo <= latest_end or it.end.hi >= FOREVER)


def _told(case: Case, seen: Sequence[tuple[int, Appearance]]) -> str:
    told = (
        f"{case.results[number].alarm} ({case.results[number].stimulus}) {_not(case, number)} at "
        f"{case.results[number].point}, and {where(case, it)} came on {after(case, number, it.onset)} after its "
        f"raise{_end_text(case, number, it)}"
        for number, it in seen
    )
    return series(told)


def _not(case: Case, number: int) -> str:
    return "did not show" if case.results[number].verdict in MISSING else "was not seen"


def _end_text(case: Case, number: int, it: Appearance) -> str:
    cleared = case.stimulus(number).cleared
    if cleared is None or it.end.hi >= FOREVER or it.end.hi < cleared.lo:
        return ""
    return " and went off after the clear"
