"""Trials that depend on what came of those before."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import Any

import pytest

from harness.core.errors import UsageError
from harness.core.instants import Bounds
from harness.core.model import Result
from harness.core.verdicts import Verdict
from harness.correlate.sweeps import Try
from harness.measure.shortest_shown import Answer
from harness.run.order import Item, Selection, plan_of
from harness.run.steering import BARREN_MAX, outcome_of
from harness.run.trials import Claim, Search
from tests.peers.trace_bench import Bench

MS = 1_000_000


def item_and_points(outputs: int = 2) -> tuple[Item, list[str]]:
    bench = Bench()
    bench.alarm("a0")
    names = [f"bms.p{number}" for number in range(outputs)]
    for number, name in enumerate(names):
        bench.input(name, 10 + number)
        bench.row("a0", name)
    (item,) = plan_of(bench.site(), Selection(only=("a0",)))
    return item, names


def results(item: Item, verdicts: list[Verdict]) -> list[Result]:
    return [
        Result(expectation=row.key, alarm=row.alarm, point=row.point, stimulus="1", verdict=verdict)
        for row, verdict in zip(item.loud, verdicts, strict=True)
    ]


def test_trials_stop_once_the_claim_is_decided_for_every_output() -> None:
    item, _ = item_and_points()
    steering = Claim(share=0.8, trials_max=100).steering([item])
    raised = 0
    ahead = deque([item] * 100)
    while True:
        steering.plan(ahead)
        if not ahead:
            break
        ahead.popleft()
        raised += 1
        second = Verdict.MISSED if raised == 3 else Verdict.ON_TIME  # refuted at once; the first goes on to its proof
        steering.judged(results(item, [Verdict.ON_TIME, second]))
    assert raised == 14, "0.8^14 is below 5 %"


def test_no_result_at_all_stops_nothing() -> None:
    item, _ = item_and_points()
    steering = Claim(share=0.8, trials_max=100).steering([item])
    ahead = deque([item] * 3)
    for _ in range(3):
        steering.plan(ahead)
        assert ahead
    steering.judged(results(item, [Verdict.UNRESOLVED, Verdict.UNRESOLVED]))
    steering.plan(ahead)
    assert ahead


def test_each_output_is_searched_with_tries_of_its_own() -> None:
    item, points = item_and_points()
    search = Search(share=0.8, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=200)
    steering = search.steering([item])
    ahead = deque([replace(item, held_ns=1_000 * MS)] * 400)
    asked: dict[str, list[int]] = {name: [] for name in points}
    threshold = {points[0]: 400 * MS, points[1]: 100 * MS}
    while True:
        steering.plan(ahead)
        if not ahead:
            break
        held_ns = ahead.popleft().held_ns or 0
        asked[steering.asking].append(held_ns)
        tries = [
            Try(
                stimulus="1", alarm="a0", point=name, asked_ns=held_ns, held=Bounds.exactly(held_ns),
                shown=held_ns >= threshold[name],
            )
            for name in points
        ]  # fmt: skip
        told = steering.tried(replace(item, held_ns=held_ns), tries)
        assert f"as {steering.asking} asks" in told
    for name in points:
        assert min(asked[name]) == 10 * MS
        assert threshold[name] <= asked[name][-1] * 1.2
    assert asked[points[0]], "the first output is searched first"


def test_a_search_whose_alarm_is_never_raised_ends() -> None:
    """Refused by the device, or skipped: asked for without end, nobody would ever be told."""
    item, _ = item_and_points()
    steering = Search(share=0.8, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=200).steering([item])
    ahead = deque([replace(item, held_ns=1_000 * MS)] * 400)
    asked = 0
    while asked < 100:
        steering.plan(ahead)
        if not ahead:
            break
        ahead.popleft()
        asked += 1
    assert asked == BARREN_MAX


def test_a_try_of_which_nothing_was_read_cannot_be_told() -> None:
    outcome = outcome_of(5 * MS, [], "bms.p0")
    assert outcome.answer is Answer.UNKNOWN


def test_what_cannot_be_decided_is_said_before_anything_is_raised() -> None:
    with pytest.raises(UsageError, match="at least"):
        Search(share=0.99, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=20)
    with pytest.raises(UsageError, match="search for the shortest alarm"):
        Search(share=0.99999999, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=10_000)
    with pytest.raises(UsageError, match=r"--good 90 %: expected more than the claim of"):
        Claim(share=0.95, trials_max=100, good=0.9)
    assert Claim(share=0.95, trials_max=100).needed == 59
    assert Claim(share=0.95, trials_max=400, good=0.99).needed > 59


def test_claims_and_searches_come_back_from_a_record_as_they_were() -> None:
    claim = Claim(share=0.95, trials_max=100, misses_allowed=1)
    search = Search(share=0.8, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=200)
    assert Claim.of(claim.to_data()) == claim
    assert Search.of(search.to_data()) == search


@pytest.mark.parametrize(
    "claim",
    [
        {"share": 0.9999999},
        {"share": 0.99999999999},
        {"share": 0.5, "misses_allowed": 10**9},
        {"share": 0.5, "good": 0.9, "trials_max": 10**9},
    ],
)
def test_a_claim_that_nobody_lives_to_see_proven_is_refused_at_once(claim: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="at most 100,000 trials"):
        Claim(**{"trials_max": 100, **claim})
