"""Alarms that share one point, raised and cleared in any order, against the truth: see ``shared_plants``.

What another alarm observably held there proves nothing of this one: no pass, and no miss.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, seed
from hypothesis import strategies as st

from harness.core.model import Result
from harness.core.verdicts import Verdict
from tests.properties.plants import Plant
from tests.properties.shared_plants import HABITS, POINT, shared_plant
from tests.properties.test_whole_records import FAIL, PASS, SEEDS, bounded, check_verdicts, judged, told, truth_of

HEALTHY = ("each", "own-clear", "first-clear", "first-acknowledge")
"""Habits by which every alarm shows, so that nothing can be taken for something else."""


def was_polled_on(it: Plant, result: Result) -> bool:
    """Whether a poll met the point on while there was time for this alarm to show, whoever held it."""
    row = next(row for row in it.rows if row.key == result.expectation)
    raised = next(s.raised for s in it.stimuli if s.id == result.stimulus)
    trace = it.traces[POINT]
    until = raised.lo + (row.limits.appears_within_ns or row.limits.search_ns)
    inside = np.flatnonzero((trace.lo >= raised.hi) & (trace.hi <= until))
    return any(trace.run_is_on(int(np.searchsorted(trace.starts, at, side="right")) - 1) for at in inside)


@pytest.mark.parametrize("told_way", [False, True], ids=["polled", "told"])
@pytest.mark.parametrize("habit", HABITS)
def test_alarms_that_share_a_point_prove_nothing_of_each_other(
    habit: str, told_way: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    counted: Counter[str] = Counter()

    @seed(20261129)
    @bounded(120)
    @given(SEEDS, st.sampled_from((0.0, 0.1)), st.integers(0, 1))
    def check(number: int, loss: float, outages: int) -> None:
        it = shared_plant(number, habit, loss=loss, outages=outages, told=told_way)
        judgement = judged(it)
        check_verdicts(it, judgement, counted)
        for result in judgement.results:
            counted[str(result.verdict)] += 1
            if result.verdict is Verdict.MISSED and not told_way:
                row = next(row for row in it.rows if row.key == result.expectation)
                assert not was_polled_on(it, result), told(it, result, truth_of(it, row, result.stimulus))

    check()
    with capsys.disabled():
        sys.stdout.write(f"\n{habit}, {'told' if told_way else 'polled'}: {dict(counted.most_common())}\n")
    assert counted["coincident pass"] == 0
    assert counted["coincident fail"] <= 0.02 * counted[str(FAIL)]
    assert habit not in HEALTHY or counted["coincident fail"] == 0
    assert counted["masked"] > 30
    assert counted[str(PASS)] > 5
    assert habit in ("each", "late", "stuck") or counted[str(Verdict.BRIEF)] > 10
