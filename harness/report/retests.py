"""Retests inside one record: which results stand, and which were superseded by raising the alarm once more. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from harness.core.instants import FOREVER
from harness.core.model import Result, Stimulus


def split_by_retest(
    results: Iterable[Result], raised_ns: Mapping[str, int], retests: Mapping[str, Sequence[int]]
) -> tuple[list[Result], list[Result]]:
    """(what stands, what was superseded). ``retests``: by alarm, when it was decided to raise it once more.

    A retest takes the place of the raise before it, and of no other, and only where there is a result for that row
    after it: one that was not carried out leaves a fail a fail.
    """
    by_row: dict[str, list[Result]] = {}
    for result in results:
        by_row.setdefault(result.expectation, []).append(result)
    stands: list[Result] = []
    superseded: list[Result] = []
    for of_row in by_row.values():
        raised = {it.stimulus: raised_ns.get(it.stimulus, -FOREVER) for it in of_row}
        replaced = replaced_by_retest(raised, retests.get(of_row[0].alarm, ()))
        stands += [it for it in of_row if it.stimulus not in replaced]
        superseded += [it for it in of_row if it.stimulus in replaced]
    return stands, superseded


def replaced_by_retest(raised_ns: Mapping[str, int], retests: Sequence[int]) -> frozenset[str]:
    """Of the stimuli of one alarm, those that were to be raised once more, and were. ``raised_ns``: when each was."""
    order = sorted(raised_ns, key=lambda it: (raised_ns[it], it))
    found: set[str] = set()
    for decided_ns in retests:
        before = [it for it in order if raised_ns[it] < decided_ns]
        if before and len(before) < len(order):
            found.add(before[-1])
    return frozenset(found)


def raised_of(stimuli: Iterable[Stimulus]) -> dict[str, int]:
    """By stimulus, the earliest instant at which it was raised."""
    return {it.id: it.raised.lo for it in stimuli}
