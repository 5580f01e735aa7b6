"""Out of sight: that it showed can be passed, a time limit never, whatever the bounds of the reports say."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Result, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate
from harness.correlate.judge import judge_one
from tests.peers.trace_bench import AT, Bench, at_ms

S = 10**9
HOLD = Hold()


def walked(*reports: tuple[str, float, float], timed: bool = False) -> Trace:
    """Reports of a walk, in seconds: state, sent, reported."""
    return Trace.from_states(
        "p",
        np.array([round(sent * S) for _, sent, _ in reports], dtype=np.int64),
        np.array([round(told * S) for _, _, told in reports], dtype=np.int64),
        np.array([state == "on" for state, _, _ in reports], dtype=np.bool_),
        timed=timed,
    )


def judged(
    trace: Trace,
    limits: Limits | None = None,
    cleared: float | None = 300,
    behaviour: str = "follows",
    hold: Hold = HOLD,
) -> Result:
    """Raised at 100 s, acknowledged and cleared together."""
    done = None if cleared is None else Bounds(round(cleared * S), round(cleared * S) + 1000)
    row = Expectation(
        key="a@p",
        alarm="a",
        point="p",
        behaviour=Behaviour(behaviour),
        limits=limits or Limits(),
        origin=AT,
    )
    stimulus = Stimulus(id="1", alarm="a", raised=Bounds(100 * S, 100 * S + 1000), acknowledged=done, cleared=done)
    return judge_one(trace, stimulus, row, hold)


DARK, SEEN, DARK_AGAIN = ("off", 20, 80), ("on", 131, 250), ("off", 310, 400)


@pytest.mark.parametrize("behaviour", ["follows", "until-acknowledged", "latched"])
def test_seen_while_it_was_held_has_appeared_however_long_the_walk_was(behaviour: str) -> None:
    result = judged(walked(DARK, SEEN, DARK_AGAIN), behaviour=behaviour)
    assert result.verdict is Verdict.APPEARED
    assert result.reason.startswith("seen, time not measured")
    assert result.latency is None
    assert result.visible is None
    assert result.onset == Bounds(20 * S + 1, 250 * S)


@pytest.mark.parametrize("name", ["appears_within_ns", "visible_for_ns", "gone_within_ns"])
def test_a_time_limit_is_never_passed_even_where_the_report_came_within_it(name: str) -> None:
    """A quick walk: raised at 100 s, reported at 102 s, dark again at 301 s; every limit is met by the bounds alone."""
    trace = walked(DARK, ("on", 101, 102), ("on", 299, 299.5), ("off", 300.5, 301))
    limits = {"appears_within_ns": 60 * S, "visible_for_ns": 1 * S, "gone_within_ns": 60 * S, name: 50 * S}
    alone = Limits(search_ns=60 * S, **{name: limits[name]})
    assert judged(trace, alone).verdict is Verdict.UNRESOLVED
    assert "time not measured" in judged(trace, alone).reason
    measured = walked(DARK, ("on", 101, 102), ("on", 299, 299.5), ("off", 300.5, 301), timed=True)
    if name != "visible_for_ns":
        assert judged(measured, alone).verdict.verdict_class is VerdictClass.PASS, "were it a measurement"


def test_no_walk_whatever_passes_a_time_limit() -> None:
    """All walks over a coarse grid of times, with every combination of limits."""
    passed = 0
    some = (None, 1 * S, 500 * S)
    for sent, told, dark_from, within, visible, gone in product(
        (101, 130, 200), (0.5, 40), (301, 305, 600), some, some, some
    ):
        trace = walked(DARK, ("on", sent, sent + told), ("off", dark_from, dark_from + 1))
        limits = Limits(appears_within_ns=within, visible_for_ns=visible, gone_within_ns=gone, search_ns=500 * S)
        verdict = judged(trace, limits).verdict
        if (within, visible, gone) == (None, None, None):
            passed += 1
            assert verdict is Verdict.APPEARED, (sent, told, dark_from)
        else:
            assert verdict.verdict_class is not VerdictClass.PASS, (sent, told, dark_from, limits)
    assert passed == 18


def test_not_seen_after_its_time_had_passed_is_missed() -> None:
    assert judged(walked(DARK, ("off", 131, 250), DARK_AGAIN)).verdict is Verdict.MISSED
    limits = Limits(appears_within_ns=5 * S)
    assert judged(walked(DARK, ("off", 131, 250), DARK_AGAIN), limits).verdict is Verdict.MISSED


def test_not_seen_too_early_proves_nothing() -> None:
    """Whoever left at once may have been there before it had to show."""
    assert judged(walked(DARK, ("off", 101, 250), DARK_AGAIN)).verdict.verdict_class is VerdictClass.UNKNOWN


def test_without_dark_before_the_raise_nothing_passes() -> None:
    assert judged(walked(SEEN, DARK_AGAIN)).verdict is Verdict.NOT_OBSERVED
    assert judged(walked(("on", 20, 80), SEEN, DARK_AGAIN)).verdict is Verdict.UNRESOLVED
    assert judged(walked(("off", 20, 120), SEEN, DARK_AGAIN)).verdict.verdict_class is VerdictClass.UNKNOWN


def test_nobody_reported_is_not_observed() -> None:
    assert judged(walked(DARK, DARK_AGAIN)).verdict is Verdict.NOT_OBSERVED
    assert judged(walked()).verdict is Verdict.NOT_OBSERVED


def test_seen_only_after_it_was_cleared_has_not_been_seen_in_time() -> None:
    """It may have come on only then; where it was still held, it is seen."""
    late = walked(DARK, ("on", 131, 350), ("off", 360, 400))
    assert judged(late).verdict is Verdict.UNRESOLVED
    assert judged(late, cleared=351).verdict is Verdict.APPEARED


def test_a_raise_that_was_never_cleared_is_seen_all_the_same() -> None:
    result = judged(walked(DARK, SEEN), cleared=None)
    assert result.verdict is Verdict.APPEARED
    assert result.end is not None
    assert result.end.hi >= FOREVER


def test_still_lit_after_it_had_to_be_gone_is_stuck_and_no_pass() -> None:
    limits = Limits(gone_within_ns=10 * S)
    trace = walked(DARK, SEEN, ("on", 320, 400), ("off", 500, 600))
    assert judged(trace, limits).verdict is Verdict.UNRESOLVED, "off and on again between the looks is not excluded"
    result = judged(trace, limits, hold=Hold(on_ns=1 * S, off_ns=1000 * S, off_declared=True))
    assert result.verdict is Verdict.STUCK
    assert result.visible is None


@pytest.mark.parametrize("cleared", [None, 500])
def test_a_lamp_that_another_alarm_may_have_lit_before_the_walk_has_not_been_seen_for_this_one(
    cleared: float | None,
) -> None:
    """Both alarms light one lamp. However late somebody came there, the second was up by then."""
    bench = Bench()
    for name, raised, gone in (("first", 20_000, cleared), ("second", 140_000, 510)):
        bench.alarm(name)
        bench.raised(name, raised, clear=None if gone is None else gone * 1000)
    bench.input("lamp", 0)
    for name in ("first", "second"):
        bench.row(name, "lamp", behaviour=Behaviour.PULSE, limits=Limits())
    evidence = bench.evidence()
    walk = walked(("off", 1, 10), ("on", 150, 400), ("off", 520, 600))
    shifted = replace(walk, lo=walk.lo + at_ms(0), hi=walk.hi + at_ms(0))
    found = correlate(bench.site(), replace(evidence, traces={"lamp": shifted}))
    assert [it.verdict for it in found.results] == [Verdict.MASKED, Verdict.MASKED]
    alone = replace(evidence, traces={"lamp": shifted}, stimuli=evidence.stimuli[:1])
    assert [it.verdict for it in correlate(bench.site(), alone).results] == [Verdict.APPEARED]
