"""The refresh of a gateway: the beat on which all onsets of a link lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.model import Cause, CauseKind
from harness.core.trace import Flags, Instants
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.words import pair_text, series
from harness.correlate.wording import span_text, time_text

ONSETS_MIN: Final = 5
ONSETS_MAX: Final = 40
"""So many onsets of a link tell its refresh period; more only lengthen the search."""

PERIODS_MAX: Final = 50_000
"""The most periods that are tried; where the bounds are too narrow for that, none is."""

CHANCE_MAX: Final = 1e-3
"""A refresh period is believed only where onsets spread at random would fit any of those tried less often than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refresh:
    """A period on which all onsets lie, and how many of them there were."""

    period_ns: int
    onsets: int


def latency_of(case: Case, number: int) -> Bounds:
    """The latency of a result; 0 where it has none."""
    return case.results[number].latency or Bounds(0, 0)


def after_text(case: Case, number: int) -> str:
    """How long after its raise a result came on."""
    return f"{pair_text(case.results[number])} after {span_text(latency_of(case, number))}"


def refresh_of(case: Case, link: str, numbers: Sequence[int]) -> Refresh | None:
    """The longest refresh period on whose ticks every onset of the link lies, where chance does not explain that.

    The onsets of k results with bounds of width w lie on a common phase of a period T by chance with a probability
    of at most k * (w / T) ** (k - 1) (each of them in turn as the first of them around the circle; union bound), and
    so many periods were tried. Stimuli that keep that beat themselves explain it too.
    """
    seen = [n for n in case.by_link[link] if case.results[n].latency is not None and case.results[n].attributed]
    seen = seen[:ONSETS_MAX]
    onsets = [onset for n in seen if (onset := case.results[n].onset) is not None and onset.width < FOREVER]
    distinct = sorted({it.hi: it for it in onsets}.values())
    if len(distinct) < ONSETS_MIN:
        return None
    width = max(it.width for it in distinct)
    latencies = [latency_of(case, n) for n in seen]
    spread = max(it.lo for it in latencies) - min(it.hi for it in latencies)
    slowest = max(latency_of(case, n).hi for n in numbers)
    periods = _periods(max(8 * width, spread, 1), 2 * slowest, width, distinct[-1].hi - distinct[0].lo)
    raised = [Bounds(it.lo, max(it.hi, it.lo + width)) for it in (case.stimulus(n).raised for n in seen)]
    chance = len(periods) * len(distinct) * (width / np.maximum(periods, 1)) ** (len(distinct) - 1)
    fits = _on_beat(distinct, periods) & ~_on_beat(raised, periods) & (chance <= CHANCE_MAX)
    if not fits.any():
        return None
    # Neighbouring periods fit as well, as far as the bounds are wide: the middle of the last such row is the best.
    last = int(np.flatnonzero(fits)[-1])
    first = last
    while first > 0 and fits[first - 1]:
        first -= 1
    return Refresh(period_ns=int(periods[(first + last) // 2]), onsets=len(distinct))


def _periods(least: int, most: int, width: int, span: int) -> Instants:
    """Periods from ``least`` to ``most``, so close that over ``span`` no phase drifts by more than half the bounds."""
    ratio = 1 + max(width, 1) / (2 * max(span, 1))
    count = round(math.log(most / least) / math.log(ratio)) + 1 if most > least else 0
    if not 0 < count <= PERIODS_MAX:
        return np.zeros(0, dtype=np.int64)
    return np.round(np.geomspace(least, most, count)).astype(np.int64)


def _on_beat(bounds: Sequence[Bounds], periods: Instants) -> Flags:
    """For each period, whether one phase of it lies in all bounds."""
    first = bounds[0].lo
    low, high = np.zeros(len(periods), dtype=np.int64), np.full(len(periods), bounds[0].width, dtype=np.int64)
    for it in bounds[1:]:
        shift = (it.lo - first + periods // 2) % np.maximum(periods, 1) - periods // 2
        low, high = np.maximum(low, shift), np.minimum(high, shift + it.width)
    found: Flags = low <= high
    return found


def waits_for(case: Case, number: int, grid: Refresh) -> bool:
    """True of a result that is open only for going off with the refresh, or for a limit within a period."""
    result, release = case.results[number], case.demand(number).release
    if result.verdict is Verdict.UNRESOLVED:
        return result.latency is not None and result.latency.hi <= grid.period_ns + grid.period_ns // 4
    if result.verdict is not Verdict.STUCK or result.end is None or release is None:
        return False
    return elapsed(release, result.end).lo <= grid.period_ns + grid.period_ns // 4


def cached(case: Case, link: str, numbers: Sequence[int], grid: Refresh) -> Cause:
    period = time_text(grid.period_ns)
    return Cause(
        kind=CauseKind.TIME,
        code="gateway-refresh",
        text=f"link {link} is refreshed only about every {period}: a gateway that polls the controller or answers from "
        "its memory",
        evidence=f"all {grid.onsets} onsets on this link lie on one beat of about {period}, which the raises do not "
        f"keep; late: {series(after_text(case, n) for n in numbers)}",
        next_check=f"read the poll period or cache time of the gateway behind link {link}, and compare it with the "
        "limits",
    )
