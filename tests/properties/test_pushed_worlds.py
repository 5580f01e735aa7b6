"""What is told, against the truth: it is always one of the worlds, and no verdict contradicts it. See ``pushed``."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import replace
from random import Random

import pytest

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Alarm, AlarmClass, Behaviour, Expectation, Hold, Limits, Point, Result, Site, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate
from harness.results.evidence import evidence_of
from tests.properties.pushed import AT, END, KINDS, LINK, MS, START, Told

CASES = int(os.environ.get("FAREND_PUSHED_CASES", "200"))
PASS, FAIL = VerdictClass.PASS, VerdictClass.FAIL

Segment = tuple[int, int, bool]
"""From, to (not included), on."""


def segments_of(told: Told) -> list[Segment]:
    """The truth as states that follow each other without a gap, without end on either side."""
    found: list[Segment] = []
    at = -FOREVER
    for onset, end in told.on:
        found += [(at, onset, False), (onset, end, True)]
        at = end
    return [*found, (at, FOREVER, False)]


def is_a_world(trace: Trace, segments: list[Segment]) -> str:
    """Whether the truth is consistent with all samples of a trace; '' where it is, else what is not.

    For each sample, the earliest instant in each segment at which it can have been taken: all that matters of the
    samples before, since the instants only have to be in order.
    """
    edge_at = {int(start) for start, edge in zip(trace.starts, trace.edges, strict=True) if edge}
    run_of = {int(start): run for run, start in enumerate(trace.starts)}
    reached: dict[int, int] = {0: -FOREVER}
    on = False
    for i in range(len(trace)):
        if i in run_of:
            on = trace.run_is_on(run_of[i])
        sealed = i > 0 and trace.sealed is not None and bool(trace.sealed[i])
        lo, hi = int(trace.lo[i]), int(trace.hi[i])
        found: dict[int, int] = {}
        for before, since in reached.items():
            for at in range(before, len(segments)):
                begin, end, state = segments[at]
                if begin > hi:
                    break
                if state is not on:
                    continue
                earliest = max(lo, since, begin)
                if i in edge_at:
                    earliest = begin if at > before or i == 0 else -FOREVER
                if earliest < max(lo, since) or earliest > min(hi, end - 1):
                    continue
                onsets = [n for n in range(before + 1, at + 1) if segments[n][2]]
                if sealed and [n for n in onsets if not (n == at and i in edge_at)]:
                    continue
                found[at] = min(found.get(at, FOREVER), earliest)
        if not found:
            what = "on" if on else "off"
            marks = f"{' sealed' * sealed}{' edge' * (i in edge_at)}"
            return f"sample {i} of {len(trace)}: {what}{marks} in [{lo}, {hi}]"
        reached = found
    return ""


def site_of(told: Told, point: Point, row: Expectation) -> Site:
    alarm = Alarm(name="a", alarm_class=AlarmClass.ALARM, priority=1, text="A", side_effects=(), origin=AT)
    return Site(
        name="told", title="", controller="", firmware="", links={LINK: told.spec}, points={"p": point},
        alarms={"a": alarm}, side_effects={}, writable=(), expectations=(row,),
    )  # fmt: skip


def hold_of(told: Told) -> Hold:
    """The shortest times that the truth keeps, declared."""
    on = [end - onset for onset, end in told.on]
    off = [after[0] - before[1] for before, after in zip(told.on, told.on[1:], strict=False)]
    shortest = min(on, default=50 * MS), min(off, default=50 * MS)
    return Hold(on_ns=shortest[0], off_ns=shortest[1], on_declared=True, off_declared=True)


def row_of(draw: Random) -> Expectation:
    def maybe(*values: int) -> int | None:
        return draw.choice((None, *(value * MS for value in values)))

    limits = Limits(
        appears_within_ns=maybe(100, 500, 2_000), visible_for_ns=maybe(100, 1_000),
        gone_within_ns=maybe(100, 500, 2_000),
        search_ns=4_000 * MS, settle_ns=1_000 * MS, leak_ns=1,
    )  # fmt: skip
    behaviour = draw.choice((Behaviour.FOLLOWS, Behaviour.FOLLOWS, Behaviour.PULSE, Behaviour.QUIET))
    return Expectation(key="a@p", alarm="a", point="p", behaviour=behaviour, limits=limits, origin=AT)


def stimulus_of(draw: Random, told: Told) -> tuple[Stimulus, int, int]:
    """A stimulus near something that happened, if anything did, and its true instants."""
    onset, end = draw.choice(told.on) if told.on and draw.random() < 0.9 else (START + 10_000 * MS, START + 12_000 * MS)
    raised = max(START + MS, onset - draw.choice((0, 60, 400, 3_000)) * MS + draw.choice((0, 30 * MS)))
    cleared = max(raised + MS, end - draw.choice((0, 200, 1_500)) * MS)
    width = draw.choice((0, 5 * MS, 200 * MS))
    early, late = draw.randint(0, width), draw.randint(0, width)
    bounds = Bounds(raised - early, raised + width - early), Bounds(cleared - late, cleared + width - late)
    return Stimulus(id="1", alarm="a", raised=bounds[0], cleared=bounds[1]), raised, cleared


def truth_of(told: Told, row: Expectation, raised: int, cleared: int) -> tuple[bool, bool]:
    """Whether the truth meets every obligation, and whether it does so without an offence (DESIGN, "Correlating")."""
    limits = row.limits
    if row.behaviour is Behaviour.QUIET:
        until = max(raised + limits.search_ns, cleared + (limits.gone_within_ns or 0))
        quiet = not any(raised <= onset <= until for onset, _ in told.on)
        return quiet, quiet
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    gone = limits.gone_within_ns
    obliged = clean = False
    for number, (onset, end) in enumerate(told.on):
        if end <= raised or onset > raised + limits.search_ns:
            continue
        pulse = row.behaviour is Behaviour.PULSE
        due = onset + (gone or 0) if pulse else cleared + (gone or 0)
        met = max(0, onset - raised) <= reach and end - onset >= (limits.visible_for_ns or 0)
        met &= gone is None or end <= due
        early = not pulse and end < cleared
        last = max(due, end) if gone is None else due
        again = any(onset < later <= last + limits.settle_ns for later, _ in told.on[number + 1 :])
        first = not any(raised < sooner < onset for sooner, _ in told.on)
        obliged |= met
        clean |= met and not early and not again and first
    return obliged, clean


def judged(told: Told, row: Expectation, stimulus: Stimulus) -> tuple[Trace | None, Result]:
    point = Point(name="p", link=LINK, place=told.place, hold=hold_of(told), origin=AT)
    site = site_of(told, point, row)
    evidence = evidence_of(told, site, (stimulus,), told.start, told.end)
    judgement = correlate(site, evidence)
    assert not judgement.failures_of_checkers, judgement.failures_of_checkers
    (result,) = judgement.results
    return evidence.traces.get("p"), result


@pytest.mark.parametrize("kind", KINDS)
def test_the_truth_is_one_of_the_worlds_and_no_verdict_contradicts_it(kind: str) -> None:
    seen: Counter[VerdictClass] = Counter()
    for case in range(CASES):
        draw = Random(f"{kind} {case}")
        told = KINDS[kind](draw)
        for _ in range(3):
            row = row_of(draw)
            stimulus, raised, cleared = stimulus_of(draw, told)
            trace, result = judged(told, row, stimulus)
            where = (
                f"{kind} case {case}: {row.behaviour.value} {row.limits} {stimulus} {result.verdict} {result.reason}"
            )
            if trace is not None:
                broken = is_a_world(trace, segments_of(told))
                assert not broken, f"{where}: {broken}; truth {told.on}"
            obliged, clean = truth_of(told, row, raised, cleared)
            found = result.verdict.verdict_class
            seen[found] += 1
            if found is PASS:
                assert obliged, f"{where}: passed, and the truth breaks it: {told.on}"
            if found is FAIL:
                assert not clean, f"{where}: failed, and the truth meets it: {told.on}"
            if found is PASS and result.latency is not None and result.verdict is not Verdict.QUIET:
                assert any(result.onset is not None and onset in result.onset for onset, _ in told.on), where
    assert min(seen[PASS], seen[FAIL]) >= CASES // 40, f"{kind} decided too little: {seen}"


def test_what_is_told_later_than_declared_is_seen_too_late_and_never_missed() -> None:
    """A longest delay that is not kept: each change is placed too late by what it came too late."""
    for case in range(CASES // 4):
        draw = Random(f"late {case}")
        told = KINDS["printed"](draw)
        excess = 2_000 * MS
        told.said = [replace(it, first_ns=it.first_ns + excess, last_ns=it.last_ns + excess) for it in told.said]
        told.states = [replace(it, at_ns=it.at_ns + excess * (number > 0)) for number, it in enumerate(told.states)]
        told.drops = [replace(it, at_ns=it.at_ns + excess) for it in told.drops]
        point = Point(name="p", link=LINK, place=told.place, hold=hold_of(told), origin=AT)
        row = row_of(draw)
        evidence = evidence_of(told, site_of(told, point, row), (), told.start, END + excess)
        moved = [(onset + excess, end + excess) for onset, end in told.on]
        trace = evidence.traces.get("p")
        if trace is not None:
            shifted = Told(spec=told.spec, place=told.place, start=told.start, end=told.end + excess, on=moved)
            assert not is_a_world(trace, segments_of(shifted)), case
