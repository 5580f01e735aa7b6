"""A limit that is finer than the key of a person tells is never passed by it, and a fail stands."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.model import Behaviour, Limits, Result, Step
from harness.core.verdicts import Verdict
from tests.peers.trace_bench import LIMITS, Bench, one

MS = NS_PER_MS
FINEST = 1100 * MS
FOLLOWS, UNTIL, LATCHED, PULSE = Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED, Behaviour.PULSE


def judged(
    behaviour: Behaviour,
    *,
    within: int | None = None,
    gone: int | None = None,
    reference: bool = False,
    finest: int = FINEST,
    appears: float = 5200,
    released_by: Step = Step.ACKNOWLEDGE,
    acknowledge: float = 7000,
) -> Result:
    """One alarm raised by hand at 5 s, silenced at 6 s, acknowledged at 7 s, cleared at 9 s; it shows 200 ms later."""
    bench = Bench()
    bench.alarm("a", reference="panel.a" if reference else None)
    bench.input("panel.a", 0, link="panel")
    bench.input("bms.a", 1)
    limits = Limits(
        appears_within_ns=None if within is None else within * MS,
        gone_within_ns=None if gone is None else gone * MS,
        search_ns=LIMITS.search_ns,
        settle_ns=LIMITS.settle_ns,
    )
    bench.row("a", "bms.a", behaviour, limits, released_by)
    silence = 6000 if released_by is Step.SILENCE else None
    bench.raised("a", 5000, silence=silence, acknowledge=acknowledge, clear=9000)
    bench.stimuli = [replace(it, finest_ns=finest) for it in bench.stimuli]
    bench.on("panel.a", 5000, 9000)
    ends = {FOLLOWS: 9200, UNTIL: 7200, LATCHED: 9200, PULSE: 6000}
    bench.on("bms.a", appears, 6200 if released_by is Step.SILENCE else ends[behaviour])
    return one(bench.judge(), "a@bms.a")


@pytest.mark.parametrize(
    ("behaviour", "within", "gone"),
    [
        (FOLLOWS, 1099, None),
        (FOLLOWS, None, 1099),
        (UNTIL, 1099, None),
        (UNTIL, None, 1099),
        (LATCHED, 1099, 2000),
        (LATCHED, 2000, 1099),
        (PULSE, 1099, None),
    ],
)
def test_a_finer_limit_is_not_passed_by_a_key(behaviour: Behaviour, within: int | None, gone: int | None) -> None:
    result = judged(behaviour, within=within, gone=gone)
    assert result.verdict is Verdict.UNRESOLVED
    assert "is finer than the key of a person tells (1.1 s): give the alarm a reference point" in result.reason
    assert judged(behaviour, within=within, gone=gone, finest=0).verdict.verdict_class is Verdict.ON_TIME.verdict_class


@pytest.mark.parametrize("behaviour", [FOLLOWS, UNTIL, LATCHED, PULSE])
def test_a_limit_as_coarse_as_the_key_is_passed(behaviour: Behaviour) -> None:
    assert judged(behaviour, within=1100, gone=1100).verdict is Verdict.ON_TIME


@pytest.mark.parametrize("behaviour", [FOLLOWS, UNTIL, LATCHED, PULSE])
def test_without_a_limit_nothing_is_too_fine(behaviour: Behaviour) -> None:
    assert judged(behaviour).verdict is Verdict.APPEARED


def test_what_a_reference_point_timed_may_be_as_fine_as_its_polls() -> None:
    assert judged(FOLLOWS, within=500, gone=500, reference=True).verdict is Verdict.ON_TIME
    assert judged(UNTIL, within=500, gone=1100, reference=True).verdict is Verdict.ON_TIME
    assert judged(PULSE, within=500, gone=1000, reference=True).verdict is Verdict.ON_TIME


def test_no_reference_point_times_an_acknowledge() -> None:
    result = judged(UNTIL, within=500, gone=1099, reference=True)
    assert result.verdict is Verdict.UNRESOLVED
    assert "gone within 1.099 s is finer" in result.reason
    assert result.reason.endswith("state a longer limit")


def test_what_is_latched_goes_with_the_clear_once_it_was_acknowledged() -> None:
    """That one a reference point times; where the acknowledge came behind it, or may have, the key does."""
    assert judged(LATCHED, within=500, gone=1000, reference=True).verdict is Verdict.ON_TIME
    behind = judged(LATCHED, within=500, gone=1000, reference=True, acknowledge=9001)
    assert behind.verdict is Verdict.UNRESOLVED
    assert "gone within 1 s is finer" in behind.reason
    assert judged(LATCHED, within=500, gone=1100, reference=True, acknowledge=9001).verdict is Verdict.ON_TIME


def test_nor_a_silence() -> None:
    result = judged(FOLLOWS, gone=1099, reference=True, released_by=Step.SILENCE)
    assert result.verdict is Verdict.UNRESOLVED
    assert judged(FOLLOWS, gone=1100, reference=True, released_by=Step.SILENCE).verdict is Verdict.APPEARED


def test_a_fail_needs_no_fineness() -> None:
    assert judged(FOLLOWS, within=500, appears=8000).verdict is Verdict.LATE
