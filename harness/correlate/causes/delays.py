"""Points that show too late: a delay that a whole link shares, the refresh of a gateway, or one output's own delay."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.instants import FOREVER, NS_PER_MS, Bounds, elapsed
from harness.core.model import Cause, CauseKind, Equal
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import ALIKE, Finding
from harness.correlate.causes.refresh import after_text, cached, latency_of, refresh_of, waits_for
from harness.correlate.causes.words import pair_text, points, series, times
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text

LATE_CODES: Final = frozenset({"later-than-search", "output-delay", "common-delay"})
"""Codes of causes by which all that a point shows may come late."""


def late(case: Case) -> Iterator[Finding]:
    """Late results by link: on a grid, by much the same time, or each by its own."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if result.latency is not None and (result.verdict is Verdict.LATE or Verdict.LATE in result.also):
            groups[case.link_of(result.point)].append(number)
    for link, numbers in groups.items():
        grid = refresh_of(case, link, numbers)
        if grid is not None:
            slow = [n for n in case.by_link[link] if n in case.open and waits_for(case, n, grid)]
            yield Finding(cause=cached(case, link, numbers, grid), results=tuple(sorted({*numbers, *slow})))
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


def late_again(case: Case) -> Iterator[Finding]:
    """What came on at a late point, just as late, after a raise of its alarm, or of one that brings it."""
    by_point: dict[str, list[int]] = defaultdict(list)
    for at in sorted(case.open_strays):
        by_point[case.strays[at].point].append(at)
    for name, strays in by_point.items():
        known = known_delays(case, name) if len(case.shown_at[name]) == 1 else []
        if not known:
            continue
        low, high = min(it.lo for it, _ in known) / ALIKE, max(it.hi for it, _ in known) * ALIKE
        found = ((at, _delays(case, name, case.strays[at].onset)) for at in strays)
        mine = [at for at, delays in found if any(it.lo <= high and it.hi >= low for it in delays)]
        if mine:
            yield Finding(cause=known[0][1], strays=tuple(mine))


def known_delays(case: Case, point: str) -> list[tuple[Bounds, Cause]]:
    """How late a point was where a cause says so already, with that cause."""
    found = [
        (latency_of(case, n), cause)
        for n in case.by_point.get(point, ())
        if (cause := case.cause_of.get(n)) is not None and cause.code in LATE_CODES and case.results[n].latency
    ]
    for at, cause in case.cause_of_stray.items():
        if case.strays[at].point == point and cause.code in LATE_CODES:
            found += [(it, cause) for it in _delays(case, point, case.strays[at].onset)[-1:]]
    return found


def _delays(case: Case, point: str, onset: Bounds) -> list[Bounds]:
    """The times from each raise of the alarm of a point, or of one that brings it along, to an onset after it."""
    (alarm,) = case.shown_at[point]
    return [
        from_zero(elapsed(it.raised, onset))
        for it in case.raises.in_order
        if it.raised.lo <= onset.hi and (it.alarm == alarm or alarm in case.raises.brings(it.alarm))
    ]


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


def _alike(case: Case, numbers: Sequence[int]) -> Iterator[list[int]]:
    """Groups whose latencies are much the same, from the smallest upwards."""
    left = sorted(numbers, key=lambda n: (latency_of(case, n).hi, n))
    while left:
        high = latency_of(case, left[0]).hi
        group = [n for n in left if latency_of(case, n).lo <= high * ALIKE + NS_PER_MS]
        yield group
        taken = set(group)
        left = [n for n in left if n not in taken]


def _common(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    delay = _delay_text(case, numbers)
    soonest = min(latency_of(case, n).lo for n in numbers)
    in_time = [
        n
        for n in case.by_link[link]
        if case.results[n].verdict.verdict_class is VerdictClass.PASS
        and case.results[n].latency is not None
        and latency_of(case, n).hi < soonest
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
    lows, highs = [latency_of(case, n).lo for n in numbers], [latency_of(case, n).hi for n in numbers]
    return span_text(Bounds(*sorted((min(highs), max(lows)))))


def _late_text(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    told = after_text(case, number)
    release = demand.release
    if release is None or result.end is None or result.end.hi >= FOREVER:
        return told
    lag = from_zero(elapsed(release, result.end))
    if lag.hi < latency_of(case, number).lo:
        return f"{told}, though it went off within {time_text(lag.hi)}: only coming on is delayed"
    return f"{told}, and went off {span_text(lag)} after its release"
