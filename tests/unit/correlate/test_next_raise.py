"""What comes on again after another alarm was raised is that one's, or nobody's, and no proven repeat."""

from __future__ import annotations

import pytest

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


def test_a_second_onset_that_may_be_either_is_still_reported() -> None:
    """Its bounds hold the raise of the other alarm, which shows where it should: whose it is, is not proven."""
    bench = neighbours(2320)
    bench.on("bms.a1", 2450, 4150)
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME
    assert one(judgement, "a1@bms.a1").verdict is Verdict.ON_TIME
    assert [stray.point for stray in judgement.strays] == ["bms.a0"]
