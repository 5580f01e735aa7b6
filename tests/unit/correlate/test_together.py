"""Two alarms raised together: what they share is on from the first raise to the last clear, and nothing else passes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.model import Behaviour, Limits, Step
from harness.core.verdicts import Verdict
from tests.peers.trace_bench import LIMITS, MS, Bench


def pair(behaviour: Behaviour = Behaviour.FOLLOWS, **second: object) -> Bench:
    """a0 raised at 1 s, a1 at 2 s, a0 cleared at 4 s, a1 at 7 s, both at their own inputs and at a common one."""
    bench = Bench()
    names = bench.inputs(2)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common", behaviour)
    bench.raised("a0", 1000, clear=4000)
    bench.raised("a1", 2000, clear=7000, **second)  # type: ignore[arg-type]  # steps by name
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 4100)
    bench.on("bms.a1", 2100, 7100)
    return bench


def at_common(bench: Bench) -> dict[str, Verdict]:
    judgement = bench.judge()
    own = {it.verdict for it in judgement.results if it.point != "bms.common"}
    assert own == {Verdict.ON_TIME}, "their own inputs are judged one by one"
    return {it.stimulus: it.verdict for it in judgement.results if it.point == "bms.common"}


def test_what_they_share_is_on_until_the_last_is_cleared() -> None:
    bench = pair()
    bench.on("bms.common", 1100, 7100)
    assert at_common(bench) == {"s1": Verdict.ON_TIME}


@pytest.mark.parametrize(
    ("spans", "verdict"),
    [
        ([(1100, 4100)], Verdict.BRIEF),  # it went with the first clear, while the second still held it
        ([(1100, 4100), (4600, 7100)], Verdict.BRIEF),  # it dropped in between
        ([(2250, 7100)], Verdict.LATE),  # it came only with the second
        ([(1100, 12000)], Verdict.STUCK),
        ([], Verdict.MISSED),
    ],
)
def test_what_they_share_fails_where_it_is_not(spans: list[tuple[float, float]], verdict: Verdict) -> None:
    bench = pair()
    for start, stop in spans:
        bench.on("bms.common", start, stop)
    assert at_common(bench) == {"s1": verdict}


def test_without_being_told_that_they_were_together_they_mask_each_other() -> None:
    """The near miss: the same course of events, and two stimuli that know nothing of each other."""
    bench = pair()
    bench.on("bms.common", 1100, 7100)
    bench.stimuli = [replace(it, together="") for it in bench.stimuli]
    assert at_common(bench) == {"s1": Verdict.MASKED, "s2": Verdict.MASKED}


def test_until_acknowledged_is_released_by_the_last_acknowledgement() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common", Behaviour.UNTIL_ACKNOWLEDGED)
    bench.raised("a0", 1000, acknowledge=3000, clear=6000)
    bench.raised("a1", 2000, acknowledge=4500, clear=7000)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 6100)
    bench.on("bms.a1", 2100, 7100)
    bench.on("bms.common", 1100, 4600)
    assert at_common(bench) == {"s1": Verdict.ON_TIME}
    bench.was_on["bms.common"] = [(1100, 3100)]
    assert at_common(bench) == {"s1": Verdict.BRIEF}


def test_rows_that_are_released_otherwise_say_nothing_of_either() -> None:
    bench = Bench()
    bench.inputs(2)
    bench.input("bms.common", 100)
    bench.row("a0", "bms.common", Behaviour.LATCHED)
    bench.row("a1", "bms.common", Behaviour.LATCHED, released_by=Step.RESET)
    bench.raised("a0", 1000, acknowledge=3000, clear=4000)
    bench.raised("a1", 2000, acknowledge=3000, clear=7000, reset=8000)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 4100)
    bench.on("bms.a1", 2100, 7100)
    bench.on("bms.common", 1100, 8100)
    assert at_common(bench) == {}


def test_one_that_is_not_proven_proves_nothing_of_what_they_share() -> None:
    bench = Bench()
    names = bench.inputs(2)
    bench.input("bms.common", 100)
    for name in names:
        bench.row(name, "bms.common")
    bench.raised("a0", 1000, clear=4000)
    bench.raised("a1", 2000, clear=7000, proven=False)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 4100)
    bench.on("bms.common", 1100, 4100)
    verdicts = {it.stimulus: it.verdict for it in bench.judge().results if it.point == "bms.common"}
    assert verdicts == {"s1": Verdict.NOT_RUN}


@pytest.mark.parametrize("common", [[(1100, 2050), (3100, 5100)], [(1100, 5100)]], ids=["off-between", "on"])
def test_let_go_before_the_other_was_raised_they_are_not_one(common: list[tuple[float, float]]) -> None:
    """It may go off in between, so neither that it does nor that it does not says anything."""
    bench = Bench()
    bench.inputs(2)
    bench.input("bms.common", 100)
    for name in ("a0", "a1"):
        bench.row(name, "bms.common")
    bench.raised("a0", 1000, clear=2000)
    bench.raised("a1", 3000, clear=5000)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 2100)
    bench.on("bms.a1", 3100, 5100)
    for start, stop in common:
        bench.on("bms.common", start, stop)
    assert at_common(bench) == {}


@pytest.mark.parametrize("end", [4600, 6100])
def test_one_cleared_and_the_other_silenced_has_no_common_release(end: float) -> None:
    """Each follows its alarm until it is silenced: a0 lets go with its clear, a1 with its acknowledge."""
    bench = Bench()
    bench.inputs(2)
    bench.input("bms.common", 100)
    for name in ("a0", "a1"):
        bench.row(name, "bms.common", released_by=Step.SILENCE)
    bench.raised("a0", 1000, clear=4500, acknowledge=6000)
    bench.raised("a1", 2000, acknowledge=3000, clear=7000)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 4600)
    bench.on("bms.a1", 2100, 7100)
    bench.on("bms.common", 1100, end)
    assert at_common(bench) == {}


@pytest.mark.parametrize(
    ("dwell_ms", "end", "verdict"),
    [
        ((0, 2000), 9100, Verdict.ON_TIME),  # the dwell of the second, which lets go last
        ((0, 2000), 7100, Verdict.BRIEF),
        ((1500, 0), 7100, Verdict.ON_TIME),  # that of the first was over long before
        ((1500, 0), 9100, Verdict.STUCK),
    ],
)
def test_the_end_of_what_they_share_is_that_of_the_alarm_that_lets_go_last(
    dwell_ms: tuple[int, int], end: float, verdict: Verdict
) -> None:
    bench = pair()
    bench.rows = [
        replace(row, limits=replace(row.limits, dwell_ns=dwell_ms[row.alarm == "a1"] * MS))
        if row.point == "bms.common"
        else row
        for row in bench.rows
    ]
    bench.on("bms.common", 1100, end)
    assert at_common(bench) == {"s1": verdict}


@pytest.mark.parametrize("limits", [replace(LIMITS, dwell_ns=2000 * MS), replace(LIMITS, gone_within_ns=None)])
def test_where_which_of_them_lets_go_last_is_open_different_ends_are_no_demand(limits: Limits) -> None:
    bench = Bench()
    bench.inputs(2)
    bench.input("bms.common", 100)
    bench.row("a0", "bms.common", limits=limits)
    bench.row("a1", "bms.common")
    bench.raised("a0", 1000, clear=6000)
    bench.raised("a1", 2000, clear=6500)
    bench.stimuli = [replace(it, together="s1") for it in bench.stimuli]
    bench.on("bms.a0", 1100, 6100)
    bench.on("bms.a1", 2100, 6600)
    bench.on("bms.common", 1100, 8100)
    assert at_common(bench) == {}
