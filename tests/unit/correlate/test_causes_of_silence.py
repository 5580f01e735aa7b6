"""What is named where the silence did nothing, or too much; and near misses where it must not be."""

from __future__ import annotations

from harness.core.model import Behaviour, Step
from harness.core.verdicts import Verdict
from tests.peers.trace_bench import Bench, codes, one

FOLLOWS, UNTIL, LATCHED = Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED


def bench_of(behaviour: Behaviour, released_by: Step, off: float, *, silence: float | None = 4000) -> Bench:
    """Raised at 1 s, silenced at 4, acknowledged at 8, cleared at 12; on from 1.2 s to ``off`` (ms)."""
    bench = Bench()
    bench.alarm("a")
    bench.input("p", 0)
    bench.row("a", "p", behaviour, released_by=released_by)
    bench.raised("a", 1000, silence=silence, acknowledge=8000, clear=12_000)
    bench.on("p", 1200, off)
    return bench


def test_a_horn_that_only_the_acknowledge_stops() -> None:
    judgement = bench_of(UNTIL, Step.SILENCE, 8200).judge()
    assert one(judgement, "a@p").verdict is Verdict.STUCK
    (cause,) = one(judgement, "a@p").causes
    assert cause.code == "not-silenced"
    assert "the acknowledge does" in cause.text
    assert "after the silence" in cause.evidence
    (by_clear,) = one(bench_of(FOLLOWS, Step.SILENCE, 12_200).judge(), "a@p").causes
    assert (by_clear.code, "the clear does" in by_clear.text) == ("not-silenced", True)


def test_a_horn_that_is_only_slow_to_go_silent_is_no_horn_that_was_not_silenced() -> None:
    assert codes(bench_of(UNTIL, Step.SILENCE, 6000).judge()) == {"a@p/s1": ["slow-to-go"]}


def test_a_lamp_that_the_silence_put_out() -> None:
    for behaviour in (UNTIL, FOLLOWS, LATCHED):
        judgement = bench_of(behaviour, Step.ACKNOWLEDGE, 4200).judge()
        assert one(judgement, "a@p").verdict is Verdict.BRIEF
        assert codes(judgement) == {"a@p/s1": ["silenced-too"]}


def test_what_went_off_long_after_the_silence_or_before_it_was_not_put_out_by_it() -> None:
    for off in (3000, 7000):
        judgement = bench_of(LATCHED, Step.ACKNOWLEDGE, off).judge()
        assert one(judgement, "a@p").verdict is Verdict.BRIEF
        assert codes(judgement) == {"a@p/s1": ["drops-early"]}


def test_without_a_silence_nothing_is_said_of_it() -> None:
    judgement = bench_of(FOLLOWS, Step.ACKNOWLEDGE, 4200, silence=None).judge()
    assert "silenced-too" not in codes(judgement)["a@p/s1"]
