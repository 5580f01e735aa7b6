"""What evidence cannot tell apart is named together, and only where it really cannot; what is late, is late again."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from harness.core.model import AlarmClass, Behaviour, Judgement, Limits
from harness.core.places import CurrentLoop, ModbusPlace, OnWhen, Table, ValueType
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from tests.peers.trace_bench import LIMITS, MS, Bench, codes, one

INPUT: Final = Table.DISCRETE_INPUT
QUIET: Final = Limits(search_ns=1500 * MS, leak_ns=400 * MS)


def codes_of(judgement: Judgement, key: str) -> tuple[str, ...]:
    (cause,) = one(judgement, key).causes
    return cause.codes


def three(bench: Bench, *but: int) -> Bench:
    """Three alarms in turn, each on at its own input while it is up; but not these."""
    for number, name in enumerate(bench.inputs(3)):
        start = 1000 + 6000 * number
        bench.raised(name, start, clear=start + 2000)
        if number not in but:
            bench.on(f"bms.{name}", start + 150, start + 2150)
    return bench


# --- silent, moved ---------------------------------------------------------------------------------


def test_a_silent_point_among_working_ones_is_not_a_block_that_is_moved() -> None:
    judgement = three(Bench(), 1).judge()
    assert "wrong-bit" in codes_of(judgement, "a1@bms.a1")
    assert "address-off-by-one" not in codes_of(judgement, "a1@bms.a1")


def test_silent_points_in_a_block_where_none_works_may_all_be_moved() -> None:
    bench = three(Bench(), 0, 1, 2)
    bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=40), (30_000, 30_500))  # it lives
    judgement = bench.judge()
    assert all(it.verdict is Verdict.MISSED for it in judgement.results)
    lone = Bench()
    lone.inputs(2)
    lone.raised("a0", 1000, clear=3000)
    assert "address-off-by-one" in codes_of(lone.judge(), "a0@bms.a0")


def test_what_comes_on_in_a_block_where_none_works_may_be_moved_there() -> None:
    for works in (False, True):
        bench = Bench()
        bench.inputs(2)
        bench.alarm("b")
        bench.input("bus.b", 0, link="bus")
        bench.row("b", "bus.b")
        bench.raised("b", 1000, clear=3000)
        bench.on("bus.b", 1150, 3150)
        bench.on("bms.a1", 1150, 3150)
        if works:
            bench.raised("a0", 9000, clear=11_000)
            bench.on("bms.a0", 9150, 11_150)
        (stray,) = bench.judge().strays
        assert stray.causes[0].code == "extra-place"
        assert ("address-off-by-one" in stray.causes[0].codes) is not works


def test_a_place_beyond_those_seen_is_of_the_shift_up_to_the_next_one_that_works() -> None:
    bench = Bench()
    bench.alarm("a4", brings=("a3",))
    names = bench.inputs(6)
    for number, name in enumerate(names[:5]):
        start = 1000 + 6000 * number
        bench.raised(name, start, clear=start + 2000)
        bench.on(f"bms.a{number + 1}", start + 150, start + 2150)
        if number == 4:  # what it brings along shows at its own place, one further on
            bench.on("bms.a4", start + 150, start + 2150)
    judgement = bench.judge()
    found = {cause.code for each in (judgement.results, judgement.strays) for it in each for cause in it.causes}
    assert found == {"address-off-by-one"}


def test_a_point_that_is_alone_in_its_block_is_as_well_silent_as_dead() -> None:
    bench = three(Bench())
    for number in range(3):
        bench.row(f"a{number}", "bms.horn")
    bench.point("bms.horn", ModbusPlace(unit=1, table=Table.COIL, address=0), written="00001")
    judgement = bench.judge()
    assert codes_of(judgement, "a0@bms.horn")[:2] == ("block-dead", "point-silent")


# --- late ------------------------------------------------------------------------------------------


def late_at(stray_ms: float) -> Judgement:
    """A0 is brought by a1 as well; it is 5 s late, and beyond that it comes on at a time."""
    bench = Bench()
    bench.alarm("a1", brings=("a0",))
    bench.inputs(2)
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", 6000, 8000)
    bench.raised("a1", 20_000, clear=22_000)
    bench.on("bms.a1", 20_150, 22_150)
    bench.on("bms.a0", stray_ms, stray_ms + 2000)
    return bench.judge()


def test_what_comes_again_just_as_late_is_of_the_same_delay() -> None:
    judgement = late_at(25_000)
    assert [cause.code for it in judgement.strays for cause in it.causes] == ["later-than-search"] * 2


def test_what_comes_at_another_delay_is_not() -> None:
    judgement = late_at(45_000)
    assert [cause.code for it in judgement.strays for cause in it.causes] == ["later-than-search", "not-raised-here"]


def test_a_point_that_goes_off_late_may_be_late_both_ways_where_it_missed_an_alarm() -> None:
    for missed in (True, False):
        bench = Bench()
        bench.inputs(1)
        bench.raised("a0", 1000, clear=3000)
        bench.on("bms.a0", 1150, 6000)
        if missed:
            bench.raised("a0", 20_000, clear=22_000)
        judgement = bench.judge()
        (slow,) = [cause for it in judgement.results for cause in it.causes if cause.code == "slow-to-go"]
        assert ("output-delay" in slow.codes) is missed


def test_what_comes_on_with_another_alarm_may_be_its_own_that_it_missed_before() -> None:
    for missed in (True, False):
        bench = Bench()
        bench.inputs(2)
        if missed:
            bench.raised("a0", 1000, clear=3000)
        bench.raised("a1", 9000, clear=12_000)
        bench.on("bms.a1", 9150, 12_150)
        bench.on("bms.a0", 9500, 11_500)
        (stray,) = bench.judge().strays
        assert ("later-than-search" in stray.causes[0].codes) is missed


# --- limits in doubt -------------------------------------------------------------------------------


def test_a_limit_within_the_bounds_names_the_fails_that_it_may_be_and_no_others() -> None:
    bench = Bench()
    bench.period_ms = 800
    bench.inputs(1)
    limits = replace(LIMITS, appears_within_ns=500 * MS, gone_within_ns=2000 * MS)
    bench.rows[0] = replace(bench.rows[0], limits=limits)
    bench.raised("a0", 1000, clear=9000)
    bench.on("bms.a0", 1300, 9700)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.UNRESOLVED
    assert codes_of(judgement, "a0@bms.a0") == ("limit-within-bounds", "output-delay")


def leaking(on_ms: float, width: float) -> Judgement:
    bench = Bench()
    bench.alarm("w", kind=AlarmClass.WARNING)
    bench.input("bms.w", 0)
    bench.row("w", "bms.w", Behaviour.QUIET, QUIET)
    bench.raised("w", 5000, clear=7000, width=width)
    bench.on("bms.w", on_ms, 7150)
    return bench.judge()


def test_a_leak_that_may_have_come_before_the_raise_is_named_with_that() -> None:
    judgement = leaking(5000, width=400)
    assert one(judgement, "w@bms.w").verdict is Verdict.UNRESOLVED
    assert codes_of(judgement, "w@bms.w") == ("passed-on", "not-raised-here")
    assert codes_of(leaking(5300, width=10), "w@bms.w") == ("passed-on",)


def test_what_was_on_long_before_is_no_leak() -> None:
    assert "passed-on" not in codes_of(leaking(2000, width=10), "w@bms.w")


def test_a_point_that_was_on_before_its_raise_is_not_blamed_on_polls_that_failed_later() -> None:
    bench = three(Bench())
    bench.on("bms.a1", 200, 7150)
    bench.blind_from("bms", 8900, 9100)
    judgement = bench.judge()
    assert codes_of(judgement, "a1@bms.a1")[0] not in ("polls-failed", "link-down")


def test_an_alarm_that_may_still_have_been_on_for_want_of_polls_is_blamed_on_them() -> None:
    for blind in (True, False):
        bench = Bench()
        bench.inputs(2)
        bench.row("a1", "bms.a0")
        bench.raised("a0", 1000, clear=3000)
        bench.raised("a1", 4000, clear=6000)
        bench.on("bms.a0", 1150, 6150 if not blind else 3150)
        bench.on("bms.a1", 4150, 6150)
        if blind:
            bench.on("bms.a0", 4150, 6150)
            bench.blind_from("bms", 3000, 4600)
        found = {code for each in codes(bench.judge()).values() for code in each}
        assert ("link-down" in found) is blind


def test_what_is_still_on_from_an_alarm_before_may_be_stuck_for_good() -> None:
    bench = three(Bench(), 1)
    for number in range(3):
        bench.row(f"a{number}", "bms.horn", Behaviour.FOLLOWS)
    bench.point("bms.horn", ModbusPlace(unit=1, table=Table.COIL, address=0), written="00001")
    bench.on("bms.horn", 1150)
    named = [cause for it in bench.judge().results for cause in it.causes if it.point == "bms.horn"]
    assert named
    assert all("never-gone" in it.codes for it in named)


def test_an_inverted_horn_comes_back_with_the_acknowledge() -> None:
    for rests_on in (True, False):
        bench = Bench()
        bench.alarm("a0")
        bench.point("bms.horn", ModbusPlace(unit=1, table=Table.COIL, address=0), written="00001")
        bench.row("a0", "bms.horn", Behaviour.UNTIL_ACKNOWLEDGED)
        bench.alarm("b")
        bench.input("bms.b", 9)
        bench.row("b", "bms.b")
        bench.raised("b", 1000, clear=2000)
        bench.on("bms.b", 1150, 2150)
        bench.raised("a0", 5000, acknowledge=8000, clear=12_000)
        bench.on("bms.horn", 0 if rests_on else 3000, 5150)
        bench.on("bms.horn", 8150)
        assert (codes_of(bench.judge(), "a0@bms.horn")[0] == "inverted") is rests_on


# --- loops -----------------------------------------------------------------------------------------

LOOP: Final = CurrentLoop(
    name="level", raw_at_4=4.0, raw_at_20=20.0, value_at_4=0.0, value_at_20=100.0, input_min_ma=0.0,
    input_max_ma=24.0, resolution_ma=0.01,
)  # fmt: skip


def loop_bench() -> Bench:
    """High, low and failure of one loop, in this order."""
    bench = Bench()
    for name, on_when, threshold in (
        ("high", OnWhen.ABOVE, 90.0),
        ("low", OnWhen.BELOW, 10.0),
        ("fault", OnWhen.FAILURE_LOW, None),
    ):
        bench.alarm(name)
        place = ModbusPlace(
            unit=1, table=Table.INPUT_REGISTER, address=0, value_type=ValueType.U16, on_when=on_when,
            threshold=threshold, loop=LOOP,
        )  # fmt: skip
        bench.point(f"bus.{name}", place, link="bus", written="30001")
        bench.row(name, f"bus.{name}")
    return bench


def test_an_alarm_that_drives_its_own_loop_to_another_level_is_at_another_place_of_the_register() -> None:
    bench = loop_bench()
    bench.raised("fault", 1000, clear=6000)
    bench.on("bus.high", 1150, 6150)
    judgement = bench.judge()
    assert codes_of(judgement, "fault@bus.fault")[0] == "wrong-bit"
    assert "bus.high" in one(judgement, "fault@bus.fault").causes[0].text


def test_a_loop_whose_other_level_shows_as_it_should_does_not_stand_on_its_head() -> None:
    for works in (False, True):
        bench = loop_bench()
        bench.raised("low", 1000, clear=3000)
        bench.on("bus.high", 1150, 3150)
        if works:
            bench.raised("high", 9000, clear=11_000)
            bench.on("bus.high", 9150, 11_150)
        code = codes_of(bench.judge(), "low@bus.low")[0]
        assert code == ("wrong-bit" if works else "loop-reversed")


def test_a_level_that_is_brought_along_is_turned_with_the_others() -> None:
    bench = loop_bench()
    bench.alarm("low-low", brings=("low",))
    bench.input("bms.low-low", 0)
    bench.row("low-low", "bms.low-low")
    bench.raised("low", 1000, clear=3000)
    bench.on("bus.high", 1150, 3150)
    bench.raised("low-low", 9000, clear=11_000)
    bench.on("bms.low-low", 9150, 11_150)
    bench.on("bus.high", 9150, 11_150)
    assert [cause.code for it in bench.judge().strays for cause in it.causes] == ["loop-reversed"]


def test_a_level_that_no_answer_gave_while_all_were_answered_was_no_level() -> None:
    for failed in (False, True):
        bench = loop_bench()
        bench.raised("high", 5000, clear=9000)
        bench.blind_from("bus", 4900, 9500, "no answer within 500 ms")
        evidence = bench.evidence()
        if not failed:  # the level alone has no samples: the register was read
            evidence = replace(evidence, blind=())
        judgement = correlate(bench.site(), evidence)
        found = codes_of(judgement, "high@bus.high")
        assert (found[0] == "loop-out-of-range") is not failed
        assert one(judgement, "high@bus.high").verdict in (Verdict.UNRESOLVED, Verdict.NOT_OBSERVED)
