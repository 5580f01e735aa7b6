"""What a report tells of rows that were tried again and again. Where there are none, nothing is computed."""

from __future__ import annotations

import glob
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from harness.core.model import Behaviour
from harness.report.repeated import Repeated
from harness.results.judging import JudgedRecord
from harness.run.trials import CLAIM_EVENT, SEARCH_EVENT

if TYPE_CHECKING:
    from harness.measure.trials import Asked, RowTrials
    from harness.report.measured import Measured

AGAIN: Final = 2
"""Trials in one record from which a row is told to have been tried again."""


def repeated(records: Sequence[JudgedRecord], asked: Asked | None = None) -> Repeated | None:
    """None where no row was tried twice in a record, or often over all of them, and no record was made to prove a claim
    or to find the shortest alarm.

    ``asked``: 95 % of everything where it is None. Times are estimated only of rows that were tried often enough to
    bound their median at both ends. UsageError and RecordError as for ``measured``.
    """
    is_asked = any(record.reader.events(kind) for record in records for kind in (CLAIM_EVENT, SEARCH_EVENT))
    if not is_asked and not _is_any_again(records):
        return None
    # Only now: what estimates is slow to load.
    from harness.measure.trials import Asked
    from harness.studies.measuring import measured
    from harness.studies.row_trials import row_trials

    asked = asked or Asked()
    if is_asked:  # few rows, and what was asked is to be told of all of them
        return repeated_of(measured(records, asked))
    enough = trials_for_median(asked.confidence)
    rows = row_trials(records)
    # A key may hold what patterns are made of.
    keys = [glob.escape(it.key) for it in rows if len(it.measured) >= enough]
    few = tuple(it for it in rows if len(it.measured) < enough and _is_again(it))
    if not keys and not few:
        return None
    return Repeated(
        asked=asked,
        enough=enough,
        records=len(records),
        firmware=_each(record.site.firmware for record in records),
        few=few,
        told=measured(records, asked, keys) if keys else None,
    )


def repeated_of(told: Measured, only: Sequence[str] = ()) -> Repeated | None:
    """The same of what was measured already. ``only``: the patterns by which rows were chosen, () for all of them."""
    enough = trials_for_median(told.asked.confidence)
    rows = tuple(it for it in told.rows if len(it.row.measured) >= enough)
    few = tuple(it.row for it in told.rows if len(it.row.measured) < enough and _is_again(it.row))
    if not (rows or few or told.claims or told.searches):
        return None
    return Repeated(
        asked=told.asked,
        enough=enough,
        records=len(told.records),
        firmware=_each(it.firmware for it in told.records),
        few=few,
        told=replace(told, rows=rows),
        only=tuple(only),
    )


def _is_again(row: RowTrials) -> bool:
    """Whether it was tried again in one record: one that failed and was tested once more on another day was not."""
    counts = Counter(it.record for it in row.measured if not it.is_set_aside)
    return any(count >= AGAIN for count in counts.values())


def _each(firmware: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(it or "not stated" for it in firmware))


def _is_any_again(records: Sequence[JudgedRecord]) -> bool:
    """Whether any row that has to react has two results, of whatever kind."""
    counts: Counter[str] = Counter()
    for record in records:
        loud = {row.key for row in record.site.expectations if row.behaviour is not Behaviour.QUIET}
        counts.update(it.expectation for it in record.judgement.results if it.expectation in loud)
    return any(count >= AGAIN for count in counts.values())


def trials_for_median(confidence: float) -> int:
    """From how many trials on the median of any distribution has bounds at both ends: all lie on one side of it with
    a chance of 0.5^n, at either end (order statistics; David, Nagaraja, *Order Statistics*, 3rd ed., 7.1).
    """
    trials = 1
    while 2.0 * 0.5**trials > 1.0 - confidence:
        trials += 1
    return trials
