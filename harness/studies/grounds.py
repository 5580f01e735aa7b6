"""Whether what was measured of an output may be called proven: not where its raises may have fallen in step with a poll
that nobody declared, nor where what was seen does not fit the times that were declared.

Raises are spread over the polls that the site file declares. A device that polls in another beat may meet each of them
at the same phase of it, and then any number of trials says nothing of the others; that such a beat is there shows in
times that are longer than declared, or in transients that are seen more often than they can be.
"""

from __future__ import annotations

import glob
from collections.abc import Collection, Mapping, Sequence
from typing import Final

from harness.core.model import Site
from harness.measure.trials import RowTrials
from harness.report.budget_document import WayGroup
from harness.results.judging import JudgedRecord
from harness.run.spread import undeclared_words

TO_EXPLAIN: Final = "what was seen does not fit the times that are declared, which is to be explained first"


def unproven(
    records: Sequence[JudgedRecord], rows: Sequence[RowTrials], compared: Collection[str]
) -> Mapping[str, tuple[str, ...]]:
    """Why nothing is proven, by key of the row; rows of which something may be are left out.

    ``compared``: keys of the rows that are held against what the site file of their record predicts.
    """
    found: dict[str, dict[str, None]] = {}
    for number, record in enumerate(records):
        mine = [row for row in rows if any(it.record == number for it in row.trials)]
        for row in mine:
            texts = unproven_way(record.site, row.point)
            found.setdefault(row.key, {}).update(dict.fromkeys(texts))
        for key, texts in _not_fitting(record, [row.key for row in mine if row.key in compared]).items():
            found[key].update(dict.fromkeys(texts))
    return {key: tuple(texts) for key, texts in found.items() if texts}


def unproven_way(site: Site, point: str) -> tuple[str, ...]:
    """Why nothing can be proven of a point, whatever is seen there: what is not declared on its way."""
    return undeclared_words(site, site.points[point].link) if point in site.points else ()


def _not_fitting(record: JudgedRecord, keys: Sequence[str]) -> Mapping[str, tuple[str, ...]]:
    """What of a record lies outside of its own site file's budget, where that says all that it takes to tell."""
    if not keys:
        return {}
    # Only now: most records were made to prove nothing.
    from harness.studies.budget import Asked, budget_of
    from harness.studies.budget_measured import measured_of

    budget = budget_of(record.site, Asked(rows=tuple(glob.escape(key) for key in keys)))
    known = {row.key for group in budget.groups if _is_whole(record.site, group) for row in group.rows}
    return {
        row.key: (f"{TO_EXPLAIN}: {'; '.join(row.against_proof)}. It could be: {'; '.join(row.could_be)}",)
        for row in measured_of(budget, record.site, [record]).rows
        if row.key in known and row.against_proof
    }


def _is_whole(site: Site, group: WayGroup) -> bool:
    """Whether all times up to the point are declared: what takes time that nobody declared says nothing of the rest.

    How long the point's own answer takes is no part of a latency.
    """
    own = f"{group.link}: round trip"
    if any("not declared" in text and not text.startswith(own) for text in group.way.assumed):
        return False
    return all(site.times_of(name).round_trip is not None for name in site.before(group.link))
