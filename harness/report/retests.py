"""Retests inside one record: which results stand, and which were superseded by raising the alarm once more. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from harness.core.model import Result, Stimulus


def split_by_retest(
    results: Iterable[Result], raised_ns: Mapping[str, int], retests: Mapping[str, Sequence[int]]
) -> tuple[list[Result], list[Result]]:
    """(what stands, what was superseded). ``retests``: by alarm, when it was decided to raise it once more.

    A retest takes the place of what was before it only where it gave a result for that row: one that was not carried
    out leaves a fail a fail.
    """
    by_row: dict[str, list[Result]] = {}
    for result in results:
        by_row.setdefault(result.expectation, []).append(result)
    stands: list[Result] = []
    superseded: list[Result] = []
    for of_row in by_row.values():
        newest = _newest(of_row, raised_ns, retests.get(of_row[0].alarm, ()))
        stands += newest
        superseded += [it for it in of_row if it not in newest]
    return stands, superseded


def _newest(results: Sequence[Result], raised_ns: Mapping[str, int], retests: Sequence[int]) -> list[Result]:
    """The results of what was raised after the newest retest that has any."""
    for decided_ns in sorted(retests, reverse=True):
        after = [it for it in results if raised_ns.get(it.stimulus, decided_ns - 1) >= decided_ns]
        if after:
            return after
    return list(results)


def raised_of(stimuli: Iterable[Stimulus]) -> dict[str, int]:
    """By stimulus, the earliest instant at which it was raised."""
    return {it.id: it.raised.lo for it in stimuli}
