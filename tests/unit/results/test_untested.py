"""What a test did not show of silence and acknowledge is said with its results."""

from __future__ import annotations

from harness.core.model import Behaviour, Step
from harness.results.untested import untested_steps
from tests.peers.trace_bench import Bench

SILENCE = "nothing was silenced in this test, so what an output does on silence is not shown"


def told(bench: Bench) -> tuple[str, ...]:
    return untested_steps(bench.site(), bench.stimuli, bench.judge().results)


def bench_of(*rows: tuple[str, Behaviour, Step, float]) -> Bench:
    """Alarm ``a`` at a point of each row, on from 1.2 s to the time given (ms)."""
    bench = Bench()
    bench.alarm("a")
    for address, (point, behaviour, released_by, off) in enumerate(rows):
        bench.input(point, address)
        bench.row("a", point, behaviour, released_by=released_by)
        bench.on(point, 1200, off)
    return bench


def test_a_test_without_a_silence_says_so() -> None:
    bench = bench_of(("lamp", Behaviour.FOLLOWS, Step.ACKNOWLEDGE, 4200))
    bench.raised("a", 1000, clear=4000)
    assert told(bench) == (SILENCE,)
    silenced = bench_of(("lamp", Behaviour.FOLLOWS, Step.ACKNOWLEDGE, 4200))
    silenced.raised("a", 1000, silence=2500, clear=4000)
    assert told(silenced) == ()


def test_latched_rows_that_were_only_acknowledged_first_are_counted() -> None:
    rows = [(name, Behaviour.LATCHED, Step.ACKNOWLEDGE, 6200) for name in ("one", "two")]
    bench = bench_of(*rows, ("bound", Behaviour.LATCHED, Step.RESET, 8200))
    bench.raised("a", 1000, silence=2000, acknowledge=4000, clear=6000, reset=8000)
    (note,) = told(bench)
    assert note.startswith("acknowledged before the clear alone: 2 latched rows, so that they hold on over a clear")
    bench.on("one", 21_200, 26_200)
    bench.on("two", 21_200, 26_200)
    bench.on("bound", 21_200, 28_200)
    bench.raised("a", 21_000, silence=22_000, clear=24_000, acknowledge=26_000, reset=28_000)
    assert told(bench) == (), "the second test showed it"


def test_where_nothing_passed_there_is_nothing_to_say() -> None:
    bench = bench_of(("lamp", Behaviour.FOLLOWS, Step.ACKNOWLEDGE, 4200))
    assert told(bench) == ()
    bench.raised("a", 30_000, clear=33_000)
    assert told(bench) == (), "it was missed"
