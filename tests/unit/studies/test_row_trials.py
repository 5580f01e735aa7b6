"""From a record to trials: what the judge saw and nothing else; what is in doubt is left out and counted."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from harness.core.model import Step
from harness.core.verdicts import Verdict
from harness.measure.trials import RowTrials, Shown, summarise
from harness.measure.visible_time import Seen, Unseen, bounds_of
from harness.results.judging import judge_record
from harness.studies.row_trials import row_trials
from tests.peers.records import MS, SITE, RecordMaker, S

QUICK = SITE.replace("shortest on: 300 ms", "shortest on: 5 ms").replace("shortest off: 300 ms", "shortest off: 5 ms")


def trials_of(path: Path) -> dict[str, RowTrials]:
    judged = judge_record(path)
    try:
        return {row.key: row for row in row_trials([judged])}
    finally:
        judged.reader.close()


@pytest.mark.parametrize("seed", [3])
def test_latency_and_visible_time_of_a_transient_hold_the_truth(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    maker = RecordMaker(tmp_path / "r.farend", seconds=200, up=("bms",), text=QUICK)
    maker.plan("b.leak")
    truth = []
    for number in range(20):
        raised, lag, visible = 5 + 9 * number + rng.random(), rng.uniform(0.05, 0.3), rng.uniform(0.2, 2.0)
        maker.step(f"{number:04d}", "b.leak", Step.RAISE, raised)
        maker.shows("b.leak", raised + lag, raised + lag + visible)
        truth.append((lag, visible))
    row = trials_of(maker.close())["b.leak@leak"]
    assert row.ends_by_itself
    assert row.count(Shown.SHOWN) == 20
    for one, (lag, visible) in zip(row.trials, truth, strict=True):
        assert one.latency is not None
        assert isinstance(one.visible, Seen)
        assert one.latency.lo <= lag * S <= one.latency.hi
        assert bounds_of(one.visible).lo <= visible * S <= bounds_of(one.visible).hi
    assert len(row.phases) == 20
    assert summarise(row).visible is not None


def test_what_fell_between_polls_is_unseen_and_stays_in(tmp_path: Path) -> None:
    text = QUICK.replace("lasts: 2 s +/- 100 ms", "lasts: 60 ms +/- 40 ms").replace(
        "gone within: 2 s", "gone within: 4 s"
    )
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms",), text=text)
    maker.plan("b.leak")
    for number in range(3):
        raised = 5.02 + 15 * number
        maker.step(f"{number:04d}", "b.leak", Step.RAISE, raised)
        if number:  # 5.22 to 5.28 lies between two polls; the others are met by many
            maker.shows("b.leak", raised + 0.2, raised + 1.2)
        else:
            maker.shows("b.leak", raised + 0.2, raised + 0.26)
    row = trials_of(maker.close())["b.leak@leak"]
    unseen = row.trials[0]
    assert (unseen.verdict, unseen.shown) == (Verdict.UNRESOLVED, Shown.UNSEEN)
    assert isinstance(unseen.visible, Unseen)
    assert unseen.visible.onset.lo == unseen.raised.lo
    assert 60 * MS <= unseen.visible.widest_gap_ns <= 110 * MS
    assert row.count(Shown.SHOWN) == 2


def test_a_proven_miss_is_a_miss_and_its_visible_time_may_be_nothing(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms",))
    maker.plan("b.leak")
    maker.stimulus("0001", "b.leak", 5, None, shows="")
    maker.step("0002", "b.leak", Step.RAISE, 25)
    maker.shows("b.leak", 25.2, 27.2)
    row = trials_of(maker.close())["b.leak@leak"]
    assert [it.shown for it in row.trials] == [Shown.MISSED, Shown.SHOWN]
    assert row.trials[0].latency is None
    assert row.trials[0].visible is not None
    assert bounds_of(row.trials[0].visible).lo == 0


def test_what_was_on_before_the_raise_is_in_doubt_and_left_out(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms",))
    maker.plan("a.low")
    maker.shows("a.low", 1, 20)
    maker.step("0001", "a.low", Step.RAISE, 10)
    maker.step("0001", "a.low", Step.CLEAR, 19.9)
    maker.stimulus("0002", "a.low", 30, 35)
    row = trials_of(maker.close())["a.low@low"]
    assert [it.shown for it in row.trials] == [Shown.LEFT_OUT, Shown.SHOWN]
    assert row.trials[0].latency is None
    assert not row.ends_by_itself


def test_a_printed_line_that_was_promised_and_did_not_come_was_on_for_no_time(tmp_path: Path) -> None:
    maker = RecordMaker(tmp_path / "r.farend", seconds=60, up=("bms", "log"))
    maker.plan("a.low", links=("log",))
    maker.stimulus("0001", "a.low", 5, 10)
    maker.line(5.1, "24-11 23:51:12 ON  A LOW")
    maker.line(10.1, "24-11 23:51:17 OFF A LOW")
    maker.stimulus("0002", "a.low", 30, 35)
    maker.line(55, "24-11 23:52:02 OFF B LEAK")
    row = trials_of(maker.close())["a.low@low-printed"]
    first, second = row.trials
    assert first.shown is Shown.SHOWN
    assert second.shown in (Shown.MISSED, Shown.LEFT_OUT, Shown.UNSEEN)
    assert row.phases == ()
    if second.shown is Shown.MISSED:
        assert second.visible is not None
        assert bounds_of(second.visible).hi == 0


def test_a_declared_output_delay_says_when_it_came_on_unless_what_was_seen_denies_it(tmp_path: Path) -> None:
    for delay, width in (("100 ms to 250 ms", 170), ("10 ms to 20 ms", 110)):
        text = QUICK.replace("poll every: 100 ms,", f"poll every: 100 ms, output delay: {delay},")
        maker = RecordMaker(tmp_path / f"{width}.farend", seconds=60, up=("bms",), text=text)
        maker.plan("b.leak")
        for number in range(2):
            maker.step(f"{number:04d}", "b.leak", Step.RAISE, 5 + 9.01 * number)
            maker.shows("b.leak", 5.2 + 9.01 * number, 7.2 + 9.01 * number)
        row = trials_of(maker.close())["b.leak@leak"]
        assert row.is_delay_declared
        for one in row.trials:
            assert isinstance(one.visible, Seen)
            assert one.visible.onset.width <= width * MS
            assert bounds_of(one.visible).lo <= 2 * S <= bounds_of(one.visible).hi


@pytest.mark.parametrize("seed", [4])
def test_raises_in_step_with_a_gateway_are_told_and_spread_ones_are_not(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    text = QUICK.replace(
        "  door:",
        '  field: {modbus-tcp: "127.0.0.1:8", numbering: from-0, poll every: 1 s, timeout: 200 ms}\n  door:',
        1,
    )
    text = text.replace("poll every: 100 ms,", "poll every: 100 ms, behind: field, device polls every: 500 ms,", 1)
    for name, spread in (("spread", 1.0), ("step", 0.1)):
        maker = RecordMaker(tmp_path / f"{name}.farend", seconds=200, up=("bms",), text=text)
        maker.plan("b.leak")
        for number in range(20):
            raised = 5 + 9 * number + 0.5 * spread * rng.random()
            maker.step(f"{number:04d}", "b.leak", Step.RAISE, raised)
            maker.shows("b.leak", raised + 0.2, raised + 2.2)
        told = summarise(trials_of(maker.close())["b.leak@leak"])
        assert told.is_in_step is (name == "step")
