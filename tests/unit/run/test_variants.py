"""Which alarms are raised together, and what a sweep raises."""

from __future__ import annotations

from harness.core.model import Behaviour, Step
from harness.run.order import Item, Selection, plan_of
from harness.run.variants import pairs_of, sweep_of
from tests.peers.trace_bench import LIMITS, Bench


def bench_of(count: int) -> Bench:
    bench = Bench()
    names = bench.inputs(count)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common")
    return bench


def pairs(bench: Bench) -> list[tuple[str, str]]:
    site = bench.site()
    return [(it.alarm.name, it.also.name) for it in pairs_of(site, plan_of(site, Selection())) if it.also is not None]


def test_each_alarm_of_a_shared_output_is_in_a_pair() -> None:
    assert pairs(bench_of(4)) == [("a0", "a1"), ("a2", "a3")]
    assert {name for pair in pairs(bench_of(5)) for name in pair} == {"a0", "a1", "a2", "a3", "a4"}
    assert len(pairs(bench_of(5))) == 3


def test_what_shares_nothing_is_not_raised_together() -> None:
    bench = Bench()
    bench.inputs(3)
    assert pairs(bench) == []


def test_one_that_brings_the_other_along_is_not_its_partner() -> None:
    bench = Bench()
    bench.alarm("a0", brings=("a1",))
    for name in bench.inputs(2):
        bench.input("bms.common", 100)
        bench.row(name, "bms.common")
    assert pairs(bench) == []


def test_one_silence_silences_both_so_they_are_no_pair_for_it() -> None:
    bench = Bench()
    for name in bench.inputs(2):
        bench.input("bms.horn", 100)
        bench.row(name, "bms.horn", Behaviour.UNTIL_ACKNOWLEDGED, released_by=Step.SILENCE)
    assert pairs(bench) == []


def test_a_pair_has_the_loud_rows_of_both_and_no_quiet_one() -> None:
    bench = bench_of(2)
    bench.input("bms.quiet", 101)
    bench.row("a0", "bms.quiet", Behaviour.QUIET, LIMITS)
    site = bench.site()
    (pair,) = pairs_of(site, plan_of(site, Selection()))
    assert [row.key for row in pair.rows] == ["a0@bms.a0", "a0@bms.common", "a1@bms.a1", "a1@bms.common"]


def test_a_sweep_goes_from_long_to_short_and_repeats_each() -> None:
    site = bench_of(1).site()
    items: tuple[Item, ...] = plan_of(site, Selection())
    assert [it.held_ns for it in sweep_of(items, (100, 500, 100), 2)] == [500, 500, 100, 100]
