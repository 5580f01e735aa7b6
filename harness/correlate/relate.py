"""What results of different points have to tell each other: crossed, contradicted, and causes shared by several."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.core.instants import Bounds, elapsed
from harness.core.model import Cause, Judgement, Result, Site, Stimulus, Stray
from harness.core.places import ModbusPlace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.demand import demand_of
from harness.correlate.untaken import Untaken
from harness.correlate.wording import time_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """An alarm that appeared at another alarm's point: the missed result, and the stray that it explains."""

    result: Result
    stray: Stray


def cross(
    site: Site, stimuli: Mapping[str, Stimulus], judgement: Judgement, left: Sequence[Untaken]
) -> tuple[Judgement, tuple[Crossing, ...]]:
    """Turn a proven miss with one unexplained sighting elsewhere, in its window, into ``crossed``.

    A point on the same link is preferred; each sighting explains one result. Without the proven miss a stray stays a
    stray. ``left``: what no stimulus took, in the order of onsets; what may be the second onset of another alarm
    explains a miss only where no stray does.
    """
    onsets = [it.sighting.onset.hi for it in left]
    rows = {row.key: row for row in site.expectations}
    used: set[int] = set()
    results: list[Result] = []
    crossings: list[Crossing] = []
    for result in judgement.results:
        found = None
        if result.verdict is Verdict.MISSED:
            demand = demand_of(stimuli[result.stimulus], rows[result.expectation])
            first = bisect_left(onsets, demand.raised.lo)
            near = []
            for at in range(first, len(left)):
                onset = left[at].sighting.onset
                if onset.lo > demand.onset_hi:
                    break
                if at not in used and onset.lo >= demand.raised.lo - onset.width:
                    near.append(at)
            found = _nearest(site, left, near, result, demand.raised)
        if found is None:
            results.append(result)
            continue
        used.add(found)
        stray = left[found].sighting
        reason = f"it did not appear here, and {stray.point} came on in its window, where nothing else explains it"
        raised = stimuli[result.stimulus].raised
        latency = elapsed(raised, stray.onset)
        crossed = replace(
            result,
            verdict=Verdict.CROSSED,
            reason=reason,
            onset=stray.onset,
            end=stray.end,
            latency=Bounds(max(0, latency.lo), max(0, latency.hi)),
            attributed=stray.onset.lo >= raised.hi,
            elsewhere=stray.point,
        )
        crossings.append(Crossing(result=crossed, stray=stray))
        results.append(crossed)
    strays = tuple(it.sighting for at, it in enumerate(left) if it.is_stray and at not in used)
    return replace(judgement, results=tuple(results), strays=strays), tuple(crossings)


def _nearest(site: Site, left: Sequence[Untaken], near: Sequence[int], result: Result, raised: Bounds) -> int | None:
    link = site.points[result.point].link
    same_link = [at for at in near if site.points[left[at].sighting.point].link == link]
    return min(same_link, key=lambda at: (not left[at].is_stray, left[at].sighting.onset.hi - raised.lo), default=None)


def contradict(site: Site, stimuli: Mapping[str, Stimulus], judgement: Judgement) -> Judgement:
    """A response seen wholly before the raise contradicts the stimulus time, and makes all its results unknown.

    Such a response is an unexplained sighting at one of its own points, before the raise and after any raise before
    it, where the point then showed nothing. The sighting stays a stray. What a reference point timed is contradicted by
    no other point: the reference point is the one that is trusted.
    """
    if not judgement.strays:
        return judgement
    ordered = sorted(stimuli.values(), key=lambda it: it.raised.lo)
    starts = [it.raised.lo for it in ordered]
    rows = {row.key: row for row in site.expectations}
    by_point: dict[str, list[Stray]] = {}
    for stray in judgement.strays:
        by_point.setdefault(stray.point, []).append(stray)
    doubted: dict[str, str] = {}
    for result in judgement.results:
        if result.verdict is not Verdict.MISSED or result.point not in by_point or stimuli[result.stimulus].timed_by:
            continue
        raised = stimuli[result.stimulus].raised
        before = bisect_left(starts, raised.lo) - 1
        since = max(starts[before] if before >= 0 else raised.lo, 0) if before >= 0 else None
        earliest = raised.lo - rows[result.expectation].limits.search_ns
        for stray in by_point[result.point]:
            if earliest <= stray.onset.lo and stray.onset.hi < raised.lo and (since is None or stray.onset.lo > since):
                lead = time_text(raised.lo - stray.onset.hi)
                doubted[result.stimulus] = (
                    f"{result.point} came on at least {lead} before the stated time of the raise: "
                    "the time of the stimulus is contradicted, so nothing is judged from it"
                )
    if not doubted:
        return judgement
    results = tuple(_doubted(it, doubted[it.stimulus]) if it.stimulus in doubted else it for it in judgement.results)
    return replace(judgement, results=results)


def _doubted(result: Result, why: str) -> Result:
    if result.verdict.verdict_class is VerdictClass.UNKNOWN:
        return replace(result, is_doubted=True)
    return replace(result, verdict=Verdict.UNRESOLVED, also=(), reason=why, is_doubted=True)


DEAD_BLOCKS = frozenset({"block-dead", "block-frozen"})


def doubt_quiet(site: Site, judgement: Judgement) -> Judgement:
    """What stays quiet in a block that reacts to nothing proves nothing: its quiet results are unknown.

    A block counts as such where a cause says so (other alarms of it were missed while they were up).
    """
    dead: dict[tuple[str, int, str], Cause] = {}
    for result in judgement.results:
        for cause in result.causes:
            place = site.points[result.point].place
            if cause.code in DEAD_BLOCKS and isinstance(place, ModbusPlace):
                dead[site.points[result.point].link, place.unit, place.table.value] = cause
    if not dead:
        return judgement
    results = []
    for result in judgement.results:
        place = site.points[result.point].place
        found = None
        if result.verdict is Verdict.QUIET and isinstance(place, ModbusPlace):
            found = dead.get((site.points[result.point].link, place.unit, place.table.value))
        if found is not None:
            reason = (
                "it stayed quiet, but the block it is read from reacted to nothing: that it could react is not shown"
            )
            result = replace(result, verdict=Verdict.UNRESOLVED, reason=reason, causes=(found,))  # noqa: PLW2901
        results.append(result)
    return replace(judgement, results=tuple(results))
