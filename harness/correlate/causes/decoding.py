"""Numbers of which bytes or words are the wrong way round: what another order would have read."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from harness.core.model import Cause, CauseKind, Hold
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.words import block, pairs, points
from harness.correlate.outline import outline

_PART: Final = {"bytes-swapped": ("bytes", "byte order"), "words-swapped": ("words", "word order")}


def swapped_numbers(case: Case) -> Iterator[Finding]:
    """Missed numbers that another order of their bytes or words would have shown, each in its window; by block."""
    groups: dict[tuple[str, object], list[int]] = defaultdict(list)
    for number in case.missing():
        result = case.results[number]
        for code, trace in case.evidence.orders.get(result.point, {}).items():
            demand = case.demand(number)
            sketch = outline(trace, Hold())
            seen = [
                at
                for at in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
                if sketch.onset_hi[at] >= demand.raised.lo
            ]
            if seen:
                groups[code, case.spots[result.point].block].append(number)
    for (code, _), numbers in groups.items():
        part, order = _PART[code]
        of = case.spots[case.results[numbers[0]].point].block
        yield Finding(
            cause=Cause(
                kind=CauseKind.DECODING,
                code=code,
                text=f"the {part} of the registers are swapped, in {block(of)}: {points(case, numbers)}",
                evidence=f"with the other {order} each of them would have shown in its window: {pairs(case, numbers)}",
                next_check=f"compare the {order} in the device's register list with the point map, correct "
                f"it there, and "
                "judge the record again with the corrected map",
            ),
            results=tuple(numbers),
        )
