"""Points that show too late: a delay that a whole link shares, the refresh of a gateway, or one output's own delay."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, NS_PER_MS, Bounds, elapsed
from harness.core.model import Cause, CauseKind
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.case import Case, Finding
from harness.correlate.causes.words import listed, pair_text, points, times
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text

ALIKE: Final = 1.25
ONSETS_MAX: Final = 60
PERIODS: Final = 300
"""How many refresh periods are tried, evenly spaced on a logarithmic scale."""

CHANCE_MAX: Final = 1e-3
"""A refresh period is believed only where onsets spread at random would fit any of those tried less often than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """A period on which all onsets lie, and how many of them there were."""

    period_ns: int
    onsets: int


def late(case: Case) -> Iterator[Finding]:
    """Late results by link: on a grid, by much the same time, or each by its own."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if result.latency is not None and (result.verdict is Verdict.LATE or Verdict.LATE in result.also):
            groups[case.link_of(result.point)].append(number)
    for link, numbers in groups.items():
        grid = _grid(case, link, numbers)
        if grid is not None:
            yield Finding(cause=_cached(case, link, numbers, grid), results=tuple(numbers))
            continue
        for group in _alike(case, numbers):
            several = len({case.results[n].point for n in group}) > 1
            cause = _common(case, link, group) if several else _single(case, group)
            yield Finding(cause=cause, results=tuple(sorted(group)))


def _latency(case: Case, number: int) -> Bounds:
    return case.results[number].latency or Bounds(0, 0)


def _alike(case: Case, numbers: Sequence[int]) -> Iterator[list[int]]:
    """Groups whose latencies are much the same, from the smallest upwards."""
    left = sorted(numbers, key=lambda n: (_latency(case, n).hi, n))
    while left:
        high = _latency(case, left[0]).hi
        group = [n for n in left if _latency(case, n).lo <= high * ALIKE + NS_PER_MS]
        yield group
        taken = set(group)
        left = [n for n in left if n not in taken]


def _common(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    delay = _delay_text(case, numbers)
    latest = max(_latency(case, n).lo for n in numbers)
    in_time = [
        n
        for n in case.by_link[link]
        if case.results[n].verdict.verdict_class is VerdictClass.PASS
        and case.results[n].latency is not None
        and _latency(case, n).hi < min(latest, *(_latency(case, late_one).lo for late_one in numbers))
    ]
    if in_time:
        text = f"points of link {link} share a delay of {delay}: {points(case, numbers)}"
        other = f"; {times(len(in_time))} a point of this link showed sooner, so it is not the link as a whole"
        check = (
            "look for what these points have in common in the device: a time delay of their group, a slow scan class"
        )
    else:
        text = f"everything on link {link} comes late by much the same time, {delay}"
        other = "; nothing on this link showed sooner"
        check = (
            f"look for a delay that the whole of link {link} shares: the gateway's own poll period, its output delay"
        )
    return Cause(
        kind=CauseKind.TIME,
        code="common-delay",
        text=text,
        evidence=listed((_late_text(case, n) for n in numbers), 12) + other,
        next_check=f"{check}; compare it with the limit",
    )


def _single(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.TIME,
        code="output-delay",
        text=f"late by itself, after {_delay_text(case, numbers)}: {points(case, numbers)}; a time delay set for this "
        "output, or a slow refresh of this place",
        evidence=listed((_late_text(case, n) for n in numbers), 12),
        next_check="read the time delay that is set for this output in the device; raise the alarm again a few times: "
        "a delay that stays the same was set, one that varies is a refresh",
    )


def _delay_text(case: Case, numbers: Sequence[int]) -> str:
    lows, highs = [_latency(case, n).lo for n in numbers], [_latency(case, n).hi for n in numbers]
    return span_text(Bounds(*sorted((min(highs), max(lows)))))


def _late_text(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    told = f"{pair_text(result)} after {span_text(_latency(case, number))}"
    release = demand.release
    if release is None or result.end is None or result.end.hi >= FOREVER:
        return told
    lag = from_zero(elapsed(release, result.end))
    if lag.hi < _latency(case, number).lo:
        return f"{told}, though it went off within {time_text(lag.hi)}: only coming on is delayed"
    return f"{told}, and went off {span_text(lag)} after its release"


def _grid(case: Case, link: str, numbers: Sequence[int]) -> _Grid | None:
    """The refresh period on whose ticks every onset of the link lies, where chance does not explain that.

    The onsets of k results with bounds of width w lie on a common phase of a period T by chance with a probability
    of about k * (w / T) ** (k - 1) (the largest gap on a circle; union bound). Stimuli that keep that beat themselves
    explain it too.
    """
    seen = [n for n in case.by_link[link] if case.results[n].attributed and case.results[n].onset is not None]
    onsets = [onset for n in seen if (onset := case.results[n].onset) is not None and onset.width < FOREVER]
    distinct = sorted({it.hi: it for it in onsets}.values())[:ONSETS_MAX]
    if len(distinct) < 4:
        return None
    slowest = max(_latency(case, n).hi for n in numbers)
    width = max(it.width for it in distinct)
    least = max(8 * width, min(_latency(case, n).lo for n in numbers), 1)
    if least >= 2 * slowest:
        return None
    raised = [case.stimulus(n).raised for n in seen][:ONSETS_MAX]
    best: _Grid | None = None
    for period in np.geomspace(least, 2 * slowest, PERIODS).round().astype(np.int64).tolist():
        chance = PERIODS * len(distinct) * (width / period) ** (len(distinct) - 1)
        if chance <= CHANCE_MAX and _on_beat(distinct, period) and not _on_beat(_widened(raised, width), period):
            best = _Grid(period_ns=period, onsets=len(distinct))
    return best


def _widened(raised: Sequence[Bounds], width: int) -> list[Bounds]:
    return [Bounds(it.lo, max(it.hi, it.lo + width)) for it in raised]


def _on_beat(bounds: Sequence[Bounds], period: int) -> bool:
    """True if one phase of ``period`` lies in all bounds."""
    first = bounds[0].lo
    low, high = 0, bounds[0].width
    for it in bounds[1:]:
        shift = (it.lo - first + period // 2) % period - period // 2
        low, high = max(low, shift), min(high, shift + it.width)
        if low > high:
            return False
    return True


def _cached(case: Case, link: str, numbers: Sequence[int], grid: _Grid) -> Cause:
    period = time_text(grid.period_ns)
    return Cause(
        kind=CauseKind.TIME,
        code="gateway-refresh",
        text=f"link {link} is refreshed only about every {period}: a gateway that polls the controller or answers from "
        "its memory",
        evidence=f"all {grid.onsets} onsets on this link lie on one beat of about {period}, which the raises do not "
        f"keep; late: {listed((_late_text(case, n) for n in numbers), 12)}",
        next_check=f"read the poll period or cache time of the gateway behind link {link}, and compare it with the "
        "limits",
    )
