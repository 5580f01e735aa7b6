"""Whole records against the truth behind them, in virtual time: see ``plants``.

The truth is evaluated here, stimulus by stimulus, from what each point did *because of* that stimulus. What the
correlator sees is only the point, which any alarm that shares it, any fault and any stray may hold as well.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from random import Random

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from harness.core.instants import FOREVER
from harness.core.model import Behaviour, Expectation, Judgement, Result, Step, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate
from tests.properties.plants import ELSEWHERE, MS, Plan, Plant, Span, plant_of, release_of

PASS, FAIL, UNKNOWN = VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN
SEEDS = st.integers(0, 2**32 - 1)


def bounded(examples: int) -> settings:
    return settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), database=None)


def plant(number: int, plan: Plan) -> Plant:
    return plant_of(Random(number), Random(number + 1), plan)


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of one stimulus at one row.

    ``meets``: some contribution met every obligation. ``clean``: it did, and nothing was wrong with it besides.
    ``least_ns``: by how much the best contribution met them; negative: broke.
    """

    meets: bool
    clean: bool
    least_ns: int


def truth_of(it: Plant, row: Expectation, stimulus: str) -> Truth:
    """The obligations and offences of DESIGN's "Correlating", at true instants."""
    steps, limits = it.steps[stimulus], row.limits
    raised = steps.raised
    following = [s.raised.lo for s in it.stimuli
                 if s.alarm == row.alarm and it.steps[s.id].raised > raised]  # fmt: skip
    cap = min(following, default=FOREVER) - 1
    spans = it.of(stimulus, row.point)
    if row.behaviour is Behaviour.QUIET:
        until = cap if steps.cleared is None else min(
            max(raised + limits.search_ns, steps.cleared + (limits.gone_within_ns or 0)), cap)  # fmt: skip
        inside = [begin for begin, _ in spans if raised <= begin <= until]
        return Truth(not inside, not inside, -1 if inside else 0)
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    release = release_of(row, steps)
    best, clean = -FOREVER, False
    for number, (begin, end) in enumerate(spans):
        if begin > min(raised + limits.search_ns, cap):
            continue
        owed = [reach - (begin - raised), end - begin - (limits.visible_for_ns or 0)]
        early = False
        if row.behaviour is Behaviour.PULSE:
            last = begin + (limits.gone_within_ns or 0)
            if limits.gone_within_ns is not None:
                owed.append(limits.gone_within_ns - (end - begin))
        elif release is None:
            early, last = end < it.end, FOREVER
        else:
            last = release + limits.dwell_ns + (limits.gone_within_ns or 0)
            if limits.gone_within_ns is not None:
                owed.append(last - end)
            else:
                last = max(last, end)
            early = end < release + limits.dwell_ns
        again = any(begin < onset <= last + limits.settle_ns for onset, _ in spans[number + 1 :])
        best = max(best, min(owed))
        clean |= min(owed) >= 0 and not early and not again and number == 0
    return Truth(best >= 0, clean, best)


def foreign_faults(it: Plant, row: Expectation, stimulus: str) -> list[tuple[str, Span]]:
    """On-times of the row's point that a fault of something else made."""
    return [
        (other.fault, span)
        for other in it.contributions
        if other.point == row.point and other.fault and (other.stimulus != stimulus or other.fault in ELSEWHERE)
        for span in other.spans
    ]


def window_of(it: Plant, row: Expectation, stimulus: str) -> Span:
    """From the raise until nothing that this row demands matters any more."""
    mine = next(s for s in it.stimuli if s.id == stimulus)
    limits = row.limits
    ends = [mine.raised.hi + limits.search_ns]
    if row.behaviour is not Behaviour.PULSE and release_of(row, it.steps[stimulus]) is None:
        return mine.raised.lo, FOREVER
    ends += [step.hi for step in mine.later]
    slack = limits.dwell_ns + (limits.gone_within_ns or 0) + limits.settle_ns
    return mine.raised.lo, max([max(ends) + slack, *(end for _, end in it.of(stimulus, row.point))])


def touched(it: Plant, row: Expectation, stimulus: str) -> list[str]:
    """Which faults of something else held the point at some time in the window."""
    start, stop = window_of(it, row, stimulus)
    gap = it.gap_ns[row.point]
    return [fault for fault, (begin, end) in foreign_faults(it, row, stimulus)
            if begin <= stop + gap and end >= start - gap]  # fmt: skip


def judged(it: Plant) -> Judgement:
    judgement = correlate(it.site, it.evidence)
    assert not judgement.failures_of_checkers, judgement.failures_of_checkers
    return judgement


def told(it: Plant, result: Result, truth: Truth) -> str:
    """Everything about one result, for the reader of a failure."""
    row = next(r for r in it.rows if r.key == result.expectation)
    mine = [c for c in it.contributions if c.point == row.point]
    return "\n".join(map(str, (result, row, truth, it.points[row.point].hold, *it.stimuli, *it.steps.items(), *mine)))


def check_verdicts(it: Plant, judgement: Judgement, counted: Counter[str]) -> None:
    """No pass of what broke an obligation; no fail of what met everything.

    Unless something else went wrong at the same point in the same window: an output that did not come and a stray that
    came in its place, or a healthy one with a stray behind it, look the same as one healthy and one repeated output.
    The fewest deviations are believed, so these are counted and held rare, and anything else is a mistake.
    """
    rows = {row.key: row for row in it.rows}
    for result in judgement.results:
        row = rows[result.expectation]
        truth = truth_of(it, row, result.stimulus)
        kind = result.verdict.verdict_class
        counted[str(kind)] += 1
        if (kind is PASS and not truth.meets) or (kind is FAIL and truth.clean):
            others = touched(it, row, result.stimulus)
            assert others, told(it, result, truth)
            counted[f"{kind} for what was truly a {others[0]}"] += 1
            counted[f"coincident {kind}"] += 1


@pytest.mark.parametrize("apart", ["apart", "close", "overlapping"])
def test_no_verdict_contradicts_the_truth(apart: str, capsys: pytest.CaptureFixture[str]) -> None:
    counted: Counter[str] = Counter()

    @seed(20261125)
    @bounded(700)
    @given(SEEDS, st.sampled_from((0.0, 0.1, 0.4)), st.integers(0, 2), st.sampled_from((0.0, 0.1)), st.integers(0, 2))
    def check(number: int, rate: float, strays: int, loss: float, outages: int) -> None:
        it = plant(number, Plan(apart=apart, fault_rate=rate, strays=strays, loss=loss, outages=outages))
        check_verdicts(it, judged(it), counted)

    check()
    with capsys.disabled():
        sys.stdout.write(f"\n{apart}: {dict(counted.most_common())}\n")
    assert counted["coincident pass"] < 0.005 * counted["pass"]
    assert counted["coincident fail"] < 0.1 * counted["fail"]


def test_a_healthy_site_whose_alarms_are_raised_apart_passes(capsys: pytest.CaptureFixture[str]) -> None:
    """Every result is a pass or unknown, and a pass where the truth is further from each limit than bounds are wide."""
    counted: Counter[str] = Counter()

    @seed(3)
    @bounded(500)
    @given(SEEDS)
    def check(number: int) -> None:
        it = plant(number, Plan())
        judgement = judged(it)
        assert not judgement.strays
        rows = {row.key: row for row in it.rows}
        for result in judgement.results:
            row = rows[result.expectation]
            truth = truth_of(it, row, result.stimulus)
            assert truth.meets or not truth.clean
            assert result.verdict.verdict_class is not FAIL or not truth.clean, told(it, result, truth)
            if is_owed(it, row, result.stimulus, truth):
                counted["owed"] += 1
                counted["passed"] += result.verdict.verdict_class is PASS
                counted[f"{result.verdict}: {result.reason[:60]}"] += 1

    check()
    with capsys.disabled():
        sys.stdout.write(f"\nhealthy: {dict(counted.most_common())}; {counted['passed'] / counted['owed']:.2%}\n")
    assert counted["owed"] > 1000
    assert counted["passed"] >= 0.99 * counted["owed"]


def is_owed(it: Plant, row: Expectation, stimulus: str, truth: Truth) -> bool:
    """Whether a definite verdict was asked of the measurement: see DESIGN, "Rules of measurement"."""
    gap, hold = it.gap_ns[row.point], it.points[row.point].hold
    mine = next(s for s in it.stimuli if s.id == stimulus)
    if row.behaviour is Behaviour.QUIET:
        return row.limits.leak_ns > gap and mine.cleared is not None
    if row.behaviour is not Behaviour.PULSE and release_of(row, it.steps[stimulus]) is None:
        return False
    if row.released_by is Step.SILENCE and not is_silence_tested(it, row, mine, gap):
        return False
    width = gap + max(step.width for step in (mine.raised, *mine.later))
    return truth.clean and truth.least_ns > 2 * width and min(hold.off_ns, hold.on_ns) > gap


def is_silence_tested(it: Plant, row: Expectation, mine: Stimulus, gap: int) -> bool:
    """Its own silence came first, and what it released was seen gone before anything else could have released it."""
    really = it.steps[mine.id].silenced
    if mine.silenced is None or really is None or really not in mine.silenced:
        return False
    following = [mine.acknowledged, mine.cleared if row.behaviour is Behaviour.FOLLOWS else None]
    gone = max([mine.silenced.hi, *(end for _, end in it.of(mine.id, row.point))])
    return all(gone + 2 * gap < step.lo for step in following if step is not None)


@seed(4)
@bounded(250)
@given(SEEDS, st.sampled_from((0.0, 0.4)))
def test_an_outage_over_the_whole_window_is_no_evidence(number: int, rate: float) -> None:
    it = plant(number, Plan(apart="close", fault_rate=rate, blind_whole=True))
    rows = {row.key: row for row in it.rows}
    for result in judged(it).results:
        row = rows[result.expectation]
        if it.points[row.point].link == "bms" and window_of(it, row, result.stimulus)[1] < it.end - 1000 * MS:
            truth = truth_of(it, row, result.stimulus)
            assert result.verdict.verdict_class is UNKNOWN, told(it, result, truth)


@seed(5)
@bounded(150)
@given(SEEDS)
def test_the_order_of_stimuli_points_and_traces_does_not_matter(number: int) -> None:
    it = plant(number, Plan(apart="overlapping", fault_rate=0.2, strays=1))
    first = judged(it)
    Random(number).shuffle(it.stimuli)
    for table in (it.traces, it.points, it.links):
        turned = dict(reversed(table.items()))
        table.clear()
        table.update(turned)  # type: ignore[arg-type]
    assert judged(it) == first


@seed(6)
@bounded(300)
@given(SEEDS, st.sampled_from(("apart", "close", "overlapping")))
def test_what_nothing_raised_explains_is_reported(number: int, apart: str) -> None:
    """A stray that a sample met, away from every window of its point, is a stray or another alarm's crossed result."""
    it = plant(number, Plan(apart=apart, strays=2))
    judgement = judged(it)
    site = it.site
    told_at = [(stray.point, stray.onset) for stray in judgement.strays]
    crossed = [result.onset for result in judgement.results if result.verdict is Verdict.CROSSED]
    for stray in (other for other in it.contributions if other.fault == "stray"):
        (begin, end), point, gap = stray.spans[0], stray.point, it.gap_ns[stray.point]
        windows = [
            window_of(it, row, s.id)
            for s in it.stimuli
            for row in it.rows
            if row.point == point and row.alarm in (s.alarm, *site.brought_along(s.alarm))
        ]
        windows += [span for other in it.contributions if other.point == point and other is not stray
                    for span in other.spans]  # fmt: skip
        if any(start - gap <= end and begin <= stop + gap for start, stop in windows):
            continue
        trace = it.traces[point]
        met = [n for n in range(len(trace)) if begin < trace.lo[n] and trace.hi[n] < end]
        if met:
            reported = [onset for where, onset in told_at if where == point] + [on for on in crossed if on is not None]
            assert any(begin in onset for onset in reported), (stray, judgement.strays, *it.stimuli)


@seed(7)
@bounded(200)
@given(SEEDS, st.sampled_from(("close", "overlapping")), st.integers(0, 2))
def test_a_healthy_site_has_no_strays(number: int, apart: str, outages: int) -> None:
    it = plant(number, Plan(apart=apart, outages=outages))
    assert not judged(it).strays
