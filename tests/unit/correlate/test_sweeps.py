"""Alarms held for ever shorter times: what was shown is counted, and what nobody can tell is said."""

from __future__ import annotations

from dataclasses import replace

from harness.core.instants import NS_PER_MS
from harness.core.sweep import Sweep
from harness.correlate.sweeps import sweeps_of
from tests.peers.trace_bench import Bench


def swept(held_ms: list[float], shown: list[tuple[float, float] | None]) -> tuple[Bench, Sweep]:
    """One alarm, raised every 6 s and held for so long; the output really on from and to so long after each raise."""
    bench = Bench()
    bench.inputs(1)
    for number, (held, on) in enumerate(zip(held_ms, shown, strict=True)):
        at = 1000 + 6000 * number
        bench.raised("a0", at, clear=at + held)
        if on is not None:
            bench.on("bms.a0", at + on[0], at + on[1])
    bench.stimuli = [
        replace(it, held_for_ns=round(held * NS_PER_MS)) for it, held in zip(bench.stimuli, held_ms, strict=True)
    ]
    (sweep,) = sweeps_of(bench.site(), bench.evidence())
    return bench, sweep


def test_the_shortest_time_at_which_every_try_showed() -> None:
    _, sweep = swept([2000, 2000, 500, 500, 50, 50], [(50, 2050)] * 2 + [(50, 550)] * 2 + [None, (0, 300)])
    assert [(it.asked_ns // NS_PER_MS, it.shown, it.not_shown, it.unknown) for it in sweep.tries] == [
        (2000, 2, 0, 0),
        (500, 2, 0, 0),
        (50, 1, 0, 1),
    ]
    assert sweep.reliable_ns == 500 * NS_PER_MS
    assert sweep.words == "shown every time when held for 500 ms or longer; for shorter times the readings are too far apart to tell"  # fmt: skip  # noqa: E501


def test_what_polls_did_not_see_is_no_proof_that_it_did_not_show() -> None:
    """The declared shortest on (200 ms) would rule it out, and is what a sweep undercuts."""
    _, sweep = swept([30], [None])
    assert (sweep.tries[0].not_shown, sweep.tries[0].unknown) == (0, 1)
    assert sweep.reliable_ns is None
    assert sweep.words.startswith("not shown every time, not even when held for 30 ms")


def test_how_long_it_was_really_held_is_told_in_bounds() -> None:
    _, sweep = swept([500, 500], [(50, 550)] * 2)
    assert sweep.tries[0].held.lo == 490 * NS_PER_MS
    assert sweep.tries[0].held.hi == 510 * NS_PER_MS


def test_a_longer_time_that_was_lost_counts_against_all_shorter_ones() -> None:
    _, sweep = swept([2000, 500], [None, (50, 550)])
    assert sweep.reliable_ns is None


def test_no_row_judges_a_sweep_and_what_it_shows_is_no_stray() -> None:
    bench, _ = swept([2000, 50], [(50, 2050), (50, 300)])
    judgement = bench.judge()
    assert judgement.results == ()
    assert judgement.strays == ()
