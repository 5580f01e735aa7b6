"""Two alarms of which the second is raised as soon as the first is off again: whose is what comes on next?

Whole records with their truth, see ``plants``. What comes on at the first one's point after the second one was raised
may be the second one, wired to the wrong place, or the first one for the second time.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator

import pytest
from hypothesis import given, seed

from harness.core.model import Judgement, Result
from harness.core.verdicts import Verdict
from tests.properties.plants import Plan, Plant
from tests.properties.test_whole_records import FAIL, PASS, SEEDS, bounded, judged, plant, told, truth_of


def drawn(number: int, neighbour: str) -> tuple[Plant, Judgement] | None:
    """A plant in which this goes wrong between two alarms, with its judgement; None where it has no such two."""
    it = plant(number, Plan(apart="next", neighbour=neighbour))
    return None if it.pair is None else (it, judged(it))


def at_own_point(it: Plant, judgement: Judgement, stimulus: str) -> Iterator[Result]:
    """What link bms shows of a stimulus at the point that is its own alone."""
    alarm = next(s.alarm for s in it.stimuli if s.id == stimulus)
    return (r for r in judgement.results if r.stimulus == stimulus and r.point == f"bms.{alarm}" and r.alarm == alarm)


def is_sampled(it: Plant, point: str, stimulus: str, fault: str) -> bool:
    """Whether polls met the point on because of a stimulus, and off between that and what was on there before."""
    spans = [span for c in it.contributions if (c.point, c.stimulus, c.fault) == (point, stimulus, fault)
             for span in c.spans]  # fmt: skip
    if not spans or point not in it.traces:
        return False
    begin, end = spans[-1]
    trace = it.traces[point]
    on = any(begin <= trace.lo[n] and trace.hi[n] < end for n in range(len(trace)))
    before = max((stop for start, stop in it.true_on[point] if start < begin), default=0)
    return on and any(before <= trace.lo[n] and trace.hi[n] < begin for n in range(len(trace)))


def test_a_wrong_bit_right_after_its_neighbours_test_never_fails_the_neighbour(
    capsys: pytest.CaptureFixture[str],
) -> None:
    counted: Counter[str] = Counter()

    @seed(8)
    @bounded(700)
    @given(SEEDS)
    def check(number: int) -> None:
        found = drawn(number, "wrong-bit")
        if found is None:
            return
        it, judgement = found
        assert it.pair is not None
        rows = {row.key: row for row in it.rows}
        one, two = it.pair
        here = next(f"bms.{s.alarm}" for s in it.stimuli if s.id == one)
        for result in at_own_point(it, judgement, one):
            truth = truth_of(it, rows[result.expectation], one)
            counted[f"first: {result.verdict}"] += 1
            assert result.verdict is not Verdict.REPEATED, told(it, result, truth)
            assert result.verdict.verdict_class is not FAIL or not truth.clean, told(it, result, truth)
        for result in at_own_point(it, judgement, two):
            truth = truth_of(it, rows[result.expectation], two)
            counted[f"second: {result.verdict}"] += 1
            assert result.verdict.verdict_class is not PASS, told(it, result, truth)
            if is_sampled(it, here, two, "wrong-bit"):
                assert "nothing else came on" not in str(result.causes), told(it, result, truth)
            if result.verdict is Verdict.CROSSED:
                assert result.elsewhere == here, told(it, result, truth)

    check()
    with capsys.disabled():
        sys.stdout.write(f"\nwrong bit: {dict(counted.most_common())}\n")
    assert counted["second: crossed"] > 20 * counted["second: missed"]
    assert counted["second: crossed"] > 200
    assert counted["first: on-time"] > 100


@pytest.mark.parametrize("neighbour", ["repeat", "repeat-beside-dead"])
def test_a_second_onset_after_another_raise_is_no_pass(neighbour: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Unless another alarm was missed at its own point: one wrong wire is likelier than a dead output and a repeat."""
    counted: Counter[str] = Counter()

    @seed(9)
    @bounded(500)
    @given(SEEDS)
    def check(number: int) -> None:
        found = drawn(number, neighbour)
        if found is None:
            return
        it, judgement = found
        assert it.pair is not None
        rows = {row.key: row for row in it.rows}
        one, _ = it.pair
        for result in at_own_point(it, judgement, one):
            truth = truth_of(it, rows[result.expectation], one)
            counted[str(result.verdict)] += 1
            if truth.clean or result.verdict.verdict_class is not PASS:
                continue
            taken = any(r.elsewhere == result.point for r in judgement.results)
            counted["passed beside a crossed one"] += taken
            assert taken or not is_sampled(it, result.point, one, "repeat"), told(it, result, truth)

    check()
    with capsys.disabled():
        sys.stdout.write(f"\n{neighbour}: {dict(counted.most_common())}\n")
    assert counted["unresolved"] > 30
    assert counted["passed beside a crossed one"] == 0 or neighbour == "repeat-beside-dead"
