"""Everything of one record: stimuli and expectations against the traces of all points.

Points are judged one by one and do not share anything, so the cost is linear in samples and stimuli. What two points
have to tell each other (``crossed``, a contradicted stimulus) is settled afterwards from the results.
"""

from __future__ import annotations

import traceback
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice

import numpy as np

from harness.core.instants import FOREVER
from harness.core.model import Alarm, Behaviour, Expectation, Hold, Judgement, Limits, Result, Site, Stimulus
from harness.core.paths import is_told
from harness.core.trace import Trace
from harness.core.verdicts import Verdict
from harness.correlate.again import doubt_again
from harness.correlate.assign import Window, assign
from harness.correlate.by_hand import refuse_fine_claims
from harness.correlate.demand import demand_of
from harness.correlate.evidence import Evidence
from harness.correlate.explain import explain
from harness.correlate.judge import judge_outlined
from harness.correlate.masks import Holder, Mask, holder_of, masks_of, without_masked
from harness.correlate.outline import Outline, outline
from harness.correlate.relate import contradict, cross, doubt_quiet
from harness.correlate.silencing import with_silence_of_others
from harness.correlate.timing import Others, time_by_reference
from harness.correlate.together import shared_at
from harness.correlate.untaken import Untaken, untaken


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Results of one point, and what is left over there."""

    results: tuple[Result, ...]
    left: tuple[Untaken, ...]


def outlines_of(site: Site, evidence: Evidence) -> dict[str, Outline]:
    """The outline of every mapped point; an empty one where nothing was observed."""
    return {
        name: replace(
            outline(evidence.traces.get(name) or _nothing(name), point.hold),
            is_told=is_told(site.links[point.link], point.place),
        )
        for name, point in site.points.items()
    }


def correlate(site: Site, evidence: Evidence, only: Iterable[str] | None = None) -> Judgement:
    """Judge every stimulus at every expectation of its alarm.

    ``only``: keys of the expectations to judge, None for all. Results come in the order of raising, then of the point
    map. A judge that crashes makes its results unknown, with the traceback, and the others go on.
    """
    sketches = outlines_of(site, evidence)
    rank = {name: number for number, name in enumerate(site.alarms)}
    # The alarm before the id: which of two equal times arrived first must not matter.
    stimuli = sorted(evidence.stimuli, key=lambda it: (it.raised.lo, it.raised.hi, rank.get(it.alarm, -1), it.id))
    timed = with_silence_of_others(timed_by_reference(site, stimuli, sketches))
    chosen = None if only is None else frozenset(only)
    by_point: dict[str, list[Expectation]] = defaultdict(list)
    for row in site.expectations:
        by_point[row.point].append(row)
    next_raise = _next_raises(stimuli)
    starts = sorted(it.raised.lo for it in stimuli)
    next_other = {it.id: _next_after(it, starts) for it in stimuli}
    by_alarm: dict[str, list[Stimulus]] = defaultdict(list)
    for it in stimuli:
        by_alarm[it.alarm].append(it)
    results: list[Result] = []
    left: list[Untaken] = []
    crashed: list[str] = []
    for point, sketch in sketches.items():
        windows = windows_of(site, point, by_point[point], by_alarm, timed, next_raise, next_other)
        try:
            judged = judge_point(sketch, windows)
        except Exception:  # noqa: BLE001  # a checker that crashes yields unknown, and the others go on
            crashed.append(traceback.format_exc())
            judged = Judged(results=tuple(_crashed(window) for window in windows if not window.implied), left=())
        if point in evidence.not_run:
            judged = Judged(results=tuple(_not_run(it, evidence.not_run[point]) for it in judged.results), left=())
        results += judged.results
        left += judged.left
    results = [it for it in results if chosen is None or it.expectation in chosen]
    order = {it.id: number for number, it in enumerate(stimuli)}
    row_of = {row.key: number for number, row in enumerate(site.expectations)}
    results.sort(key=lambda it: (order[it.stimulus], row_of[it.expectation]))
    left.sort(key=lambda it: (it.sighting.onset.hi, it.sighting.point))
    strays = tuple(it.sighting for it in left if it.is_stray)
    judgement = Judgement(results=tuple(results), strays=strays, failures_of_checkers=tuple(crashed))
    judgement, crossings = cross(site, timed, judgement, left)
    judgement, again = doubt_again(timed, judgement, left, crossings)
    judgement = refuse_fine_claims(site, timed, contradict(site, timed, judgement))
    return doubt_quiet(site, explain(site, evidence, sketches, timed, judgement, crossings, again))


def timed_by_reference(site: Site, stimuli: Sequence[Stimulus], sketches: Mapping[str, Outline]) -> dict[str, Stimulus]:
    """Every stimulus, by id, as its reference point times it; ``stimuli`` in the order of their earliest raise."""
    starts = [it.raised.lo for it in stimuli]
    others = _others_of(site, stimuli)
    return {
        it.id: time_by_reference(it, site, sketches, _next_after(it, starts), others.get(it.alarm)) for it in stimuli
    }


def windows_of(
    site: Site,
    point: str,
    rows: Sequence[Expectation],
    stimuli: Mapping[str, Sequence[Stimulus]],
    timed: Mapping[str, Stimulus],
    next_raise: Mapping[str, int | None],
    next_other: Mapping[str, int | None],
) -> list[Window]:
    """The windows of one point, in the order of their starts: its own alarms', and those that others bring along.

    A reference point expects its alarm too, without being judged. ``stimuli``: by alarm, in the order of raising.
    """
    windows: list[Window] = []
    brought_by = _brought_by(site)
    referring = [_reference_row(alarm) for alarm in site.alarms.values() if alarm.reference == point]
    own = {row.alarm for row in rows}
    expected: list[tuple[str, Expectation, bool]] = [(row.alarm, row, False) for row in rows]
    for row in (*rows, *referring):
        names = brought_by.get(row.alarm, ()) if row in rows else (row.alarm, *brought_by.get(row.alarm, ()))
        for name in names:
            if name not in own and row.behaviour is not Behaviour.QUIET:
                own.add(name)
                expected.append((name, row, True))
    shared = shared_at(rows, stimuli, timed)
    for name, row, implied in expected:
        for it in stimuli.get(name, ()):
            if it.id in shared.follows:
                continue
            stimulus = it if site.alarms[name].reference == point else timed[it.id]
            stimulus = shared.leads.get(it.id, stimulus)
            of_it = replace(row, limits=shared.limits.get(it.id, row.limits))
            demand = demand_of(stimulus, of_it, next_raise[it.id], next_other[shared.last.get(it.id, it.id)])
            is_no_result = implied or it.held_for_ns is not None or it.id in shared.uncounted
            windows.append(Window(stimulus=stimulus, expectation=of_it, demand=demand, implied=is_no_result))
    windows.sort(key=lambda it: (it.start, it.implied))
    return windows


def _reference_row(alarm: Alarm) -> Expectation:
    return Expectation(
        key="",
        alarm=alarm.name,
        point=alarm.reference or "",
        behaviour=Behaviour.FOLLOWS,
        limits=Limits(),
        origin=alarm.origin,
    )


def judge_point(sketch: Outline, windows: Sequence[Window]) -> Judged:
    """All results of one point. ``windows`` as :func:`windows_of` gives them."""
    loud = [window for window in windows if window.demand.behaviour is not Behaviour.QUIET]
    assignment = assign(sketch, loud)
    holders = [holder_of(sketch, window, own) for window, own in zip(loud, assignment.own, strict=True)]
    results: list[Result] = []
    active: list[Holder] = []
    ahead = 0
    at = -1
    for window in windows:
        own, ambiguous = None, False
        if window.demand.behaviour is not Behaviour.QUIET:
            at += 1
            own, ambiguous = assignment.own[at], assignment.ambiguous[at]
        while ahead < len(holders) and holders[ahead].held.lo < window.start:
            active.append(holders[ahead])
            ahead += 1
        active = [it for it in active if it.last > window.start]
        if not window.implied:
            masks = masks_of(sketch, window, own, chain(active, islice(holders, ahead, None)))
            results.append(_judge_window(sketch, window, masks, ambiguous=ambiguous))
    return Judged(results=tuple(results), left=tuple(untaken(sketch, windows, assignment, loud)))


def _judge_window(sketch: Outline, window: Window, masks: Sequence[Mask], *, ambiguous: bool) -> Result:
    local = sketch.with_hold(_effective_hold(sketch.hold, window))
    masked_by = ""
    if masks:
        local, removed = without_masked(local, window, masks)
        masked_by = removed
    result = judge_outlined(
        local, window.stimulus, window.expectation, _next_of(window), _next_other_of(window), masked_by=masked_by
    )
    if ambiguous and result.verdict is not Verdict.NOT_RUN:
        reason = "two ways of pairing what was raised with what appeared are equally good"
        return replace(result, verdict=Verdict.UNRESOLVED, also=(), reason=reason, is_doubted=True)
    return result


def _effective_hold(hold: Hold, window: Window) -> Hold:
    """A hold that was only assumed is never longer than the alarm itself, nor than the visible time demanded.

    And no hold is longer than the longest time that the row allows: a fail would be proven without looking.
    """
    demand = window.demand
    limits = demand.limits
    known = [hold.on_ns]
    if demand.is_pulse and limits.gone_within_ns is not None:
        known.append(max(1, limits.gone_within_ns))
    if demand.deadline is not None:
        known.append(max(1, demand.deadline.hi - demand.raised.lo))
    if not hold.on_declared:
        if limits.visible_for_ns is not None:
            known.append(limits.visible_for_ns)
        if demand.release is not None:
            known.append(max(1, demand.release.lo - demand.raised.hi))
    return replace(hold, on_ns=min(known)) if min(known) < hold.on_ns else hold


def _next_of(window: Window) -> int | None:
    return None if window.demand.begin_max >= FOREVER else window.demand.begin_max + 1


def _next_other_of(window: Window) -> int | None:
    return None if window.demand.alone_max >= FOREVER else window.demand.alone_max + 1


def _next_after(stimulus: Stimulus, starts: Sequence[int]) -> int | None:
    """The earliest instant of the first raise that certainly came after this one; ``starts`` in order."""
    at = bisect_right(starts, stimulus.raised.hi)
    return starts[at] if at < len(starts) else None


def _others_of(site: Site, stimuli: Sequence[Stimulus]) -> dict[str, Others]:
    """For each alarm with a reference point, everything that may hold it: its own stimuli and those that bring it."""
    brought_by = _brought_by(site)
    holding: dict[str, list[Stimulus]] = {name: [] for name, alarm in site.alarms.items() if alarm.reference}
    held_by: dict[str, list[str]] = defaultdict(list)
    for name in holding:
        for other in (name, *brought_by.get(name, ())):
            held_by[other].append(name)
    for it in stimuli:
        for name in held_by.get(it.alarm, ()):
            holding[name].append(it)
    return {name: Others.of(found) for name, found in holding.items()}


def _next_raises(stimuli: Sequence[Stimulus]) -> dict[str, int | None]:
    following: dict[str, int] = {}
    found: dict[str, int | None] = {}
    for it in reversed(stimuli):
        found[it.id] = following.get(it.alarm)
        following[it.alarm] = it.raised.lo
    return found


def _brought_by(site: Site) -> dict[str, tuple[str, ...]]:
    """For each alarm, the alarms that bring it along, directly or through others."""
    found: dict[str, list[str]] = defaultdict(list)
    for name in site.alarms:
        for lower in site.brought_along(name):
            found[lower].append(name)
    return {name: tuple(others) for name, others in found.items()}


def _not_run(result: Result, why: str) -> Result:
    """What could not arrive was not tested, whatever the trace of its point looks like."""
    return Result(
        expectation=result.expectation,
        alarm=result.alarm,
        point=result.point,
        stimulus=result.stimulus,
        verdict=Verdict.NOT_RUN,
        reason=why,
    )


def _crashed(window: Window) -> Result:
    row = window.expectation
    return Result(
        expectation=row.key,
        alarm=row.alarm,
        point=row.point,
        stimulus=window.stimulus.id,
        verdict=Verdict.UNRESOLVED,
        reason="the judge of this point crashed; the traceback is in the judgement",
    )


def _nothing(point: str) -> Trace:
    empty = np.zeros(0, dtype=np.int64)
    return Trace.from_states(point, empty, empty, empty.astype(np.bool_))
