"""The judgement of a record does not depend on the order in which stimuli arrive, nor on their numbers."""

from __future__ import annotations

import itertools
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.model import Judgement, Limits, Stimulus
from harness.correlate.engine import correlate
from harness.correlate.evidence import Evidence
from tests.peers.trace_bench import MS, Bench

LIMITS = Limits(appears_within_ns=600 * MS, gone_within_ns=600 * MS, search_ns=2000 * MS, settle_ns=300 * MS)
RAISES = st.lists(
    st.tuples(
        st.sampled_from((1000, 1000, 1400, 4000)), st.sampled_from(("a0", "a1", "a2")), st.sampled_from((700, 1500))
    ),
    min_size=2,
    max_size=4,
    unique_by=lambda it: it[:2],
)
SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=3)


def told(judgement: Judgement, stimuli: tuple[Stimulus, ...]) -> tuple[object, ...]:
    """The judgement without the ids of stimuli."""
    raised = {it.id: (it.alarm, it.raised, it.cleared) for it in stimuli}
    results = {
        (raised[it.stimulus], it.expectation): (
            it.verdict, it.also, it.onset, it.end, it.latency, it.visible, tuple(cause.code for cause in it.causes)
        )
        for it in judgement.results
    }  # fmt: skip
    strays = tuple((it.point, it.onset, it.end, tuple(cause.code for cause in it.causes)) for it in judgement.strays)
    return results, strays


@settings(max_examples=250, deadline=None, derandomize=True)
@given(RAISES, SPANS, SPANS, st.sampled_from((None, "a1")))
def test_order_of_arrival_and_numbers_of_equal_times(
    raises: list[tuple[int, str, int]],
    own: list[tuple[int, int]],
    common: list[tuple[int, int]],
    brought: str | None,
) -> None:
    bench = Bench()
    bench.end_ms = 8000
    bench.alarm("a0", brings=() if brought is None else (brought,))
    bench.alarm("a1")
    bench.alarm("a2")
    for number, name in enumerate(("a0", "a1", "a2")):
        bench.input(f"bms.{name}", number)
        bench.row(name, f"bms.{name}", limits=LIMITS)
    bench.input("bms.common", 10)
    for name in ("a0", "a1", "a2"):
        bench.row(name, "bms.common", limits=LIMITS)
    for at, alarm, lasts in raises:
        bench.raised(alarm, at, clear=at + lasts)
    for start, length in own:
        bench.on("bms.a1", 100 * start, 100 * (start + length))
    for start, length in common:
        bench.on("bms.common", 100 * start, 100 * (start + length))
    site, evidence = bench.site(), bench.evidence()
    stimuli = evidence.stimuli
    first = told(correlate(site, evidence), stimuli)
    for order in itertools.permutations(range(len(stimuli))):
        renamed = tuple(replace(stimuli[at], id=f"s{number}") for number, at in enumerate(order))
        again = correlate(site, Evidence(stimuli=renamed, traces=evidence.traces))
        assert told(again, renamed) == first
