"""Traces: runs of equal state, bounds tightened to the known order, and shapes that must fit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.trace import Trace


def build(
    lo: list[int],
    hi: list[int],
    on: list[bool],
    edge: list[bool] | None = None,
    sealed: list[bool] | None = None,
) -> Trace:
    return Trace.from_states(
        "p",
        np.array(lo, dtype=np.int64),
        np.array(hi, dtype=np.int64),
        np.array(on, dtype=np.bool_),
        edge=None if edge is None else np.array(edge, dtype=np.bool_),
        sealed=None if sealed is None else np.array(sealed, dtype=np.bool_),
    )


def test_nothing_was_read() -> None:
    trace = build([], [], [])
    assert len(trace) == 0
    assert trace.starts.tolist() == []
    assert trace.edges.tolist() == []
    assert trace.first_on is False


def test_runs_alternate() -> None:
    trace = build([1, 3, 5, 7, 9], [2, 4, 6, 8, 10], [False, True, True, False, True])
    assert trace.starts.tolist() == [0, 1, 3, 4]
    assert [trace.run_is_on(run) for run in range(4)] == [False, True, False, True]
    assert [trace.run_last(run) for run in range(4)] == [0, 2, 3, 4]


def test_a_trace_that_begins_on() -> None:
    trace = build([1, 3], [2, 4], [True, False])
    assert trace.first_on
    assert [trace.run_is_on(run) for run in range(2)] == [True, False]


def test_bounds_are_tightened_to_the_order() -> None:
    trace = build([1, 0, 4], [9, 3, 8], [False, True, False])
    assert trace.lo.tolist() == [1, 2, 4], "the second, of another state, was held at least 1 ns after the first"
    assert trace.hi.tolist() == [2, 3, 8], "the first was held at least 1 ns before the second"
    same = build([1, 0, 4], [9, 3, 8], [True, True, True])
    assert same.lo.tolist() == [1, 1, 4], "equal states may have been read at one instant"
    assert same.hi.tolist() == [3, 3, 8]


def test_an_order_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match=r"Trace p: sample 0 has lo=5 above hi=3 once put in order"):
        build([5, 1], [9, 3], [False, True])


def test_edges_belong_to_the_first_sample_of_a_run() -> None:
    trace = build([1, 3, 5, 7], [2, 4, 6, 8], [False, True, True, False], edge=[True, False, True, True])
    assert trace.edges.tolist() == [True, False, True], "an edge within a run changes nothing"


def test_without_edges_none_is_one() -> None:
    assert build([1, 3], [2, 4], [False, True]).edges.tolist() == [False, False]


def test_seals_are_kept() -> None:
    trace = build([1, 3], [2, 4], [False, True], sealed=[False, True])
    assert trace.sealed is not None
    assert trace.sealed.tolist() == [False, True]
    assert build([1], [2], [True]).sealed is None


@pytest.mark.parametrize(
    ("hi", "starts", "edges"),
    [([2], [0], [False]), ([2, 4], [0, 1], [False]), ([2, 4], [], []), ([2, 4], [1], [False])],
)
def test_shapes_that_do_not_fit_are_refused(hi: list[int], starts: list[int], edges: list[bool]) -> None:
    with pytest.raises(ValueError, match="Trace p: "):
        Trace(
            point="p",
            lo=np.array([1, 3], dtype=np.int64),
            hi=np.array(hi, dtype=np.int64),
            starts=np.array(starts, dtype=np.int64),
            first_on=False,
            edges=np.array(edges, dtype=np.bool_),
        )


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 5), st.booleans()), max_size=30))
def test_runs_give_the_states_back(samples: list[tuple[int, int, bool]]) -> None:
    """Whatever was read comes back sample by sample, within what was told, in an order that can be."""
    # Changes take a nanosecond: the true instants of the samples are that far apart.
    at = [instant + number for number, instant in enumerate(sorted(instant for instant, _, _ in samples))]
    lo = [instant - width for instant, (_, width, _) in zip(at, samples, strict=True)]
    hi = [instant + width for instant, (_, width, _) in zip(at, samples, strict=True)]
    on = [state for _, _, state in samples]
    trace = build(lo, hi, on)
    states: list[bool] = []
    for run in range(len(trace.starts)):
        assert int(trace.starts[run]) == len(states)
        states += [trace.run_is_on(run)] * (trace.run_last(run) + 1 - len(states))
    assert states == on
    assert all(a <= b <= c <= d for a, b, c, d in zip(lo, trace.lo.tolist(), trace.hi.tolist(), hi, strict=True))
    assert trace.lo.tolist() == sorted(trace.lo.tolist())
    assert trace.hi.tolist() == sorted(trace.hi.tolist())
    assert all(a <= instant <= b for a, instant, b in zip(trace.lo.tolist(), at, trace.hi.tolist(), strict=True))
