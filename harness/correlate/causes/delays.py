"""Points that show too late: a delay that a whole link shares, the refresh of a gateway, or one output's own delay."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, NS_PER_MS, Bounds, elapsed
from harness.core.model import Cause, CauseKind, Equal
from harness.core.trace import Flags, Instants
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import ALIKE, Finding
from harness.correlate.causes.words import pair_text, points, series, times
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text

ONSETS_MIN: Final = 5
ONSETS_MAX: Final = 40
"""So many onsets of a link tell its refresh period; more only lengthen the search."""

PERIODS_MAX: Final = 50_000
"""The most periods that are tried; where the bounds are too narrow for that, none is."""

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
            slow = [n for n in case.by_link[link] if n in case.open and _waits(case, n, grid)]
            yield Finding(cause=_cached(case, link, numbers, grid), results=tuple(sorted({*numbers, *slow})))
            continue
        for group in _alike(case, numbers):
            several = len({case.results[n].point for n in group}) > 1
            cause = _common(case, link, group) if several else _single(case, group)
            yield Finding(cause=cause, results=tuple(sorted(group)))


def later_than_search(case: Case) -> Iterator[Finding]:
    """Missed, and on at its own point after the search limit, before anything else was raised: far too late."""
    after: dict[str, list[int]] = defaultdict(list)
    for at in sorted(case.open_strays):
        after[case.strays[at].point].append(at)
    for number in case.opened(Verdict.MISSED):
        result, demand = case.results[number], case.demand(number)
        for at in after.get(result.point, ()):
            onset = case.strays[at].onset
            mine = any(it.id == result.stimulus for it in case.raises.latest(onset))
            alone = len(case.shown_at[result.point]) == 1
            if at in case.open_strays and (mine or alone) and onset.lo > demand.search_end_hi:
                yield Finding(cause=_too_late(case, number, at, mine=mine), results=(number,), strays=(at,))
                break


def _too_late(case: Case, number: int, at: int, *, mine: bool) -> Cause:
    result, demand, onset = case.results[number], case.demand(number), case.strays[at].onset
    delay, search = span_text(from_zero(elapsed(demand.raised, onset))), time_text(demand.limits.search_ns)
    others = () if mine else _OF_ANOTHER
    deciding = "" if mine else "raise this alarm alone, and wait for longer than it came late"
    before = case.site.before(case.site.points[result.point].link)
    if before:
        others = (_slow_hop(before[0]), *others)
        deciding = deciding or f"the poll period of this hop, compared with how late its alarms come after {before[0]}"
    return Cause(
        kind=CauseKind.TIME,
        code="later-than-search",
        text=f"late, and too late to count as late: {points(case, [number])} came on {delay} after the raise of "
        f"{result.alarm}, beyond the search limit of {search}",
        evidence=f"{pair_text(result)} was off until the search limit; "
        + ("nothing else was raised before it came on" if mine else "no other alarm is expected there"),
        next_check="read the time delay that is set for this output in the device; to have it judged as late, set a "
        "longer search limit in the point map and judge the record again",
        equals=others,
        deciding=deciding,
    )


def _slow_hop(before: str) -> Equal:
    text = f"this hop polls {before} too seldom, so that what it serves is that much older"
    return Equal(kind=CauseKind.TIME, code="hop-polls-slowly", text=text)


_OF_ANOTHER: Final = (
    Equal(
        kind=CauseKind.ADDRESS,
        code="extra-place",
        text="it belongs to the alarm that was raised last before it, which is sent here too",
    ),
    Equal(
        kind=CauseKind.ADDRESS, code="point-silent", text="its own alarm is not sent here, and something else was on"
    ),
)


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
    soonest = min(_latency(case, n).lo for n in numbers)
    in_time = [
        n
        for n in case.by_link[link]
        if case.results[n].verdict.verdict_class is VerdictClass.PASS
        and case.results[n].latency is not None
        and _latency(case, n).hi < soonest
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
        evidence=series(_late_text(case, n) for n in numbers) + other,
        next_check=f"{check}; compare it with the limit",
    )


def _single(case: Case, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.TIME,
        code="output-delay",
        text=f"late by itself, after {_delay_text(case, numbers)}: {points(case, numbers)}; a time delay set for this "
        "output, or a slow refresh of this place",
        evidence=series(_late_text(case, n) for n in numbers),
        next_check="read the time delay that is set for this output in the device; raise the alarm again a few times: "
        "a delay that stays the same was set, one that varies is a refresh",
    )


def _delay_text(case: Case, numbers: Sequence[int]) -> str:
    lows, highs = [_latency(case, n).lo for n in numbers], [_latency(case, n).hi for n in numbers]
    return span_text(Bounds(*sorted((min(highs), max(lows)))))


def _late_text(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    told = _after_text(case, number)
    release = demand.release
    if release is None or result.end is None or result.end.hi >= FOREVER:
        return told
    lag = from_zero(elapsed(release, result.end))
    if lag.hi < _latency(case, number).lo:
        return f"{told}, though it went off within {time_text(lag.hi)}: only coming on is delayed"
    return f"{told}, and went off {span_text(lag)} after its release"


def _after_text(case: Case, number: int) -> str:
    return f"{pair_text(case.results[number])} after {span_text(_latency(case, number))}"


def _grid(case: Case, link: str, numbers: Sequence[int]) -> _Grid | None:
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
    latencies = [_latency(case, n) for n in seen]
    spread = max(it.lo for it in latencies) - min(it.hi for it in latencies)
    slowest = max(_latency(case, n).hi for n in numbers)
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
    return _Grid(period_ns=int(periods[(first + last) // 2]), onsets=len(distinct))


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


def _waits(case: Case, number: int, grid: _Grid) -> bool:
    """True of a result that is open only for going off with the refresh, or for a limit within a period."""
    result, release = case.results[number], case.demand(number).release
    if result.verdict is Verdict.UNRESOLVED:
        return result.latency is not None and result.latency.hi <= grid.period_ns + grid.period_ns // 4
    if result.verdict is not Verdict.STUCK or result.end is None or release is None:
        return False
    return elapsed(release, result.end).lo <= grid.period_ns + grid.period_ns // 4


def _cached(case: Case, link: str, numbers: Sequence[int], grid: _Grid) -> Cause:
    period = time_text(grid.period_ns)
    return Cause(
        kind=CauseKind.TIME,
        code="gateway-refresh",
        text=f"link {link} is refreshed only about every {period}: a gateway that polls the controller or answers from "
        "its memory",
        evidence=f"all {grid.onsets} onsets on this link lie on one beat of about {period}, which the raises do not "
        f"keep; late: {series(_after_text(case, n) for n in numbers)}",
        next_check=f"read the poll period or cache time of the gateway behind link {link}, and compare it with the "
        "limits",
    )
