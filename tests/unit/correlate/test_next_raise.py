"""What comes on after another alarm was raised is that one's, or nobody's, and no proven repeat or leak."""

from __future__ import annotations

import pytest

from harness.core.model import AlarmClass, Behaviour
from harness.core.verdicts import Verdict
from tests.peers.trace_bench import Bench, one


def neighbours(lights_ms: float) -> Bench:
    """a0 is healthy and settles until 3500 ms; a1, raised before that, lights the input of a0 at ``lights_ms``."""
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    bench.raised("a1", 2300, clear=4000)
    bench.on("bms.a0", lights_ms, 4100)
    return bench


@pytest.mark.parametrize("lights_ms", [2350, 2420, 2600, 3200])
def test_a_wrong_bit_soon_after_the_neighbours_own_test_is_crossed_and_the_neighbour_passes(lights_ms: float) -> None:
    judgement = neighbours(lights_ms).judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    crossed = one(judgement, "a1@bms.a1")
    assert crossed.verdict is Verdict.CROSSED
    assert "bms.a0" in crossed.reason
    assert "nothing else came on" not in str(crossed.causes)
    assert not judgement.strays


def test_what_came_on_again_before_anything_else_was_raised_is_repeated() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    bench.on("bms.a0", 2500, 2700)
    bench.raised("a1", 3000, clear=4000)
    bench.on("bms.a1", 3150, 4150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.REPEATED
    assert one(judgement, "a1@bms.a1").verdict is Verdict.ON_TIME
    assert not judgement.strays


def test_a_second_onset_that_may_be_either_is_no_pass_and_names_both() -> None:
    """The other alarm shows where it should: whose the second onset is, is not proven."""
    bench = neighbours(2320)
    bench.on("bms.a1", 2450, 4150)
    judgement = bench.judge()
    first = one(judgement, "a0@bms.a0")
    assert first.verdict is Verdict.UNRESOLVED
    assert "a second onset of its own, or a1 at the wrong place" in first.reason
    assert one(judgement, "a1@bms.a1").verdict is Verdict.ON_TIME
    (stray,) = judgement.strays
    assert stray.point == "bms.a0"
    assert first.causes == stray.causes
    assert first.causes[0].codes == ("extra-place", "second-event")


def test_a_second_onset_well_after_it_has_settled_leaves_the_pass() -> None:
    bench = neighbours(3700)
    bench.on("bms.a1", 2450, 4150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    assert [stray.point for stray in judgement.strays] == ["bms.a0"]


def at_the_end(*, settles_in_it: bool) -> Bench:
    """a0 settles at 3505 ms at the latest, within the poll that meets its second onset; a1 is raised before or after
    that.
    """
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 1000, clear=2000)
    bench.on("bms.a0", 1150, 2150)
    bench.raised("a1", 3440 if settles_in_it else 3515, clear=5000)
    bench.on("bms.a0", 3550, 5100)
    return bench


@pytest.mark.parametrize("settles_in_it", [True, False])
def test_what_may_have_come_on_before_it_had_settled_is_crossed_where_another_alarm_was_missed(
    settles_in_it: bool,
) -> None:
    judgement = at_the_end(settles_in_it=settles_in_it).judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    crossed = one(judgement, "a1@bms.a1")
    assert (crossed.verdict, crossed.elsewhere) == (Verdict.CROSSED, "bms.a0")
    assert not judgement.strays


def test_what_may_have_come_on_before_it_had_settled_is_no_pass_where_nothing_was_missed() -> None:
    """No stray either, since it may be its own: so its own result has to say it."""
    bench = at_the_end(settles_in_it=False)
    bench.on("bms.a1", 3600, 5100)
    judgement = bench.judge()
    first = one(judgement, "a0@bms.a0")
    assert first.verdict is Verdict.UNRESOLVED
    assert not judgement.strays
    assert first.causes[0].codes == ("second-event", "extra-place")
    assert one(judgement, "a1@bms.a1").verdict is Verdict.ON_TIME


def test_a_crossing_that_alone_says_that_its_alarm_was_raised_excuses_no_second_onset() -> None:
    """a1 shows nowhere: then that it lights the input of a0 is no likelier than that nothing was raised."""
    bench = neighbours(2420)
    bench.input("panel.a1", 1, link="panel")
    bench.row("a1", "panel.a1")
    judgement = bench.judge()
    assert one(judgement, "a1@panel.a1").verdict is Verdict.MISSED
    assert one(judgement, "a1@bms.a1").verdict is Verdict.CROSSED
    assert one(judgement, "a0@bms.a0").verdict is Verdict.UNRESOLVED
    bench.on("panel.a1", 2400, 4100)
    assert one(bench.judge(), "a0@bms.a0").verdict is Verdict.ON_TIME


def with_quiet(lights_ms: float) -> Bench:
    """w must stay quiet until 6000 ms; a0, raised while that is open, is wired to the place of w."""
    bench = Bench()
    bench.inputs(1)
    bench.alarm("w", kind=AlarmClass.WARNING)
    bench.input("bms.w", 9)
    bench.row("w", "bms.w", Behaviour.QUIET)
    bench.raised("w", 2000, clear=3000)
    bench.raised("a0", 4000, clear=6000)
    bench.on("bms.w", lights_ms, 6100)
    return bench


@pytest.mark.parametrize("lights_ms", [4020, 4120, 4300])
def test_a_wrong_bit_at_a_place_that_must_stay_quiet_for_another_alarm_is_crossed(lights_ms: float) -> None:
    judgement = with_quiet(lights_ms).judge()
    crossed, quiet = one(judgement, "a0@bms.a0"), one(judgement, "w@bms.w")
    assert (crossed.verdict, crossed.elsewhere) == (Verdict.CROSSED, "bms.w")
    assert quiet.verdict is Verdict.UNRESOLVED, "that it would have stayed quiet is not shown"
    assert "a0 at the wrong place, or a leak" in quiet.reason
    assert quiet.causes == crossed.causes
    assert not judgement.strays


def test_what_leaked_before_anything_else_was_raised_is_leaked_whatever_is_missed() -> None:
    judgement = with_quiet(3500).judge()
    assert one(judgement, "w@bms.w").verdict is Verdict.LEAKED
    assert one(judgement, "a0@bms.a0").verdict is Verdict.MISSED


def test_what_reacted_after_another_raise_is_leaked_and_names_that_one_where_it_shows_as_it_should() -> None:
    bench = with_quiet(4150)
    bench.on("bms.a0", 4150, 6100)
    judgement = bench.judge()
    leaked = one(judgement, "w@bms.w")
    assert leaked.verdict is Verdict.LEAKED
    assert leaked.causes[0].codes == ("passed-on", "extra-place")
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME


def test_what_came_on_elsewhere_without_doing_what_the_alarm_did_is_named_all_the_same() -> None:
    """It went off long before the clear, so no rule says that it is the alarm; that nothing came on would be wrong."""
    bench = Bench()
    bench.inputs(2)
    bench.raised("a1", 1000, clear=4000)
    bench.on("bms.a0", 1150, 2000)
    (cause,) = one(bench.judge(), "a1@bms.a1").causes
    assert cause.codes == ("wrong-bit", "point-silent")
    assert "came on instead: bms.a0" in cause.evidence
    assert "nothing else came on" not in cause.evidence


def test_what_came_on_too_late_for_a_missed_alarm_is_named_all_the_same() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a1", 1000, clear=4000)
    bench.on("bms.a0", 3000, 3300)
    (cause,) = one(bench.judge(), "a1@bms.a1").causes
    assert cause.codes[0] == "point-silent"
    assert "what else came on does not fit it (bms.a0" in cause.evidence
