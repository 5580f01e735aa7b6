"""Silence, acknowledge and reset, each at the outputs that it must change and at those that it must leave alone."""

from __future__ import annotations

import pytest

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Result, Step, Stimulus
from harness.core.verdicts import Verdict
from harness.correlate.silencing import with_silence_of_others
from tests.peers.trace_bench import Bench, one

FOLLOWS, UNTIL, LATCHED = Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED
ACKNOWLEDGE, SILENCE, CLEAR, RESET = Step.ACKNOWLEDGE, Step.SILENCE, Step.CLEAR, Step.RESET


def judged(behaviour: Behaviour, released_by: Step, on: tuple[float, float | None], steps: dict[Step, float]) -> Result:
    """One alarm raised at 1 s (all in ms), and one point polled every 100 ms that was on in ``on``; limits of 1 s."""
    bench = Bench()
    bench.alarm("a")
    bench.input("p", 0)
    key = bench.row("a", "p", behaviour, released_by=released_by)
    bench.raised(
        "a",
        1000,
        silence=steps.get(SILENCE),
        acknowledge=steps.get(ACKNOWLEDGE),
        clear=steps.get(CLEAR),
        reset=steps.get(RESET),
    )
    bench.on("p", *on)
    return one(bench.judge(), key)


SILENCED = {SILENCE: 4000.0, ACKNOWLEDGE: 8000.0, CLEAR: 12000.0}
"""Silenced, acknowledged, cleared, each 4 s after the step before."""
LATER = {SILENCE: 4000.0, CLEAR: 8000.0, ACKNOWLEDGE: 12000.0}
"""The same, acknowledged after the clear."""
ALL = {**LATER, RESET: 16000.0}

WALKS = [
    # a horn that locks in
    (UNTIL, SILENCE, 4300, SILENCED, Verdict.ON_TIME, "silent on silence"),
    (UNTIL, SILENCE, 8300, SILENCED, Verdict.STUCK, "silence does nothing, acknowledge does"),
    (UNTIL, SILENCE, None, SILENCED, Verdict.STUCK, "nothing stops it"),
    (UNTIL, SILENCE, 2500, SILENCED, Verdict.BRIEF, "it stopped by itself before anybody silenced it"),
    (UNTIL, SILENCE, 8300, {ACKNOWLEDGE: 8000.0, CLEAR: 12000.0}, Verdict.UNRESOLVED, "silence was not tested"),
    (UNTIL, SILENCE, 8300, {ACKNOWLEDGE: 8000.0, SILENCE: 9000.0}, Verdict.UNRESOLVED, "acknowledged before"),
    (UNTIL, SILENCE, 4300, {SILENCE: 4000.0}, Verdict.ON_TIME, "silenced, and never acknowledged"),
    (UNTIL, SILENCE, 8300, {CLEAR: 8000.0}, Verdict.BRIEF, "it went with the alarm, and should have sounded on"),
    # a horn that ends with its alarm
    (FOLLOWS, SILENCE, 4300, SILENCED, Verdict.ON_TIME, "silent on silence"),
    (FOLLOWS, SILENCE, 8300, SILENCED, Verdict.STUCK, "silence does nothing, acknowledge does"),
    (FOLLOWS, SILENCE, 12300, SILENCED, Verdict.STUCK, "silence does nothing, nor does acknowledge"),
    (FOLLOWS, SILENCE, 8300, {CLEAR: 8000.0}, Verdict.UNRESOLVED, "it went with the alarm; silence was not tested"),
    # a lamp until acknowledged
    (UNTIL, ACKNOWLEDGE, 8300, SILENCED, Verdict.ON_TIME, "stays over the silence, goes with the acknowledge"),
    (UNTIL, ACKNOWLEDGE, 4300, SILENCED, Verdict.BRIEF, "silence put it out too"),
    (UNTIL, ACKNOWLEDGE, 12300, LATER, Verdict.ON_TIME, "stays over the clear"),
    (UNTIL, ACKNOWLEDGE, 8300, LATER, Verdict.BRIEF, "back to normal with the clear, nobody acknowledged: lost"),
    (UNTIL, ACKNOWLEDGE, 12300, SILENCED, Verdict.STUCK, "acknowledge does nothing, the clear does"),
    # one that follows
    (FOLLOWS, ACKNOWLEDGE, 12300, SILENCED, Verdict.ON_TIME, "neither silence nor acknowledge moves it"),
    (FOLLOWS, ACKNOWLEDGE, 4300, SILENCED, Verdict.BRIEF, "silence put it out"),
    (FOLLOWS, ACKNOWLEDGE, 8300, SILENCED, Verdict.BRIEF, "acknowledge put it out"),
    (FOLLOWS, ACKNOWLEDGE, 12300, LATER, Verdict.STUCK, "it waits for the acknowledge"),
    # latched until acknowledged, and cleared
    (LATCHED, ACKNOWLEDGE, 12300, SILENCED, Verdict.ON_TIME, "acknowledged first"),
    (LATCHED, ACKNOWLEDGE, 8300, SILENCED, Verdict.BRIEF, "the acknowledge alone put it out"),
    (LATCHED, ACKNOWLEDGE, 4300, LATER, Verdict.BRIEF, "silence put it out"),
    (LATCHED, ACKNOWLEDGE, 12300, LATER, Verdict.ON_TIME, "cleared first: on over the clear"),
    (LATCHED, ACKNOWLEDGE, 8300, LATER, Verdict.BRIEF, "gone with the clear: it does not latch"),
    (LATCHED, ACKNOWLEDGE, 16300, ALL, Verdict.STUCK, "acknowledge does not release it, a reset is needed"),
    # latched until reset
    (LATCHED, RESET, 16300, ALL, Verdict.ON_TIME, "held until the reset"),
    (LATCHED, RESET, 12300, ALL, Verdict.BRIEF, "the acknowledge released it"),
    (LATCHED, RESET, None, ALL, Verdict.STUCK, "the reset does nothing"),
    (LATCHED, RESET, 8300, {RESET: 4000.0, CLEAR: 8000.0}, Verdict.UNRESOLVED, "reset while active"),
    (LATCHED, RESET, None, {RESET: 4000.0, CLEAR: 8000.0}, Verdict.UNRESOLVED, "reset while active, and held"),
]


@pytest.mark.parametrize(("behaviour", "by", "end", "steps", "verdict", "why"), WALKS, ids=[it[-1] for it in WALKS])
def test_every_step_at_every_behaviour(
    behaviour: Behaviour, by: Step, end: float | None, steps: dict[Step, float], verdict: Verdict, why: str
) -> None:
    result = judged(behaviour, by, (1200, end), steps)
    assert result.verdict is verdict, (why, result.reason)


def test_without_the_step_nothing_is_said_of_it() -> None:
    never = judged(UNTIL, SILENCE, (1200, 8300), {ACKNOWLEDGE: 8000, CLEAR: 12000})
    assert "nobody silenced it" in never.reason
    late = judged(UNTIL, SILENCE, (1200, 8300), {ACKNOWLEDGE: 8000, SILENCE: 9000, CLEAR: 12000})
    assert "released otherwise" in late.reason
    both = judged(UNTIL, SILENCE, (1200, 4300), {SILENCE: 4000, ACKNOWLEDGE: 4100, CLEAR: 12000})
    assert both.verdict is Verdict.UNRESOLVED
    assert "silent only once it had been acknowledged" in both.reason
    early = judged(LATCHED, RESET, (1200, 8300), {RESET: 4000, CLEAR: 8000})
    assert "reset before it was cleared" in early.reason


def test_silenced_before_it_had_to_sound_is_neither_pass_nor_fail() -> None:
    for behaviour in (UNTIL, FOLLOWS):
        result = judged(behaviour, SILENCE, (50_000, 50_001), {SILENCE: 1100, CLEAR: 12000})
        assert result.verdict is Verdict.UNRESOLVED
        assert "neither pass nor fail" in result.reason
    lamp = judged(UNTIL, ACKNOWLEDGE, (50_000, 50_001), {SILENCE: 1100, CLEAR: 12000})
    assert lamp.verdict is Verdict.MISSED, "silence excuses no lamp"


def stimulus(name: str, raised: int, silenced: Bounds | None) -> Stimulus:
    return Stimulus(id=name, alarm=name, raised=Bounds(raised, raised + 2), silenced=silenced)


def test_one_silence_may_be_one_for_all_that_sound() -> None:
    stimuli = {
        "before": stimulus("before", 100, None),
        "own": stimulus("own", 200, Bounds(500, 510)),
        "later": stimulus("later", 300, Bounds(700, 710)),
        "behind": stimulus("behind", 800, None),
        "across": stimulus("across", 706, None),
    }
    found = {name: it.silenced for name, it in with_silence_of_others(stimuli).items()}
    assert found == {
        "before": Bounds(500, FOREVER),
        "own": Bounds(500, 510),
        "later": Bounds(500, 710),
        "behind": None,
        "across": Bounds(706, FOREVER),
    }
    assert with_silence_of_others({}) == {}


def test_a_horn_that_another_alarms_silence_stopped_is_no_fail_and_no_pass() -> None:
    """Raised together, one silence for the two: what it did to the other one is not known."""
    bench = Bench()
    for number, name in enumerate("ab"):
        bench.alarm(name)
        bench.input(f"{name}.horn", number)
        bench.row(name, f"{name}.horn", UNTIL, released_by=SILENCE)
        bench.on(f"{name}.horn", 1200 + 100 * number, 4200)
    bench.raised("a", 1000, silence=4000, acknowledge=8000, clear=12000)
    bench.raised("b", 1100, acknowledge=8500, clear=12500)
    judgement = bench.judge()
    assert one(judgement, "a@a.horn").verdict is Verdict.ON_TIME
    other = one(judgement, "b@b.horn")
    assert other.verdict is Verdict.UNRESOLVED
    assert "not proven" in other.reason


def test_a_latch_that_was_acknowledged_before_its_clear_is_not_shown_to_latch() -> None:
    """It would have gone with the clear as well: what follows passes the same, and the result says so."""
    first = judged(LATCHED, ACKNOWLEDGE, (1200, 12_300), SILENCED)
    assert [it for it in first.assumptions if "that it latches" in it]
    later = judged(LATCHED, ACKNOWLEDGE, (1200, 12_300), LATER)
    assert not [it for it in later.assumptions if "that it latches" in it]
    by_reset = judged(LATCHED, RESET, (1200, 16_300), ALL)
    assert not [it for it in by_reset.assumptions if "that it latches" in it]
