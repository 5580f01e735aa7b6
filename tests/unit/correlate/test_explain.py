"""One fault is one cause: each pattern on a bench of hand-made traces, and what looks like it and is none."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from harness.core.model import AlarmClass, Behaviour, Cause, CauseKind, Judgement, Limits, Result, Stray
from harness.core.places import ModbusPlace, Table, TextPlace, ValueType
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate import explain as module
from tests.peers.trace_bench import LIMITS, MS, Bench, codes, one

Shown = Callable[[Bench, int, float], None]
"""What the site really does when alarm number n is raised at a time: ``shown(bench, n, ms)``."""

INPUT = Table.DISCRETE_INPUT
HOLDING = Table.HOLDING_REGISTER


def in_turn(bench: Bench, names: list[str], shown: Shown, *, every: float = 6000, up: float = 2000) -> Bench:
    """Raise every alarm in turn, and clear it again."""
    bench.end_ms = max(bench.end_ms, every * len(names) + 5000)
    for number, name in enumerate(names):
        start = 1000 + every * number
        bench.raised(name, start, clear=start + up)
        shown(bench, number, start)
    return bench


def moved(move: Callable[[int], int | None], up: float = 2000) -> Shown:
    """The alarm of discrete input n shows at another one, from 150 ms after its raise until 150 ms after its clear."""

    def shown(bench: Bench, number: int, start: float) -> None:
        at = move(number)
        if at is None:
            return
        if f"bms.a{at}" in bench.points:
            bench.on(f"bms.a{at}", start + 150, start + up + 150)
        else:
            bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=at), (start + 150, start + up + 150))

    return shown


def _judged(judgement: Judgement) -> list[Result | Stray]:
    return [*judgement.results, *judgement.strays]


def explained(judgement: Judgement) -> set[str]:
    """Every code that any result or stray names; and each fail and unknown has one."""
    assert not judgement.failures_of_checkers
    for it in _judged(judgement):
        if it.verdict.verdict_class is VerdictClass.PASS:
            assert it.causes == ()
        else:
            assert len(it.causes) == 1, f"{it.point}: {it.causes}"
            cause = it.causes[0]
            assert cause.text
            assert cause.evidence
            assert cause.next_check
    return {cause.code for it in _judged(judgement) for cause in it.causes}


def only_shared(judgement: Judgement) -> Cause:
    """The one cause that all fails and unknowns share."""
    assert len(judgement.causes) == 1, [it.code for it in judgement.causes]
    assert explained(judgement) == {judgement.causes[0].code}
    return judgement.causes[0]


def only_cause(judgement: Judgement) -> Cause:
    """The one cause there is, whether shared or not."""
    causes = dict.fromkeys(cause for it in _judged(judgement) for cause in it.causes)
    assert len(causes) == 1, [it.code for it in causes]
    assert explained(judgement)
    return next(iter(causes))


def test_a_healthy_record_has_no_causes() -> None:
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(6), moved(lambda n: n)).judge()
    assert {it.verdict for it in judgement.results} == {Verdict.ON_TIME}
    assert codes(judgement) == {}
    assert judgement.causes == ()


def test_a_finder_that_crashes_costs_its_causes_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    def crashing(case: object) -> list[object]:
        raise ZeroDivisionError("on purpose")

    monkeypatch.setattr(module, "FINDERS", (crashing, *module.FINDERS))
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(4), moved(lambda n: None if n == 2 else n)).judge()
    assert "ZeroDivisionError: on purpose" in judgement.failures_of_checkers[0]
    assert codes(judgement) == {"a2@bms.a2/s3": ["point-silent"]}


# --- transport -------------------------------------------------------------------------------------


def test_a_link_that_was_down_is_one_cause_of_all_that_was_not_seen() -> None:
    bench = Bench()
    names = bench.inputs(6)
    in_turn(bench, names, moved(lambda n: n), every=3000)
    bench.blind_from("bms", 6500, 11_000, "connection reset by peer")
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.TRANSPORT, "link-down")
    assert "connection reset by peer" in cause.text
    assert "a2 at bms.a2 and a3 at bms.a3" in cause.evidence
    assert "4.5 s" in cause.evidence


def test_polls_without_an_answer_are_told_apart_from_a_link_that_is_down() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(3), moved(lambda n: n))
    for start in range(0, 60_000, 250):
        bench.blind_from("bms", start, start + 220, "no answer within 200 ms")
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.TRANSPORT, "polls-failed")
    assert "no answer within 200 ms" in cause.text


def test_reads_that_the_device_refuses_name_the_points() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(3), moved(lambda n: n))
    for start in range(0, 60_000, 250):
        bench.blind_from("bms", start, start + 220, "exception 02 (illegal data address)")
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.TRANSPORT, "reads-refused")
    assert "exception 02 (illegal data address): bms.a0 (10001" in cause.text


def test_blind_time_outside_of_a_window_does_not_explain_a_miss() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(4), moved(lambda n: None if n == 2 else n))
    bench.blind_from("bms", 9500, 10_500)
    assert only_cause(bench.judge()).code == "point-silent"


def test_a_proven_miss_is_not_blamed_on_a_poll_that_failed_later_in_its_window() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(4), moved(lambda n: None if n == 2 else n))
    bench.blind_from("bms", 14_200, 14_400)
    judgement = bench.judge()
    assert one(judgement, "a2@bms.a2").verdict is Verdict.MISSED
    assert only_cause(judgement).code == "point-silent"


# --- identity --------------------------------------------------------------------------------------


def test_a_block_of_zeros_is_one_cause() -> None:
    bench = Bench()
    names = bench.inputs(5)
    for number, name in enumerate(names):
        bench.bit(f"bms.l{number}", 100, number)
        bench.row(name, f"bms.l{number}")

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.l{number}", start + 150, start + 2150)

    cause = only_shared(in_turn(bench, names, shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.IDENTITY, "block-dead")
    assert "bms.a0 (10001, discrete input address 0) to bms.a4 (10005, discrete input address 4)" in cause.text
    assert "a0, a1, a2, a3 and a4" in cause.evidence
    # Another output showed these alarms, so that nothing was raised is not a cause.
    assert "nothing was raised" not in cause.text


def test_a_dead_block_cannot_be_told_from_nothing_raised_where_nothing_else_says_so() -> None:
    bench = Bench()
    cause = only_shared(in_turn(bench, bench.inputs(4), moved(lambda n: None)).judge())
    assert cause.code == "block-dead"
    assert "or nothing was raised" in cause.text


def test_a_frozen_block_explains_the_stuck_point_and_every_later_miss() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        if number <= 2:
            bench.on(f"bms.a{number}", start + 150, start + 2150 if number < 2 else None)

    judgement = in_turn(bench, bench.inputs(6), shown).judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.IDENTITY, "block-frozen")
    assert [str(it.verdict) for it in judgement.results] == [
        "on-time", "on-time", "stuck", "missed", "missed", "missed",
    ]  # fmt: skip
    assert "after the raise of a2 (s3)" in cause.evidence
    assert "still on at the end: bms.a2 (10003" in cause.evidence


def test_all_blocks_of_a_device_that_stand_still_are_one_cause() -> None:
    bench = Bench()
    names = bench.inputs(5)
    for number, name in enumerate(names):
        bench.bit(f"bms.l{number}", 100, number)
        bench.row(name, f"bms.l{number}")

    def shown(bench: Bench, number: int, start: float) -> None:
        if number <= 2:
            for point in (f"bms.a{number}", f"bms.l{number}"):
                bench.on(point, start + 150, start + 2150 if number < 2 else None)

    cause = only_shared(in_turn(bench, names, shown).judge())
    assert cause.code == "block-frozen"
    assert cause.text.startswith("link bms goes on answering old values")


def test_two_alarms_missed_at_the_end_are_not_yet_a_frozen_block() -> None:
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(6), moved(lambda n: n if n < 4 else None)).judge()
    assert explained(judgement) == {"point-silent"}
    assert judgement.causes == ()


def test_three_alarms_missed_at_the_end_while_all_is_off_are_named_with_the_other_cause() -> None:
    bench = Bench()
    cause = only_shared(in_turn(bench, bench.inputs(7), moved(lambda n: n if n < 4 else None)).judge())
    assert cause.code == "block-frozen"
    assert "or each of these alarms is not connected" in cause.text


def test_a_block_in_which_anything_still_changes_lives() -> None:
    """A clock bit that no point maps went on changing: the block is not frozen."""
    bench = Bench()
    in_turn(bench, bench.inputs(7), moved(lambda n: n if n < 4 else None))
    seconds = [(float(start), float(start + 500)) for start in range(0, 46_000, 1000)]
    bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=5), *seconds)
    bench.points.pop("bms.a5")
    bench.rows = [row for row in bench.rows if row.point != "bms.a5"]
    assert "block-frozen" not in explained(bench.judge())


def test_a_printer_that_prints_nothing_is_one_cause() -> None:
    bench = Bench()
    names = [f"a{number}" for number in range(4)]
    for name in names:
        bench.alarm(name)
        bench.point(f"log.{name}", TextPlace(raised=f".* RAISED {name}"), link="log", written=f"RAISED {name}")
        bench.row(name, f"log.{name}")
    cause = only_shared(in_turn(bench, names, lambda *_: None).judge())
    assert (cause.kind, cause.code) == (CauseKind.IDENTITY, "nothing-printed")


def test_a_shared_output_of_a_still_device_does_not_make_it_live() -> None:
    """The common output was held on too: masked, and no more a cause of its own than the rest."""
    bench = Bench()
    names = bench.inputs(6)
    bench.input("bms.common", 200)
    for number, name in enumerate(names):
        bench.bit(f"bms.l{number}", 100, number)
        bench.row(name, f"bms.l{number}")
        bench.row(name, "bms.common")

    def shown(bench: Bench, number: int, start: float) -> None:
        if number <= 2:
            for point in (f"bms.a{number}", f"bms.l{number}", "bms.common"):
                bench.on(point, start + 150, start + 2150 if number < 2 else None)

    judgement = in_turn(bench, names, shown).judge()
    assert Verdict.MASKED in {it.verdict for it in judgement.results}
    cause = only_shared(judgement)
    assert cause.code == "block-frozen"
    assert cause.text.startswith("link bms")


# --- address ---------------------------------------------------------------------------------------


def test_a_block_off_by_one_is_one_cause_whose_evidence_lists_the_first_results() -> None:
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(24), moved(lambda n: n + 1)).judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "address-off-by-one")
    assert "one address further on" in cause.text
    assert "bms.a0 (10001, discrete input address 0) to bms.a23 (10024, discrete input address 23)" in cause.text
    for number in range(24):
        assert (f"a{number} at bms.a{number} (s{number + 1})" in cause.evidence) is (number < 3)
    assert "and 21 more" in cause.evidence
    assert "a2 at bms.a2 (s3) showed at bms.a3" in cause.evidence
    assert all(it.causes == (cause,) for it in judgement.results)


def test_off_by_one_with_its_last_place_lost() -> None:
    bench = Bench()
    cause = only_shared(in_turn(bench, bench.inputs(8), moved(lambda n: n + 1 if n < 7 else None)).judge())
    assert cause.code == "address-off-by-one"
    assert "lost at the end of the block: a7 at bms.a7 (s8)" in cause.evidence


@pytest.mark.parametrize("search", [4000, 30_000])
def test_off_by_one_backwards_is_seen_through_lates_within_a_long_search(search: int) -> None:
    """Every point comes on with the next raise, a while after its own: late by the rules, and off by one by cause."""
    bench = Bench()
    names = bench.inputs(8)
    bench.rows = [replace(row, limits=replace(LIMITS, search_ns=search * MS)) for row in bench.rows]
    judgement = in_turn(bench, names, moved(lambda n: n - 1 if n else None, 1000), every=3000, up=1000).judge()
    cause = only_shared(judgement)
    assert cause.code == "address-off-by-one"
    assert "one address further back" in cause.text
    # With raises at a steady beat a delay of one beat would look the same, and is named with it.
    assert "or everything is late by 3.09 to 3.21 s" in cause.text


def test_another_offset_of_a_whole_block() -> None:
    bench = Bench()
    cause = only_shared(in_turn(bench, bench.inputs(6), moved(lambda n: n + 40)).judge())
    assert cause.code == "address-offset"
    assert "40 addresses further on" in cause.text


def test_alarms_that_bring_others_do_not_hide_an_offset() -> None:
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    names = bench.inputs(6)
    in_turn(bench, names, moved(lambda n: n + 1))
    bench.on("bms.a2", 1150, 3150)
    assert only_shared(bench.judge()).code == "address-off-by-one"


def test_a_place_that_works_only_through_an_alarm_it_brings_does_not_interrupt_an_offset() -> None:
    """a3 brings a2, which shows one further on: at a3's own place, in time for a3."""
    bench = Bench()
    bench.alarm("a3", brings=["a2"])
    names = bench.inputs(8)
    in_turn(bench, names, moved(lambda n: n + 1))
    bench.on("bms.a3", 19_150, 21_150)
    judgement = bench.judge()
    assert one(judgement, "a3@bms.a3").verdict is Verdict.ON_TIME
    cause = only_shared(judgement)
    assert cause.code == "address-off-by-one"
    assert "bms.a0 (10001, discrete input address 0) to bms.a7 (10008" in cause.text
    assert not any(it.causes == () for it in judgement.strays)


def test_what_a_swapped_alarm_left_when_another_brought_it_is_explained_with_it() -> None:
    bench = Bench()
    bench.alarm("a5", brings=["a4"])
    names = bench.inputs(6)
    other = {1: 4, 4: 1}
    in_turn(bench, names, moved(lambda n: other.get(n, n)))
    bench.on("bms.a1", 31_150, 33_150)
    judgement = bench.judge()
    assert [it.point for it in judgement.strays] == ["bms.a1"]
    assert only_shared(judgement).code == "swapped-pair"


def test_one_coincidence_is_not_off_by_one() -> None:
    bench = Bench()
    cause = only_cause(in_turn(bench, bench.inputs(6), moved(lambda n: 3 if n == 2 else n)).judge())
    assert cause.code == "wrong-bit"
    assert "bms.a3 (10004, discrete input address 3)" in cause.text


def test_two_wrong_places_with_a_working_one_between_them_are_no_offset() -> None:
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(8), moved(lambda n: n + 1 if n in (1, 5) else n)).judge()
    assert codes(judgement) == {"a1@bms.a1/s2": ["wrong-bit"], "a5@bms.a5/s6": ["wrong-bit"]}
    assert judgement.causes == ()


def test_an_offset_is_seen_where_slow_polls_leave_the_miss_unproven() -> None:
    bench = Bench()
    bench.period_ms = 1900
    judgement = in_turn(bench, bench.inputs(6), moved(lambda n: n + 1)).judge()
    assert Verdict.UNRESOLVED in {it.verdict for it in judgement.results}
    assert only_shared(judgement).code == "address-off-by-one"


@pytest.mark.parametrize(("pair", "search"), [((2, 5), 4000), ((2, 3), 4000), ((2, 3), 30_000), ((2, 5), 60_000)])
def test_a_swapped_pair_is_one_cause_however_long_the_search(pair: tuple[int, int], search: int) -> None:
    bench = Bench()
    names = bench.inputs(8)
    bench.rows = [replace(row, limits=replace(LIMITS, search_ns=search * MS)) for row in bench.rows]
    other = {pair[0]: pair[1], pair[1]: pair[0]}
    judgement = in_turn(bench, names, moved(lambda n: other.get(n, n), 1000), every=3000, up=1000).judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "swapped-pair")
    first, second = (f"bms.a{n} ({10_001 + n}, discrete input address {n})" for n in pair)
    assert cause.text == f"{first} and {second} are swapped"
    assert not any(it.verdict.verdict_class is VerdictClass.PASS for it in judgement.results if it.causes)


def test_two_swapped_pairs_are_two_causes() -> None:
    bench = Bench()
    other = {1: 2, 2: 1, 5: 6, 6: 5}
    judgement = in_turn(bench, bench.inputs(8), moved(lambda n: other.get(n, n))).judge()
    assert [it.code for it in judgement.causes] == ["swapped-pair", "swapped-pair"]


def test_a_wrong_bit_that_no_point_maps_is_named_by_its_address() -> None:
    bench = Bench()
    cause = only_cause(in_turn(bench, bench.inputs(6), moved(lambda n: 30 if n == 2 else n)).judge())
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "wrong-bit")
    assert "unmapped 10031 (discrete input address 30)" in cause.text
    assert "went off after the clear" in cause.evidence


def test_a_place_that_goes_off_before_the_clear_is_not_the_alarms() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(6), moved(lambda n: None if n == 2 else n))
    bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=30), (13_150, 13_650))
    assert only_cause(bench.judge()).code == "point-silent"


def test_a_place_that_did_not_come_on_each_time_is_not_the_alarms() -> None:
    bench = Bench()
    names = bench.inputs(3)
    in_turn(bench, names, moved(lambda n: None if n == 1 else n))
    bench.raised("a1", 30_000, clear=32_000)
    bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=30), (7150, 9150))
    cause = only_cause(bench.judge())
    assert cause.code == "point-silent"
    assert "missed twice" in cause.evidence


def test_a_bit_that_changes_all_the_time_is_nobodys_place() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(6), moved(lambda n: None if n == 2 else n))
    beats = [(float(start), float(start + 2300)) for start in range(0, 60_000, 4000)]
    bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=30), *beats)
    assert only_cause(bench.judge()).code == "point-silent"


def test_two_places_that_fit_are_named_together() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(6), moved(lambda n: None if n == 2 else n))
    for address in (30, 33):
        bench.unmapped_on(ModbusPlace(unit=1, table=INPUT, address=address), (13_150, 15_150))
    cause = only_cause(bench.judge())
    assert cause.code == "wrong-bit"
    assert "10031" in cause.text
    assert "10034" in cause.text
    assert "cannot tell which" in cause.text


def test_the_same_addresses_in_another_table() -> None:
    bench = Bench()
    names = bench.inputs(4)

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.unmapped_on(ModbusPlace(unit=1, table=Table.COIL, address=number), (start + 150, start + 2150))

    cause = only_shared(in_turn(bench, names, shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "wrong-table")
    assert "the coils of link bms, unit 1" in cause.text


def test_the_same_addresses_of_another_unit() -> None:
    bench = Bench()
    names = bench.inputs(4)

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.unmapped_on(ModbusPlace(unit=2, table=INPUT, address=number), (start + 150, start + 2150))

    cause = only_shared(in_turn(bench, names, shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.IDENTITY, "wrong-unit")


def test_a_point_that_stays_silent_alone() -> None:
    bench = Bench()
    cause = only_cause(in_turn(bench, bench.inputs(6), moved(lambda n: None if n == 2 else n)).judge())
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "point-silent")
    assert "bms.a2 (10003, discrete input address 2) does not show a2" in cause.text


def test_texts_printed_one_row_off() -> None:
    bench = Bench()
    names = [f"a{number}" for number in range(5)]
    for name in names:
        bench.alarm(name)
        bench.point(f"log.{name}", TextPlace(raised=f".* RAISED {name}"), link="log", written=f"RAISED {name}")
        bench.row(name, f"log.{name}")

    def shown(bench: Bench, number: int, start: float) -> None:
        if number < 4:
            bench.on(f"log.a{number + 1}", start + 150, start + 2150)

    cause = only_shared(in_turn(bench, names, shown).judge())
    assert cause.code == "text-off-by-one"
    assert "log.a0 (RAISED a0)" in cause.text


# --- decoding --------------------------------------------------------------------------------------


def register_bits(count: int, move: Callable[[int], int]) -> Judgement:
    """Alarm n at bit n of holding registers 100 and on; its signal is really at another bit."""
    bench = Bench()
    names = [f"a{number}" for number in range(count)]
    for number, name in enumerate(names):
        bench.alarm(name)
        bench.bit(f"bms.{name}", 100 + number // 16, number % 16)
        bench.row(name, f"bms.{name}")

    def shown(bench: Bench, number: int, start: float) -> None:
        at, span = move(number), (start + 150, start + 2150)
        if at < count:
            bench.on(f"bms.a{at}", *span)
        else:
            bench.unmapped_on(ModbusPlace(unit=1, table=HOLDING, address=100 + at // 16, bit=at % 16), span)

    return in_turn(bench, names, shown).judge()


def test_swapped_bytes_are_one_cause() -> None:
    cause = only_shared(register_bits(12, lambda n: n ^ 8))
    assert (cause.kind, cause.code) == (CauseKind.DECODING, "bytes-swapped")
    assert "a2 at bms.a2 (s3) showed at bms.a10" in cause.evidence


def test_swapped_words_are_one_cause() -> None:
    cause = only_shared(register_bits(24, lambda n: n ^ 16))
    assert (cause.kind, cause.code) == (CauseKind.DECODING, "words-swapped")


def test_half_used_registers_cannot_tell_swapped_bytes_from_an_offset() -> None:
    cause = only_shared(register_bits(8, lambda n: n ^ 8))
    assert cause.code == "address-offset"
    assert "8 bits further on" in cause.text
    assert cause.codes == ("address-offset", "bytes-swapped")
    assert cause.deciding


def test_two_swapped_bits_among_working_ones_are_not_swapped_bytes() -> None:
    cause = only_shared(register_bits(12, lambda n: {3: 11, 11: 3}.get(n, n)))
    assert cause.code == "swapped-pair"


def test_a_value_that_never_counts_as_on() -> None:
    bench = Bench()
    names = bench.inputs(3)
    bench.alarm("deep")
    place = ModbusPlace(unit=1, table=HOLDING, address=200, value_type=ValueType.U32, threshold=5.0)
    bench.point("bms.level", place, written="40201")
    bench.row("deep", "bms.level")
    in_turn(bench, [*names, "deep"], lambda it, n, start: moved(lambda at: at)(it, n, start) if n < 3 else None)
    cause = only_cause(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.DECODING, "value-never-on")


# --- meaning ---------------------------------------------------------------------------------------


def test_an_inverted_point() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        if number == 2:
            bench.on("bms.a2", -100, start + 150)
            bench.on("bms.a2", start + 2150)
        else:
            bench.on(f"bms.a{number}", start + 150, start + 2150)

    cause = only_cause(in_turn(bench, bench.inputs(5), shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "inverted")
    assert "went off 0.09 to 0.21 s after the raise and came on 0.09 to 0.21 s after the clear" in cause.evidence


def test_an_inverted_block_is_one_cause() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.a{number}", -100, start + 150)
        bench.on(f"bms.a{number}", start + 2150)

    cause = only_shared(in_turn(bench, bench.inputs(4), shown).judge())
    assert cause.code == "inverted"
    assert "all of 4 points" in cause.text


def test_a_point_left_on_that_goes_off_for_good_is_not_inverted() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(4), moved(lambda n: None if n == 2 else n))
    bench.on("bms.a2", -100, 13_150)
    cause = only_cause(bench.judge())
    assert cause.code == "on-before-raise"


def with_warnings(leaking: set[int]) -> Judgement:
    """Three warnings that must stay local, some of which do not."""
    bench = Bench()
    names = bench.inputs(2)
    quiet = Limits(search_ns=2000 * MS, leak_ns=300 * MS)
    for number in range(3):
        bench.alarm(f"w{number}", kind=AlarmClass.WARNING)
        bench.input(f"bms.w{number}", 10 + number)
        bench.row(f"w{number}", f"bms.w{number}", Behaviour.QUIET, quiet)

    def shown(bench: Bench, number: int, start: float) -> None:
        name = [*names, "w0", "w1", "w2"][number]
        if number < 2 or number - 2 in leaking:
            bench.on(f"bms.{name}", start + 150, start + 2150)

    return in_turn(bench, [*names, "w0", "w1", "w2"], shown).judge()


def test_warnings_that_are_passed_on_are_one_cause_a_link() -> None:
    cause = only_shared(with_warnings({0, 1}))
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "passed-on")
    assert "warnings are passed on to link bms: w0 and w1" in cause.text
    assert "stayed quiet: w2" in cause.evidence


def test_quiet_warnings_have_no_cause() -> None:
    assert codes(with_warnings(set())) == {}


def test_a_second_event_is_told_from_a_retransmission_by_the_off_between() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.a{number}", start + 150, start + 600 if number == 2 else start + 2150)
        if number == 2:
            bench.on("bms.a2", start + 1000, start + 2150)

    cause = only_cause(in_turn(bench, bench.inputs(5), shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "second-event")
    assert "was off for 0.29 to 0.51 s" in cause.evidence
    assert "no retransmission" in cause.evidence


def acknowledged(ends: Callable[[int, float], float | None], *, behaviour: Behaviour = Behaviour.FOLLOWS) -> Judgement:
    """Alarms that are cleared after 2 s and acknowledged after 5; ``ends(n, start)`` is when the point goes off."""
    bench = Bench()
    names = bench.inputs(4)
    bench.rows = [replace(row, behaviour=behaviour) for row in bench.rows]
    for number, name in enumerate(names):
        start = 1000.0 + 9000 * number
        bench.raised(name, start, clear=start + 2000, acknowledge=start + 5000)
        bench.on(f"bms.{name}", start + 150, ends(number, start))
    return bench.judge()


def test_points_that_wait_for_the_acknowledge_are_latched() -> None:
    cause = only_shared(acknowledged(lambda n, start: start + (5150 if n in (1, 2) else 2150)))
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "latched")
    assert "on until the acknowledge" in cause.text
    assert "bms.a1" in cause.text
    assert "bms.a2" in cause.text
    assert "0.09 to 0.21 s after the acknowledge" in cause.evidence


def test_a_point_that_goes_off_late_by_itself_is_not_latched() -> None:
    cause = only_cause(acknowledged(lambda n, start: start + (3800 if n == 1 else 2150)))
    assert (cause.kind, cause.code) == (CauseKind.TIME, "slow-to-go")


def test_a_point_that_never_goes_off_and_what_could_not_be_tested_because_of_it() -> None:
    bench = Bench()
    names = bench.inputs(3)
    in_turn(bench, names, lambda it, n, start: it.on(f"bms.a{n}", start + 150, None if n == 1 else start + 2150))
    bench.raised("a1", 30_000, clear=32_000)
    judgement = bench.judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "never-gone")
    assert "it latches and waits for the acknowledge or the reset, or the output is stuck" in cause.text
    assert codes(judgement) == {"a1@bms.a1/s2": ["never-gone"], "a1@bms.a1/s4": ["never-gone"]}


def test_what_an_alarm_before_left_on_is_not_just_masked() -> None:
    """a0 brings a1, whose point never goes off again: a1 itself could not be tested."""
    bench = Bench()
    bench.alarm("a0", brings=["a1"])
    names = bench.inputs(3)
    in_turn(bench, names, lambda it, n, start: it.on(f"bms.a{n}", start + 150, start + 2150) if n != 1 else None)
    bench.on("bms.a1", 1150)
    judgement = bench.judge()
    assert one(judgement, "a1@bms.a1").verdict is Verdict.MASKED
    cause = only_cause(judgement)
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "left-on")
    assert "after the raise of a0 (s1)" in cause.evidence


def test_a_latch_that_does_not_hold() -> None:
    ends = acknowledged(lambda n, start: start + (2150 if n == 1 else 5150), behaviour=Behaviour.LATCHED)
    cause = only_cause(ends)
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "not-held")


def test_points_of_a_link_that_drop_after_the_same_time_are_momentary() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.a{number}", start + 150, start + (650 if number in (1, 3, 4) else 2150))

    cause = only_shared(in_turn(bench, bench.inputs(6), shown).judge())
    assert (cause.kind, cause.code) == (CauseKind.MEANING, "momentary")
    assert "0.39 to 0.61 s" in cause.text


def test_points_that_drop_after_times_of_their_own_are_not_one_momentary_link() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.a{number}", start + 150, start + {1: 450, 3: 1650}.get(number, 2150))

    judgement = in_turn(bench, bench.inputs(6), shown).judge()
    assert explained(judgement) == {"drops-early"}
    assert judgement.causes == ()


def test_an_alarm_that_is_up_for_less_than_the_point_must_show_it() -> None:
    bench = Bench()
    names = bench.inputs(3)
    bench.rows[1] = replace(bench.rows[1], limits=replace(LIMITS, visible_for_ns=4000 * MS))
    cause = only_cause(in_turn(bench, names, moved(lambda n: n)).judge())
    assert (cause.kind, cause.code) == (CauseKind.TIME, "alarm-too-short")
    assert "was up for 1.990 to 2.010 s" in cause.evidence


# --- time ------------------------------------------------------------------------------------------


def test_a_link_that_is_late_as_a_whole_is_one_cause() -> None:
    bench = Bench()
    shown = in_turn(bench, bench.inputs(6), lambda it, n, start: it.on(f"bms.a{n}", start + 1650, start + 3650))
    cause = only_shared(shown.judge())
    assert (cause.kind, cause.code) == (CauseKind.TIME, "common-delay")
    assert "everything on link bms comes late by much the same time, 1.59 to 1.71 s" in cause.text
    assert "nothing on this link showed sooner" in cause.evidence


def test_two_late_points_of_a_quick_link_are_not_the_link() -> None:
    bench = Bench()

    def shown(bench: Bench, number: int, start: float) -> None:
        bench.on(f"bms.a{number}", start + (1650 if number in (2, 4) else 150), start + 2150)

    cause = only_shared(in_turn(bench, bench.inputs(6), shown).judge())
    assert cause.code == "common-delay"
    assert "points of link bms share a delay" in cause.text
    assert "only coming on is delayed" in cause.evidence


def test_one_late_point_is_its_own() -> None:
    bench = Bench()
    shown = in_turn(
        bench, bench.inputs(5), lambda it, n, start: it.on(f"bms.a{n}", start + (1650 if n == 2 else 150), start + 2150)
    )
    cause = only_cause(shown.judge())
    assert (cause.kind, cause.code) == (CauseKind.TIME, "output-delay")


def test_a_point_that_comes_on_after_the_search_limit_is_late_all_the_same() -> None:
    bench = Bench()
    shown = in_turn(
        bench,
        bench.inputs(4),
        lambda it, n, start: it.on(f"bms.a{n}", start + (4600 if n == 1 else 150), start + (5200 if n == 1 else 2150)),
        every=9000,
    )
    judgement = shown.judge()
    assert one(judgement, "a1@bms.a1").verdict is Verdict.MISSED
    assert [it.point for it in judgement.strays] == ["bms.a1"]
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.TIME, "later-than-search")
    assert "4.49 to 4.61 s after the raise of a1, beyond the search limit of 4 s" in cause.text


def refreshed(seen: Callable[[float], float], seed: int = 5) -> Judgement:
    """Alarms raised at random phases; ``seen`` gives when a change at a time is shown."""
    dice = random.Random(seed)
    bench = Bench()
    names = bench.inputs(16)
    bench.end_ms = 130_000
    for number, name in enumerate(names):
        start = 1000 + 7500 * number + dice.uniform(0, 2500)
        bench.raised(name, start, clear=start + 3000)
        bench.on(f"bms.{name}", seen(start), seen(start + 3000))
    return bench.judge()


def test_the_refresh_of_a_gateway_shows_in_the_beat_of_its_onsets() -> None:
    judgement = refreshed(lambda ms: math.ceil(ms / 2500) * 2500 + 30)
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.TIME, "gateway-refresh")
    assert "about every 2.5 s" in cause.text


@pytest.mark.parametrize("seed", range(20))
def test_delays_at_random_have_no_beat(seed: int) -> None:
    dice = random.Random(1000 + seed)
    judgement = refreshed(lambda ms: ms + dice.uniform(100, 2500), seed)
    assert any(it.verdict is Verdict.LATE for it in judgement.results)
    assert "gateway-refresh" not in explained(judgement)


def test_a_beat_that_the_raises_keep_themselves_is_no_refresh() -> None:
    bench = Bench()
    names = bench.inputs(16)
    shown = in_turn(bench, names, lambda it, n, start: it.on(f"bms.a{n}", start + 1400, start + 3400), every=7500)
    assert only_shared(shown.judge()).code == "common-delay"


def test_what_fell_between_polls_says_how_often_to_poll() -> None:
    bench = Bench()
    for number in range(3):
        bench.alarm(f"a{number}", reference=f"panel.a{number}")
        bench.input(f"panel.a{number}", number, link="panel")
    names = bench.inputs(3)
    bench.period_ms = 900
    for number, name in enumerate(names):
        start = 950 + 9000 * number
        bench.raised(name, start, clear=start + 300)
        bench.on(f"bms.{name}", start + 100, start + 400)
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.TIME, "between-polls")
    assert "no gap exceeds 200 ms" in cause.next_check
    assert "905 ms" in cause.evidence


def test_a_limit_inside_the_bounds_says_what_would_settle_it() -> None:
    bench = Bench()
    shown = in_turn(
        bench, bench.inputs(4), lambda it, n, start: it.on(f"bms.a{n}", start + (960 if n == 1 else 150), start + 2150)
    )
    judgement = shown.judge()
    assert one(judgement, "a1@bms.a1").verdict is Verdict.UNRESOLVED
    cause = only_cause(judgement)
    assert (cause.kind, cause.code) == (CauseKind.TIME, "limit-within-bounds")
    assert "poll period" in cause.evidence


# --- stimulus --------------------------------------------------------------------------------------


def two_outputs(*, reference: bool, missing: int, common: bool = False) -> Judgement:
    """Alarms with two outputs each, one of which shows at neither."""
    bench = Bench()
    for number in range(4):
        bench.alarm(f"a{number}", reference=f"panel.a{number}" if reference else None)
        if reference:
            bench.input(f"panel.a{number}", number, link="panel")
    names = bench.inputs(4)
    if common:
        bench.input("bms.common", 50)
    for number, name in enumerate(names):
        bench.bit(f"bms.l{number}", 100, number)
        bench.row(name, f"bms.l{number}")
        if common:
            bench.row(name, "bms.common")

    def shown(bench: Bench, number: int, start: float) -> None:
        if reference:
            bench.on(f"panel.a{number}", start + 10, start + 2010)
        if common:
            bench.on("bms.common", start + 150, start + 2150)
        if number != missing:
            bench.on(f"bms.a{number}", start + 150, start + 2150)
            bench.on(f"bms.l{number}", start + 150, start + 2150)

    return in_turn(bench, names, shown).judge()


def test_an_alarm_that_is_up_and_goes_nowhere() -> None:
    cause = only_shared(two_outputs(reference=True, missing=2))
    assert (cause.kind, cause.code) == (CauseKind.STIMULUS, "sent-nowhere")
    assert "panel.a2 (10003" in cause.evidence


def test_an_alarm_missed_everywhere_without_a_reference_point() -> None:
    cause = only_shared(two_outputs(reference=False, missing=2))
    assert (cause.kind, cause.code) == (CauseKind.STIMULUS, "not-raised")
    assert "did not raise it, it was not this alarm that was raised, or it is sent nowhere" in cause.text


def test_an_alarm_whose_own_outputs_all_missed_it_while_a_shared_one_showed() -> None:
    cause = only_shared(two_outputs(reference=True, missing=2, common=True))
    assert cause.code == "sent-nowhere"
    assert "a shared output did show: bms.common" in cause.evidence


def test_raises_without_an_answer_are_one_cause() -> None:
    bench = Bench()
    for number, name in enumerate(bench.inputs(3)):
        bench.raised(name, 1000 + 3000 * number, clear=2000 + 3000 * number, proven=number == 0)
        bench.on(f"bms.{name}", 1150 + 3000 * number, 2150 + 3000 * number)
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.STIMULUS, "raise-not-proven")
    assert "a1 (s2) and a2 (s3)" in cause.evidence


def with_panel(shown_at: Callable[[int], int | None]) -> Judgement:
    """Alarms with a reference point that is judged itself, which may be that of another one."""
    bench = Bench()
    for number in range(4):
        bench.alarm(f"a{number}", reference=f"panel.a{number}")
        bench.input(f"panel.a{number}", number, link="panel")
        bench.row(f"a{number}", f"panel.a{number}")
    names = bench.inputs(4)

    def shown(bench: Bench, number: int, start: float) -> None:
        at = shown_at(number)
        if at is not None:
            bench.on(f"panel.a{at}", start + 10, start + 2010)
        bench.on(f"bms.a{number}", start + 150, start + 2150)

    return in_turn(bench, names, shown).judge()


def test_a_reference_point_that_denies_a_raise() -> None:
    judgement = with_panel(lambda n: None if n == 2 else n)
    assert one(judgement, "a2@bms.a2").verdict is Verdict.NOT_RUN
    assert codes(judgement) == {"a2@panel.a2/s3": ["point-silent"], "a2@bms.a2/s3": ["reference-silent"]}
    cause = one(judgement, "a2@bms.a2").causes[0]
    assert "another output reacted" in cause.evidence


def test_what_could_not_be_run_for_a_reference_block_off_by_one_names_that_cause() -> None:
    judgement = with_panel(lambda n: n + 1 if n < 3 else None)
    cause = only_shared(judgement)
    assert cause.code == "address-off-by-one"
    assert "link panel" in cause.text
    assert {it.verdict for it in judgement.results if it.point.startswith("bms.")} == {Verdict.NOT_RUN}


def test_a_response_before_the_raise_is_a_wrong_stimulus_time() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.raised("a0", 5000, clear=6000)
    bench.on("bms.a0", 3000, 4000)
    judgement = bench.judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.STIMULUS, "stimulus-time")
    assert judgement.strays[0].causes == (cause,)


# --- strays, and what could not be judged ----------------------------------------------------------


def test_a_second_place_that_always_comes_on_with_an_alarm() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(4), moved(lambda n: n))
    bench.raised("a0", 30_000, clear=32_000)
    bench.on("bms.a0", 30_150, 32_150)
    for start in (1000, 30_000):
        bench.on("bms.a2", start + 200, start + 2150)
    judgement = bench.judge()
    cause = only_shared(judgement)
    assert (cause.kind, cause.code) == (CauseKind.ADDRESS, "extra-place")
    assert "a0 brings a2 along" in cause.text
    assert len(judgement.strays) == 2


def test_a_stray_long_after_everything_was_cleared_is_nobodys() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(3), moved(lambda n: n))
    bench.on("bms.a1", 40_000, 41_000)
    cause = only_cause(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.STIMULUS, "not-raised-here")
    assert "a real alarm (a1)" in cause.text
    assert "the last raise before it was a2 (s3)" in cause.evidence


def test_masked_results_are_one_cause_a_point() -> None:
    bench = Bench()
    names = bench.inputs(3)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common")
    bench.raised("a0", 1000, clear=12_000)
    bench.on("bms.a0", 1150, 12_150)
    bench.on("bms.common", 1150, 12_150)
    for number in (1, 2):
        bench.raised(f"a{number}", 3000 * number, clear=3000 * number + 1000)
        bench.on(f"bms.a{number}", 3000 * number + 150, 3000 * number + 1150)
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.OBSERVATION, "point-held")


def test_points_that_were_not_read_are_one_cause_a_link() -> None:
    bench = Bench()
    in_turn(bench, bench.inputs(4), moved(lambda n: n))
    bench.unread |= {"bms.a1", "bms.a2"}
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.OBSERVATION, "point-not-read")
    assert "bms.a1 (10002" in cause.evidence


def test_what_was_never_released_says_so() -> None:
    bench = Bench()
    for number, name in enumerate(bench.inputs(2)):
        bench.raised(name, 1000 + 5000 * number)
        bench.on(f"bms.{name}", 1150 + 5000 * number)
    cause = only_shared(bench.judge())
    assert (cause.kind, cause.code) == (CauseKind.OBSERVATION, "never-released")


def test_a_crashed_checker_is_named_as_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    from harness.correlate import engine

    def crashing(*args: object, **options: object) -> object:
        raise ZeroDivisionError("on purpose")

    monkeypatch.setattr(engine, "judge_outlined", crashing)
    bench = Bench()
    judgement = in_turn(bench, bench.inputs(2), moved(lambda n: n)).judge()
    assert {cause.code for it in judgement.results for cause in it.causes} == {"checker-crashed"}


def test_causes_come_from_the_wire_upwards_and_do_not_depend_on_chance() -> None:
    def build() -> Judgement:
        bench = Bench()
        names = bench.inputs(10)

        def shown(bench: Bench, number: int, start: float) -> None:
            at = {1: 2, 2: 1}.get(number, number)
            bench.on(f"bms.a{at}", start + (1650 if number in (6, 8) else 150), start + 2150)

        in_turn(bench, names, shown)
        bench.blind_from("bms", 24_500, 29_000)
        return bench.judge()

    first = build()
    assert [it.kind for it in first.causes] == [CauseKind.ADDRESS, CauseKind.TIME]
    assert explained(first) == {"link-down", "swapped-pair", "common-delay"}
    assert build() == first
