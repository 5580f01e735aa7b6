"""Whole records, put together by hand: what shares a point, what is masked, what nothing explains."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Hold, Judgement, Limits
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate import engine
from harness.correlate.engine import correlate
from harness.correlate.evidence import Evidence
from harness.correlate.judge import judge_outlined
from tests.peers.trace_bench import LIMITS, MS, Bench, at_ms, one


def verdicts(judgement: Judgement) -> dict[str, str]:
    """The verdict of each expectation and stimulus."""
    return {f"{it.expectation}/{it.stimulus}": str(it.verdict) for it in judgement.results}


def with_common(count: int = 3) -> tuple[Bench, list[str]]:
    """Alarms with a discrete input each, and one that they share."""
    bench = Bench()
    names = bench.inputs(count)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common")
    return bench, names


def test_a_healthy_site_passes_everywhere_and_the_bounds_hold_the_truth() -> None:
    bench, names = with_common()
    bench.healthy(names)
    for number in range(3):
        bench.on("bms.common", 1150 + 3000 * number, 2150 + 3000 * number)
    judgement = bench.judge()
    assert {it.verdict for it in judgement.results} == {Verdict.ON_TIME}
    assert len(judgement.results) == 6
    assert not judgement.strays
    assert not judgement.causes
    for result in judgement.results:
        assert result.latency is not None
        assert 150 * MS in result.latency
        assert result.visible is not None
        assert 1000 * MS in result.visible
        # No wider than the gap between two polls, the exchange, and the stimulus.
        assert result.latency.width <= (100 + 5 + 10) * MS
        assert result.attributed
        assert not result.causes


def test_results_come_in_the_order_of_raising_then_of_the_point_map() -> None:
    bench, names = with_common()
    bench.healthy(list(reversed(names)))
    judgement = bench.judge()
    assert [(it.stimulus, it.expectation) for it in judgement.results] == [
        (f"s{number + 1}", f"{name}@bms.{place}")
        for number, name in enumerate(reversed(names))
        for place in (name, "common")
    ]


def test_only_judges_the_expectations_that_were_chosen() -> None:
    bench, names = with_common()
    bench.healthy(names)
    judgement = correlate(bench.site(), bench.evidence(), only=["a1@bms.a1"])
    assert [it.expectation for it in judgement.results] == ["a1@bms.a1"]


# --- shared points ---------------------------------------------------------------------------------


def test_an_alarm_raised_while_another_holds_the_common_point_is_masked_there() -> None:
    bench, _ = with_common(2)
    bench.raised("a0", 1000, clear=8000)
    bench.raised("a1", 3000, clear=5000)
    bench.on("bms.a0", 1150, 8150)
    bench.on("bms.a1", 3150, 5150)
    bench.on("bms.common", 1150, 8150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.common").verdict is Verdict.ON_TIME
    masked = one(judgement, "a1@bms.common")
    assert masked.verdict is Verdict.MASKED
    assert "a0 (s1)" in masked.reason
    assert one(judgement, "a1@bms.a1").verdict is Verdict.ON_TIME


def test_the_end_of_a_common_point_belongs_to_the_alarm_that_outlasts() -> None:
    """That it went off in time with the first alarm was not tested: the second may have held it on."""
    bench, _ = with_common(2)
    bench.raised("a0", 1000, clear=5000)
    bench.raised("a1", 3000, clear=8000)
    bench.on("bms.a0", 1150, 5150)
    bench.on("bms.a1", 3150, 8150)
    bench.on("bms.common", 1150, 8150)
    found = verdicts(bench.judge())
    assert found["a0@bms.common/s1"] == "masked"
    assert found["a1@bms.common/s2"] == "masked"


def test_off_samples_of_a_shared_point_stay_evidence() -> None:
    """Another alarm held the point later on; that it was off all through the first window is a fail all the same."""
    bench, _ = with_common(2)
    bench.raised("a0", 1000, clear=6000)
    bench.raised("a1", 4000, clear=5000)
    bench.on("bms.a0", 1150, 6150)
    bench.on("bms.a1", 4150, 5150)
    bench.on("bms.common", 4150, 5150)
    found = verdicts(bench.judge())
    assert found["a0@bms.common/s1"] == "missed"


def test_a_point_that_an_earlier_alarm_left_on_masks_the_next_ones() -> None:
    bench, names = with_common()
    bench.healthy(names)
    bench.on("bms.common", 1150)
    found = verdicts(bench.judge())
    assert found["a0@bms.common/s1"] == "stuck"
    assert found["a1@bms.common/s2"] == "masked"
    assert found["a2@bms.common/s3"] == "masked"


def test_a_stuck_point_that_was_released_is_clear_evidence_again() -> None:
    bench, names = with_common()
    bench.healthy(names)
    bench.on("bms.common", 1150, 5000)
    bench.on("bms.common", 7150, 8150)
    found = verdicts(bench.judge())
    assert found["a0@bms.common/s1"] == "stuck"
    assert found["a1@bms.common/s2"] == "masked"
    assert found["a2@bms.common/s3"] == "on-time"


@pytest.mark.parametrize("ends", [8150, None], ids=["goes-off", "still-on-at-the-end"])
def test_the_hold_of_a_point_says_nothing_of_what_one_of_its_alarms_did_there(ends: float | None) -> None:
    """It is on for no less than 7 s at a time; an alarm that holds it for 2 s within these is masked, not missed."""
    bench, _ = with_common(2)
    held = Hold(on_ns=7000 * MS, off_ns=200 * MS, on_declared=True, off_declared=True)
    bench.points["bms.common"] = replace(bench.points["bms.common"], hold=held)
    bench.raised("a0", 1000, clear=None if ends is None else 8000)
    bench.raised("a1", 3000, clear=5000)
    bench.on("bms.a0", 1150, ends)
    bench.on("bms.a1", 3150, 5150)
    bench.on("bms.common", 1150, ends)
    assert one(bench.judge(), "a1@bms.common").verdict is Verdict.MASKED


def test_a_message_that_a_shared_point_went_off_is_not_the_end_of_every_alarm_that_held_it() -> None:
    """Raised again before the output was gone, it is told to go off once: for the first raise it went off by then."""
    bench = Bench()
    bench.alarm("a0")
    bench.input("bms.a0", 0)
    bench.row("a0", "bms.a0", limits=replace(LIMITS, gone_within_ns=2000 * MS))
    bench.raised("a0", 1000, clear=3000)
    bench.raised("a0", 4000, clear=6000)
    instants = np.array([at_ms(ms) for ms in (500, 1150, 6150)], dtype=np.int64)
    trace = Trace.from_states(
        "bms.a0", instants, instants, np.array([False, True, False]), edge=np.array([False, True, True])
    )
    judgement = correlate(bench.site(), replace(bench.evidence(), traces={"bms.a0": trace}))
    assert verdicts(judgement) == {"a0@bms.a0/s1": "masked", "a0@bms.a0/s2": "masked"}


def test_what_may_be_hidden_behind_another_alarm_is_not_missed_for_an_onset_that_follows() -> None:
    """Either a1 did not show behind a0, or what follows is its second onset: a fail, but no proven miss."""
    bench, _ = with_common(2)
    bench.raised("a0", 1000, clear=5000)
    bench.raised("a1", 3000, clear=4900)
    bench.on("bms.a0", 1150, 5150)
    bench.on("bms.common", 1150, 5150)
    bench.on("bms.common", 5600, 6200)
    found = one(bench.judge(), "a1@bms.common")
    assert found.verdict is Verdict.REPEATED


def test_a_pulse_that_follows_before_another_one_has_settled_is_no_second_onset_of_it() -> None:
    """The settle time of a pulse runs from the latest instant at which it may end, not from its end."""
    bench = Bench()
    for name in ("a0", "a1"):
        bench.alarm(name)
    bench.input("bms.common", 0)
    for name in ("a0", "a1"):
        bench.row(name, "bms.common", Behaviour.PULSE)
    bench.raised("a0", 1000, clear=4000)
    bench.on("bms.common", 1900, 2100)
    bench.raised("a1", 2700, clear=4000)
    bench.on("bms.common", 2750, 3000)
    assert verdicts(bench.judge()) == {"a0@bms.common/s1": "on-time", "a1@bms.common/s2": "on-time"}


def test_a_pulse_that_comes_twice_is_repeated_and_its_second_onset_no_stray() -> None:
    bench = Bench()
    bench.alarm("a0")
    bench.input("bms.a0", 0)
    bench.row("a0", "bms.a0", Behaviour.PULSE)
    bench.raised("a0", 1000, clear=4000)
    bench.on("bms.a0", 1900, 2100)
    bench.on("bms.a0", 3000, 3300)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.REPEATED
    assert not judgement.strays


def test_an_alarm_that_fell_into_the_same_outage_as_one_that_shares_its_point_is_not_missed() -> None:
    """Together they hold the point for longer than a0 alone would; the hold is one of the point."""
    bench, _ = with_common(2)
    held = Hold(on_ns=2500 * MS, off_ns=200 * MS, on_declared=True, off_declared=True)
    bench.points["bms.common"] = replace(bench.points["bms.common"], hold=held)
    bench.raised("a0", 1000, clear=1500)
    bench.raised("a1", 1400, clear=4000)
    bench.on("bms.common", 1150, 4150)
    bench.blind_from("bms", 500, 5500)
    found = verdicts(bench.judge())
    assert found["a0@bms.common/s1"] in ("not-observed", "unresolved", "masked")


@pytest.mark.parametrize("hold", [Hold(), Hold(on_ns=900 * MS, on_declared=True)], ids=["assumed", "declared"])
def test_a_pulse_that_may_be_short_is_not_missed_because_its_point_is_said_to_hold_for_longer(hold: Hold) -> None:
    """Nobody looked for 600 ms, and the pulse may last 400 ms at most: it may have come and gone."""
    bench = Bench()
    bench.alarm("a0")
    bench.input("bms.a0", 0, hold=hold)
    limits = replace(LIMITS, appears_within_ns=300 * MS, gone_within_ns=400 * MS, search_ns=300 * MS)
    bench.row("a0", "bms.a0", Behaviour.PULSE, limits)
    bench.raised("a0", 1000, clear=5000)
    bench.on("bms.a0", 1150, 1450)
    bench.blind_from("bms", 1010, 1590)
    assert one(bench.judge(), "a0@bms.a0").verdict is Verdict.UNRESOLVED


def test_a_hold_that_no_row_can_meet_proves_no_miss_in_an_outage() -> None:
    bench = Bench()
    bench.alarm("a0")
    bench.input("bms.a0", 0, hold=Hold(on_ns=9000 * MS, on_declared=True))
    bench.row("a0", "bms.a0")
    bench.raised("a0", 5000, clear=7000)
    bench.on("bms.a0", 5150, 7150)
    bench.blind_from("bms", 4500, 13_000)
    assert one(bench.judge(), "a0@bms.a0").verdict is Verdict.NOT_OBSERVED


def test_a_row_that_nothing_could_meet_is_not_missed_in_an_outage() -> None:
    """Visible for 5 s of an alarm that was up for 1 s: it fails where it was looked at, and nobody looked."""
    for blind in (False, True):
        bench = Bench()
        bench.alarm("a0")
        bench.input("bms.a0", 0)
        bench.row("a0", "bms.a0", limits=replace(LIMITS, visible_for_ns=5000 * MS))
        bench.raised("a0", 5000, clear=6000)
        bench.on("bms.a0", 5150, 6150)
        if blind:
            bench.blind_from("bms", 4500, 15_000)
        found = one(bench.judge(), "a0@bms.a0").verdict
        assert found is (Verdict.NOT_OBSERVED if blind else Verdict.BRIEF)


# --- alarms that bring others ----------------------------------------------------------------------


def test_an_alarm_that_another_brings_along_is_no_stray() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    bench.alarm("a1", brings=["a2"])
    names = bench.inputs(4)
    bench.raised("a0", 1000, clear=2000)
    for name in names[:3]:
        bench.on(f"bms.{name}", 1150, 2150)
    judgement = bench.judge()
    assert verdicts(judgement) == {"a0@bms.a0/s1": "on-time"}
    assert not judgement.strays


def test_an_alarm_that_is_not_brought_along_is_a_stray() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    bench.inputs(4)
    bench.raised("a0", 1000, clear=2000)
    for name in ("a0", "a1", "a3"):
        bench.on(f"bms.{name}", 1150, 2150)
    assert [it.point for it in bench.judge().strays] == ["bms.a3"]


def test_that_a_brought_alarm_does_not_show_is_no_miss() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    assert verdicts(bench.judge()) == {"a0@bms.a0/s1": "on-time"}


def test_an_alarm_raised_while_another_one_brings_it_is_masked() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    bench.inputs(2)
    bench.raised("a0", 1000, clear=8000)
    bench.raised("a1", 3000, clear=5000)
    bench.on("bms.a0", 1150, 8150)
    bench.on("bms.a1", 1150, 8150)
    assert verdicts(bench.judge()) == {"a0@bms.a0/s1": "on-time", "a1@bms.a1/s2": "masked"}


def test_rings_of_alarms_that_bring_each_other_end() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    bench.alarm("a1", brings=["a0"])
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    bench.on("bms.a1", 1150, 2150)
    judgement = bench.judge()
    assert verdicts(judgement) == {"a0@bms.a0/s1": "on-time"}
    assert not judgement.strays


# --- strays, lates, contradictions -----------------------------------------------------------------


def test_a_sighting_outside_every_window_is_a_stray() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.healthy(names)
    bench.on("bms.a1", 20_000, 21_000)
    judgement = bench.judge()
    assert [(it.point, it.verdict) for it in judgement.strays] == [("bms.a1", Verdict.STRAY)]
    assert at_ms(20_000) in judgement.strays[0].onset
    assert {it.verdict for it in judgement.results} == {Verdict.ON_TIME}


def test_what_was_on_from_the_start_is_no_event() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 5000, clear=6000)
    bench.on("bms.a0", 5150, 6150)
    bench.on("bms.a1", -1000, 3000)
    assert not bench.judge().strays


def test_one_dead_and_one_stray_are_not_a_row_of_lates() -> None:
    """A matcher that maximises the number of pairs would call every one of these late."""
    bench = Bench()
    bench.inputs(1)
    for number in range(6):
        start = 1000 + 3000 * number
        bench.raised("a0", start, clear=start + 1000)
        if number:
            bench.on("bms.a0", start + 150, start + 1150)
    bench.on("bms.a0", 19_500, 20_500)
    judgement = bench.judge()
    expected = ["missed", "on-time", "on-time", "on-time", "on-time", "on-time"]
    assert [str(it.verdict) for it in judgement.results] == expected
    assert len(judgement.strays) == 1


def test_an_onset_before_its_cause_is_a_stray_and_no_latency_of_zero() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 5000, clear=6000)
    bench.on("bms.a0", 3000, 4000)
    bench.on("bms.a0", 5150, 6150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    assert [at_ms(3000) in it.onset for it in judgement.strays] == [True]


def test_an_onset_before_the_raise_that_lasts_over_it_is_no_pass() -> None:
    bench = Bench()
    bench.inputs(1)
    bench.raised("a0", 5000, clear=6000)
    bench.on("bms.a0", 4000, 6150)
    result = one(bench.judge(), "a0@bms.a0")
    assert result.verdict.verdict_class is not VerdictClass.PASS
    assert not result.attributed


def test_a_response_wholly_before_the_raise_contradicts_the_stimulus_everywhere() -> None:
    """All results of that stimulus become unknown, also those that would have passed; other stimuli are judged."""
    bench, _ = with_common(2)
    bench.raised("a0", 5000, clear=6000)
    bench.on("bms.a0", 3000, 4000)
    bench.on("bms.common", 5150, 6150)
    bench.raised("a1", 12_000, clear=13_000)
    bench.on("bms.a1", 12_150, 13_150)
    bench.on("bms.common", 12_150, 13_150)
    judgement = bench.judge()
    found = verdicts(judgement)
    assert found == {
        "a0@bms.a0/s1": "unresolved",
        "a0@bms.common/s1": "unresolved",
        "a1@bms.a1/s2": "on-time",
        "a1@bms.common/s2": "on-time",
    }
    assert "contradicted" in one(judgement, "a0@bms.common").reason
    assert len(judgement.strays) == 1


def test_what_a_reference_point_timed_is_contradicted_by_no_other_point() -> None:
    """Swapped wires: the second alarm's point came on with the first alarm, before the second one was raised."""
    bench = Bench()
    for number in range(2):
        bench.alarm(f"a{number}", reference=f"panel.a{number}")
        bench.input(f"panel.a{number}", number, link="panel")
    names = bench.inputs(2)
    bench.healthy(names, links=("panel",))
    bench.on("bms.a1", 1150, 2150)
    bench.on("bms.a0", 4150, 5150)
    found = verdicts(bench.judge())
    assert found["a1@bms.a1/s2"] == "missed"
    assert found["a0@bms.a0/s1"] == "late"


def test_a_stray_before_an_earlier_raise_contradicts_nothing() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.on("bms.a1", 1000, 2000)
    bench.raised("a0", 3000, clear=4000)
    bench.on("bms.a0", 3150, 4150)
    bench.raised("a1", 4500, clear=5500)
    found = verdicts(bench.judge())
    assert found == {"a0@bms.a0/s1": "on-time", "a1@bms.a1/s2": "missed"}


def test_a_miss_with_one_unexplained_sighting_elsewhere_is_crossed() -> None:
    bench = Bench()
    bench.inputs(3)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a2", 1150, 2150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.CROSSED
    assert "bms.a2" in one(judgement, "a0@bms.a0").reason
    assert not judgement.strays


def test_without_the_proven_miss_it_stays_a_stray() -> None:
    bench = Bench()
    bench.inputs(3)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    bench.on("bms.a2", 1150, 2150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    assert [it.point for it in judgement.strays] == ["bms.a2"]


def test_a_miss_on_one_link_is_not_crossed_with_a_stray_on_another() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.input("other.a1", 1, link="other")
    bench.row("a1", "other.a1")
    bench.raised("a0", 1000, clear=2000)
    bench.on("other.a1", 1150, 2150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.MISSED
    assert [it.point for it in judgement.strays] == ["other.a1"]


# --- several raises of one alarm -------------------------------------------------------------------


def test_the_next_raise_of_the_same_alarm_ends_the_search() -> None:
    bench = Bench()
    bench.inputs(1)
    bench.raised("a0", 1000, clear=1500)
    bench.raised("a0", 3000, clear=4000)
    bench.on("bms.a0", 3150, 4150)
    assert verdicts(bench.judge()) == {"a0@bms.a0/s1": "missed", "a0@bms.a0/s2": "on-time"}


def test_a_sighting_between_two_raises_belongs_to_the_first() -> None:
    bench = Bench()
    bench.inputs(1)
    bench.raised("a0", 1000, clear=5000)
    bench.raised("a0", 6000, clear=7000)
    bench.on("bms.a0", 3500, 5150)
    bench.on("bms.a0", 6150, 7150)
    judgement = bench.judge()
    assert verdicts(judgement) == {"a0@bms.a0/s1": "late", "a0@bms.a0/s2": "on-time"}
    assert not judgement.strays


def test_two_equally_good_pairings_leave_both_unresolved() -> None:
    """Two raises, one sighting that fits either at no cost: which one was missed is not known."""
    bench, _ = with_common(2)
    limits = replace(LIMITS, appears_within_ns=None)
    bench.rows = []
    bench.row("a0", "bms.common", Behaviour.PULSE, limits)
    bench.row("a1", "bms.common", Behaviour.PULSE, limits)
    bench.raised("a0", 1000)
    bench.raised("a1", 1000)
    bench.on("bms.common", 1150, 1400)
    found = [it.verdict.verdict_class for it in bench.judge().results]
    assert found == [VerdictClass.UNKNOWN, VerdictClass.UNKNOWN]


def test_an_alarm_that_was_never_released_is_not_tested_for_going_off_and_never_missed() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.rows[1] = replace(bench.rows[1], limits=replace(LIMITS, gone_within_ns=None))
    for number in (0, 1):
        bench.raised(f"a{number}", 1000 + 5000 * number)
        bench.on(f"bms.a{number}", 1150 + 5000 * number)
    judgement = bench.judge()
    assert verdicts(judgement) == {"a0@bms.a0/s1": "unresolved", "a1@bms.a1/s2": "on-time"}
    assert "never released" in one(judgement, "a0@bms.a0").reason


# --- what is not judged ----------------------------------------------------------------------------


def test_nothing_is_judged_from_a_raise_that_is_not_proven() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000, proven=False)
    bench.on("bms.a0", 1150, 2150)
    result = one(bench.judge(), "a0@bms.a0")
    assert result.verdict is Verdict.NOT_RUN
    assert "no answer and no read-back" in result.reason


def test_a_point_that_was_not_read_is_not_observed() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.healthy(names)
    bench.unread.add("bms.a1")
    found = verdicts(bench.judge())
    assert found == {"a0@bms.a0/s1": "on-time", "a1@bms.a1/s2": "not-observed"}


def test_a_link_that_was_down_for_the_window_is_not_observed_and_never_missed() -> None:
    bench = Bench()
    names = bench.inputs(3)
    bench.healthy(names)
    bench.blind_from("bms", 3900, 9000, "connection refused")
    found = verdicts(bench.judge())
    assert found["a0@bms.a0/s1"] == "on-time"
    assert found["a1@bms.a1/s2"] == "not-observed"


def test_a_transient_that_fell_between_two_polls_is_unresolved_and_never_a_pass() -> None:
    bench = Bench()
    bench.alarm("a0", reference="panel.a0")
    bench.input("panel.a0", 0, link="panel")
    bench.inputs(1)
    bench.period_ms = 1000
    bench.raised("a0", 5100, clear=5400)
    bench.on("bms.a0", 5250, 5550)
    result = one(bench.judge(), "a0@bms.a0")
    assert result.verdict is Verdict.UNRESOLVED
    assert "fell between polls" in result.reason


def test_a_judge_that_crashes_makes_its_results_unknown_and_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench()
    names = bench.inputs(3)
    bench.healthy(names)
    real = judge_outlined

    def crashing(sketch: object, stimulus: object, expectation: object, *args: object, **options: object) -> object:
        if getattr(expectation, "key", "") == "a1@bms.a1":
            raise ZeroDivisionError("on purpose")
        return real(sketch, stimulus, expectation, *args, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(engine, "judge_outlined", crashing)
    judgement = bench.judge()
    assert verdicts(judgement) == {
        "a0@bms.a0/s1": "on-time",
        "a1@bms.a1/s2": "unresolved",
        "a2@bms.a2/s3": "on-time",
    }
    assert len(judgement.failures_of_checkers) == 1
    assert "ZeroDivisionError: on purpose" in judgement.failures_of_checkers[0]
    assert "crashed" in one(judgement, "a1@bms.a1").reason


# --- order and cost --------------------------------------------------------------------------------


def test_the_order_of_stimuli_and_points_in_the_evidence_does_not_matter() -> None:
    bench, names = with_common(4)
    bench.healthy(names, every=900)
    bench.on("bms.common", 1150, 3000)
    bench.on("bms.a3", 30_000, 31_000)
    site, evidence = bench.site(), bench.evidence()
    first = correlate(site, evidence)
    dice = random.Random(17)
    for _ in range(10):
        stimuli, traces = list(evidence.stimuli), list(evidence.traces.items())
        dice.shuffle(stimuli)
        dice.shuffle(traces)
        assert correlate(site, Evidence(stimuli=tuple(stimuli), traces=dict(traces))) == first


def test_judging_looks_only_at_what_is_near(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice the stimuli at one point make twice the calls, and no window meets more masks than before."""
    masks: list[int] = []
    real = engine._judge_window

    def counting(sketch: object, window: object, found: list[object], **options: object) -> object:
        masks.append(len(found))
        return real(sketch, window, found, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(engine, "_judge_window", counting)
    counts: list[tuple[int, int]] = []
    for number in (10, 20, 40):
        bench = Bench()
        bench.end_ms = 3000.0 * number + 5000
        bench.inputs(1)
        masks.clear()
        for at in range(number):
            start = 1000 + 3000 * at
            bench.raised("a0", start, clear=start + 1000)
            bench.on("bms.a0", start + 150, start + 1150)
        judgement = bench.judge()
        assert {it.verdict for it in judgement.results} == {Verdict.ON_TIME}
        counts.append((len(masks), max(masks)))
    assert [calls for calls, _ in counts] == [10, 20, 40]
    assert len({most for _, most in counts}) == 1


def test_a_quiet_point_that_leaks_is_no_stray_and_no_other_alarms_sighting() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.alarm("w")
    bench.input("bms.w", 10)
    bench.row("w", "bms.w", Behaviour.QUIET, Limits(search_ns=2000 * MS, leak_ns=300 * MS))
    bench.healthy(names)
    bench.raised("w", 9000, clear=10_000)
    bench.on("bms.w", 9150, 10_150)
    judgement = bench.judge()
    assert one(judgement, "w@bms.w").verdict is Verdict.LEAKED
    assert not judgement.strays


def test_a_quiet_point_that_stayed_off_is_quiet() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.alarm("w")
    bench.input("bms.w", 10)
    bench.row("w", "bms.w", Behaviour.QUIET, Limits(search_ns=2000 * MS, leak_ns=300 * MS))
    bench.healthy(names)
    bench.raised("w", 9000, clear=10_000)
    judgement = bench.judge()
    assert one(judgement, "w@bms.w").verdict is Verdict.QUIET


def test_stimuli_of_an_alarm_that_the_site_no_longer_has_are_left_out() -> None:
    """A record may be judged again with a map that dropped an alarm."""
    bench = Bench()
    names = bench.inputs(1)
    bench.healthy(names)
    evidence = bench.evidence()
    gone = replace(evidence.stimuli[0], id="s9", alarm="dropped", raised=Bounds.exactly(at_ms(500)))
    judgement = correlate(bench.site(), replace(evidence, stimuli=(gone, *evidence.stimuli)))
    assert verdicts(judgement) == {"a0@bms.a0/s1": "on-time"}


def test_quiet_in_a_block_that_reacts_to_nothing_is_unknown() -> None:
    bench = Bench()
    names = bench.inputs(4)
    bench.alarm("w")
    bench.input("bms.w", 10)
    bench.row("w", "bms.w", Behaviour.QUIET, Limits(search_ns=2000 * MS, leak_ns=300 * MS))
    for number, name in enumerate(names):
        bench.raised(name, 3000 * (number + 1), clear=3000 * (number + 1) + 1500)
    bench.raised("w", 18_000, clear=19_000)
    judgement = bench.judge()
    assert {it.verdict for it in judgement.results if it.alarm != "w"} == {Verdict.MISSED}
    quiet = one(judgement, "w@bms.w")
    assert quiet.verdict is Verdict.UNRESOLVED
    assert "reacted to nothing" in quiet.reason
    assert quiet.causes == one(judgement, "a0@bms.a0").causes


def test_a_quiet_pass_says_that_the_point_was_never_seen_to_react() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.alarm("w")
    bench.input("bms.w", 10)
    bench.row("w", "bms.w", Behaviour.QUIET, Limits(search_ns=2000 * MS, leak_ns=300 * MS))
    bench.healthy(names)
    bench.raised("w", 9000, clear=10_000)
    assert any("never seen on" in it for it in one(bench.judge(), "w@bms.w").assumptions)
