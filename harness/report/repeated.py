"""What a report tells of rows that were tried again and again, as one frozen value for its renderers.

Nothing of the statistics is loaded for it, so that a report of a site that was tested once stays quick.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.measure.trials import Asked, RowTrials
    from harness.report.measured import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """``told``: what was measured of rows with at least ``enough`` trials, and of claims and searches; None of none.

    ``few``: the rows with at least two trials of one record of which something can be measured, and fewer than
    ``enough`` in all.
    ``records``: how many were measured together; ``firmware``: all that they state. ``only``: the patterns that rows
    fit, where somebody asked for some of them alone.
    """

    asked: Asked
    enough: int
    records: int
    firmware: tuple[str, ...]
    few: tuple[RowTrials, ...] = ()
    told: Measured | None = None
    only: tuple[str, ...] = ()
