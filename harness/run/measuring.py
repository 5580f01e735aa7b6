"""From records to what was measured in them, as the renderers take it."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase

from harness.core.errors import UsageError
from harness.measure.trials import DESCRIBED_MIN, Asked, RowTrials, summarise
from harness.report.measured import Measured, MeasuredRecord
from harness.run.judging import JudgedRecord
from harness.run.row_trials import row_trials


def measured(records: Sequence[JudgedRecord], asked: Asked, only: Sequence[str] = ()) -> Measured:
    """Everything that the records tell of the rows whose alarm, point or key fits one of ``only`` (all, where empty).

    UsageError where the records are of different sites, or nothing fits.
    """
    names = sorted({record.site.name for record in records})
    if len(names) > 1:
        raise UsageError(
            f"the records are of {len(names)} sites ({', '.join(names)}); measure those of one site at a time"
        )
    rows = [row for row in row_trials(records) if not only or any(_fits(row, pattern) for pattern in only)]
    if only and not rows:
        raise UsageError(
            f"--only {' '.join(only)}: no output that was tested fits; give an alarm, a point or a pattern"
        )
    many = [row for row in rows if len(row.trials) >= DESCRIBED_MIN]
    newest = records[-1]
    return Measured(
        site=newest.site.name,
        title=newest.site.title,
        records=tuple(
            MeasuredRecord(name=it.path.name, sha256=it.sha256, firmware=it.site.firmware, seed=it.reader.header.seed)
            for it in records
        ),
        asked=asked,
        rows=tuple(summarise(row, asked) for row in many),
        single=len(rows) - len(many),
    )


def _fits(row: RowTrials, pattern: str) -> bool:
    return any(fnmatchcase(name, pattern) for name in (row.alarm, row.point, row.key))
