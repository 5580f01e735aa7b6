"""Units of a bus that never answer, answer under another address, or refuse what they are asked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.links import ModbusLink, ModbusRtuLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Appearance, Finding
from harness.correlate.causes.spots import Block
from harness.correlate.causes.unseen import unseen
from harness.correlate.causes.words import after, block, listed, pair_text, points, series, where

ILLEGAL_DATA_ADDRESS: Final = "exception 02"
"""How a failed poll names it (V1.1b3, 7)."""

_TWIN: Final = {
    "coil": "discrete-input",
    "discrete-input": "coil",
    "input-register": "holding-register",
    "holding-register": "input-register",
}


def refused_tables(case: Case) -> Iterator[Finding]:
    """The device has no such addresses, and those of the other table, read along, showed the alarms."""
    groups: dict[Block, list[tuple[int, Appearance | None]]] = defaultdict(list)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED):
        spot = case.spots[case.results[number].point]
        if (
            spot.block.is_modbus
            and _whys(case, number)
            and all(ILLEGAL_DATA_ADDRESS in it for it in _whys(case, number))
        ):
            twin = spot.block._replace(table=_TWIN[spot.block.table])
            shown = next((it for it in case.near(number) if it.spot == spot._replace(block=twin)), None)
            groups[spot.block].append((number, shown))
    for of, every in groups.items():
        seen = [(number, it) for number, it in every if it is not None]
        if not seen:
            continue
        other = of._replace(table=_TWIN[of.table])
        numbers = [number for number, _ in every]
        told = series(
            f"{pair_text(case.results[n])}: {where(case, it)} came on {after(case, n, it.onset)} after its raise"
            for n, it in seen
        )
        yield Finding(
            cause=Cause(
                kind=CauseKind.ADDRESS,
                code="wrong-table",
                text=f"{points(case, numbers)}: in {block(other)}, at the same addresses, and not in {block(of)}",
                evidence=f"the device has no such addresses ({ILLEGAL_DATA_ADDRESS}); {told}",
                next_check="check in the device's list which table (and which read function) these points belong to",
            ),
            results=tuple(numbers),
            seen=tuple(it for _, it in seen),
        )


def _whys(case: Case, number: int) -> list[str]:
    """Why the polls of the block of a result failed, where no poll of its point was ever answered."""
    result = case.results[number]
    spot = case.spots[result.point]
    if len(case.sketches[result.point].trace):
        return []
    link = case.link_of(result.point)
    return [
        it.why
        for it in case.evidence.blind
        if it.link == link and it.unit == spot.block.unit and it.table == spot.block.table
    ]


def silent_units(case: Case) -> Iterator[Finding]:
    """Units of a bus of which not one poll was answered, while others of it answered: dead, or at another address."""
    groups: dict[tuple[str, int], list[int]] = defaultdict(list)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED):
        spot = case.spots[case.results[number].point]
        if spot.block.is_modbus and isinstance(case.site.links.get(spot.block.link), ModbusRtuLink):
            groups[spot.block.link, spot.block.unit].append(number)
    for (link, unit), numbers in groups.items():
        names = [name for name, spot in case.spots.items() if spot.block.link == link and spot.block.unit == unit]
        whys = {it.why for it in case.evidence.blind if it.link == link and it.unit == unit}
        if any(len(case.sketches[name].trace) for name in names) or not whys:
            continue
        foreign = sorted(it for it in whys if "answered" in it and "was asked" in it)
        if foreign:
            yield Finding(cause=_foreign(case, link, unit, numbers, foreign), results=tuple(numbers))
        elif any("no answer" in it for it in whys):
            yield Finding(cause=_silent(case, link, unit, numbers), results=tuple(numbers))


def _foreign(case: Case, link: str, unit: int, numbers: Sequence[int], whys: Sequence[str]) -> Cause:
    return Cause(
        kind=CauseKind.IDENTITY,
        code="foreign-answers",
        text=f"unit {unit} of link {link} answers under another address: {points(case, numbers)}",
        evidence=f"every answer to unit {unit} was refused: {listed(whys, 3)}",
        next_check="read the address that is set in the unit, and look for a second unit or a converter that rewrites "
        "addresses",
    )


def _silent(case: Case, link: str, unit: int, numbers: Sequence[int]) -> Cause:
    others = sorted({spot.block.unit for name, spot in case.spots.items()
                     if spot.block.link == link and len(case.sketches[name].trace)})  # fmt: skip
    alive = f"; unit {listed(map(str, others))} of the same bus answered" if others else "; nor did any other"
    return Cause(
        kind=CauseKind.IDENTITY,
        code="unit-silent",
        text=f"unit {unit} of link {link} never answered: {points(case, numbers)}",
        evidence=f"not one poll of unit {unit} was answered in the whole run{alive}",
        next_check=f"look at the unit itself: is it powered, wired, at this speed and parity, and set to "
        f"address {unit}",
        equals=(
            Equal(kind=CauseKind.TRANSPORT, code="unit-dead", text="it is dead, or cut off from the bus"),
            Equal(kind=CauseKind.IDENTITY, code="unit-address", text="it is set to another address"),
        ),
        deciding="the address that is set in the unit; or one read of each address that no unit should have",
    )


def noise(case: Case) -> Iterator[Finding]:
    """Answers whose check sum did not match, where unknown results lack samples."""
    groups: dict[tuple[str, int], list[int]] = defaultdict(list)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED):
        spot = case.spots[case.results[number].point]
        spec = case.site.links.get(spot.block.link)
        if not isinstance(spec, ModbusLink) or not spot.block.is_modbus:
            continue
        windows = unseen(case, number)
        if any(
            it.link == spot.block.link and it.unit == spot.block.unit and "CRC" in it.why
            and any(it.span.lo <= window.hi and it.span.hi >= window.lo for window in windows)
            for it in case.evidence.blind
        ):  # fmt: skip
            groups[spot.block.link, spot.block.unit].append(number)
    for (link, unit), numbers in groups.items():
        count = sum(it.link == link and it.unit == unit and "CRC" in it.why for it in case.evidence.blind)
        yield Finding(
            cause=Cause(
                kind=CauseKind.TRANSPORT,
                code="line-noise",
                text=f"answers of unit {unit} on link {link} came in broken: {points(case, numbers)}",
                evidence=f"{count} answers whose CRC did not match, also in these windows",
                next_check="look at the shield, the earth, the termination and the bias of the line, and at the speed; "
                "then raise these again",
            ),
            results=tuple(numbers),
        )
