"""What an alarm did at a shared point while another one held it: not known, and never a proven miss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.core.model import Behaviour, Limits, Result, Step
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate
from tests.peers.trace_bench import LIMITS, MS, Bench, at_ms, one

HORN_LIMITS = Limits(appears_within_ns=1000 * MS, gone_within_ns=1000 * MS, search_ns=1500 * MS, settle_ns=400 * MS)


def with_horn(behaviour: Behaviour = Behaviour.UNTIL_ACKNOWLEDGED, released_by: Step = Step.ACKNOWLEDGE) -> Bench:
    """Three alarms that share a horn."""
    bench = Bench()
    bench.input("bms.horn", 0)
    for name in ("a0", "a1", "a2"):
        bench.alarm(name)
        bench.row(name, "bms.horn", behaviour, HORN_LIMITS, released_by)
    return bench


def crossed_clears(bench: Bench) -> None:
    """The horn as it was measured: a1 comes after a0 and clears before it; both are acknowledged once it is silent."""
    bench.raised("a0", 1183.9, clear=3535.2, acknowledge=4756.7, width=0.8)
    bench.raised("a1", 1467.6, clear=1813.8, acknowledge=5395, width=0.8)
    bench.on("bms.horn", 1352, 3692)


def test_a_horn_that_another_alarm_held_on_is_no_miss_where_it_ends_before_its_release() -> None:
    """It was off before a1 was acknowledged, so the row is not met; that a1 did not sound it is not proven."""
    bench = with_horn()
    crossed_clears(bench)
    judgement = bench.judge()
    first, second = one(judgement, "a0@bms.horn"), one(judgement, "a1@bms.horn")
    assert (first.verdict, second.verdict) == (Verdict.BRIEF, Verdict.BRIEF)
    assert second.reason == (
        "it may have shown in time, since a0 (s1) held the shared point; but then it went off sooner than its row "
        "allows"
    )
    assert second.latency is None
    assert second.visible is None
    assert "no gap leaves room" not in second.reason
    assert {cause.code for it in (first, second) for cause in it.causes} == {"not-held"}


def test_acknowledged_before_the_clear_it_is_masked() -> None:
    bench = with_horn()
    bench.raised("a0", 1183.9, clear=3535.2, acknowledge=3400, width=0.8)
    bench.raised("a1", 1467.6, clear=3300, acknowledge=3000, width=0.8)
    bench.on("bms.horn", 1352, 3692)
    assert one(bench.judge(), "a1@bms.horn").verdict is Verdict.MASKED


def test_a_horn_that_was_off_for_the_whole_of_the_limit_is_missed_whoever_held_it_later() -> None:
    """On for a0 only after all the time that a1 had: off-samples stay evidence."""
    bench = with_horn(Behaviour.FOLLOWS)
    bench.raised("a1", 1000, clear=6000)
    bench.raised("a0", 2300, clear=4000)
    bench.on("bms.horn", 2400, 4050)
    assert one(bench.judge(), "a1@bms.horn").verdict is Verdict.MISSED


def test_a_horn_that_another_alarm_held_before_the_raise_alone_is_missed() -> None:
    bench = with_horn(Behaviour.FOLLOWS)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.horn", 1100, 2100)
    bench.raised("a1", 2400, clear=6000)
    result = one(bench.judge(), "a1@bms.horn")
    assert result.verdict is Verdict.MISSED
    assert "no gap leaves room" in result.reason


def test_a_horn_that_goes_off_with_the_first_clear_is_not_held_for_all() -> None:
    """Either it lets go with any clear, or a1 is not sent there: named together."""
    bench = with_horn(Behaviour.FOLLOWS)
    bench.raised("a0", 1000, clear=3000)
    bench.raised("a1", 1500, clear=6000)
    bench.on("bms.horn", 1100, 3100)
    judgement = bench.judge()
    result = one(judgement, "a1@bms.horn")
    assert result.verdict is Verdict.BRIEF
    (cause,) = result.causes
    assert cause.code == "not-held-for-all"
    assert [equal.code for equal in cause.equals] == ["point-silent"]


def test_of_three_alarms_none_is_missed_where_the_first_one_held_the_horn() -> None:
    bench = with_horn()
    bench.raised("a0", 1000, clear=4000, acknowledge=6000)
    bench.raised("a1", 1500, clear=3000, acknowledge=6500)
    bench.raised("a2", 2000, clear=2500)
    bench.on("bms.horn", 1100, 4100)
    results = bench.judge().results
    assert [it.verdict for it in results] == [Verdict.BRIEF] * 3


def test_where_another_alarm_held_the_horn_all_the_time_the_row_itself_fails_nothing() -> None:
    """It was let go after 300 ms and had to show for 900 ms: no world does that, but nobody saw this alarm's part."""
    bench = Bench()
    bench.input("bms.horn", 0)
    for name in ("a0", "a1"):
        bench.alarm(name)
        bench.row(name, "bms.horn", limits=replace(HORN_LIMITS, visible_for_ns=900 * MS, gone_within_ns=300 * MS))
    bench.raised("a0", 1000, clear=9000)
    bench.raised("a1", 3000, clear=3300)
    bench.on("bms.horn", 1100, 9100)
    assert one(bench.judge(), "a1@bms.horn").verdict is Verdict.MASKED


def told(*changes: tuple[float, bool]) -> Trace:
    """A point of which every change is told by a message of its own, at these times in ms."""
    at = np.array([at_ms(ms) for ms, _ in changes], dtype=np.int64)
    on = np.array([state for _, state in changes])
    return Trace.from_states("bms.horn", at, at, on, edge=np.arange(len(at)) > 0)


@pytest.mark.parametrize(
    ("off_at", "verdict"), [(3692, Verdict.BRIEF), (1300, Verdict.MISSED)], ids=["after-the-raise", "before-the-raise"]
)
def test_a_message_that_it_went_off_says_that_it_was_on_until_then(off_at: float, verdict: Verdict) -> None:
    """A path that tells changes alone: a0 came on before the raise of a1, and no other sample lies between."""
    bench = with_horn()
    bench.raised("a0", 1100, clear=3500, acknowledge=4700)
    bench.raised("a1", 1467, clear=1800, acknowledge=5400)
    trace = told((500, False), (1200, True), (off_at, False), (9000, False))
    trace = replace(trace, sealed=np.ones(4, dtype=np.bool_))
    judgement = correlate(bench.site(), replace(bench.evidence(), traces={"bms.horn": trace}))
    assert one(judgement, "a1@bms.horn").verdict is verdict


def test_a_pulse_that_is_too_short_behind_another_one_is_told_so() -> None:
    bench = Bench()
    bench.input("bms.horn", 0)
    limits = replace(HORN_LIMITS, visible_for_ns=900 * MS)
    for name in ("a0", "a1"):
        bench.alarm(name)
        bench.row(name, "bms.horn", Behaviour.PULSE, limits)
    bench.raised("a0", 1000, clear=6000)
    bench.raised("a1", 1400, clear=6000)
    bench.on("bms.horn", 1100, 1700)
    result: Result = one(bench.judge(), "a1@bms.horn")
    assert result.verdict is Verdict.BRIEF
    assert "sooner than its row allows" in result.reason


def test_a_second_onset_behind_another_alarm_is_told_as_such_where_nothing_else_was_seen() -> None:
    """It comes on again beyond the search limit and before it had settled."""
    bench = Bench()
    bench.input("bms.horn", 0)
    limits = replace(LIMITS, search_ns=1000 * MS, settle_ns=2500 * MS)
    for name in ("a0", "a1"):
        bench.alarm(name)
        bench.row(name, "bms.horn", limits=limits)
    bench.raised("a0", 1000, clear=5000)
    bench.raised("a1", 3000, clear=4900)
    bench.on("bms.horn", 1150, 5150)
    bench.on("bms.horn", 5600, 6200)
    result = one(bench.judge(), "a1@bms.horn")
    assert result.verdict is Verdict.REPEATED
    assert "did not appear" not in result.reason
    assert result.verdict.verdict_class is VerdictClass.FAIL
