"""Alarm histories drawn at random with their truth: what is not healthy never passes, what is healthy never fails."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.measure.alarm_history import Clock, Entry, Found, History, Reconciled, Simulated
from harness.measure.matching import best_matching
from harness.measure.reconcile import reconcile

S, MS = NS_PER_S, NS_PER_MS
WITHIN_S = 120
END_S = 1000
TOLERANCE_S = 8
"""What two entries leave open of the clock together: each 2 s late, a step of 1 s cut or rounded, the raise, drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    simulated: tuple[Simulated, ...]
    entries: tuple[Entry, ...]
    cleared: tuple[Entry, ...]
    offset_ns: int

    def reconciled(self) -> Reconciled:
        clock = Clock(within=Bounds(-WITHIN_S * S, WITHIN_S * S), middle_ns=END_S * S // 2)
        history = History(raised=self.entries, cleared=self.cleared)
        return reconcile(self.simulated, history, clock, Bounds(0, END_S * S))


def written(alarm: str, true_ns: int, offset_ns: int) -> Entry:
    at = (true_ns + offset_ns) // S * S
    return Entry(where="", text=alarm, alarms=frozenset({alarm}), written_ns=at)


@st.composite
def truths(draw: st.DrawFn, apart_s: int = 1) -> Truth:
    """Up to eight raises of three alarms, one after the other, each written up to 2 s late by a clock that is off."""
    offset_ns = draw(st.integers(-(WITHIN_S - 5) * S, (WITHIN_S - 5) * S))
    at = 50 * S
    simulated, entries, cleared = [], [], []
    for number in range(draw(st.integers(1, 8))):
        at += draw(st.integers(apart_s, 80)) * S + draw(st.integers(0, 999)) * MS
        lasts = draw(st.integers(1, 20)) * S
        alarm = draw(st.sampled_from(["a", "b", "c"]))
        raised = Bounds(at, at + draw(st.integers(0, 400)) * MS)
        end = Bounds(raised.hi + lasts, raised.hi + lasts + 20 * MS)
        simulated.append(Simulated(stimulus=f"{number}", alarm=alarm, at=raised, cleared=end))
        late = st.integers(0, 2000).map(lambda ms: ms * MS)
        entries.append(written(alarm, raised.lo + draw(late), offset_ns))
        cleared.append(written(alarm, end.lo + draw(late), offset_ns))
        at = end.hi
    return Truth(
        simulated=tuple(simulated),
        entries=tuple(draw(st.permutations(entries))),
        cleared=tuple(cleared) if draw(st.booleans()) else (),
        offset_ns=offset_ns,
    )


@given(truths())
def test_a_healthy_history_never_differs(truth: Truth) -> None:
    found = truth.reconciled()
    assert not found.differs
    assert {it.found for it in found.simulated} <= {Found.MATCHED, Found.UNTOLD}
    reasons = [it.reason for it in found.simulated] + [it.reason for it in found.entries]
    if len(truth.simulated) > 1 or truth.cleared:
        assert found.is_certain or "equally good" in " ".join(reasons)
    for regime in found.regimes:
        assert regime.offset.lo - 2 * S <= truth.offset_ns <= regime.offset.hi + 2 * S


@given(truths(), st.data())
def test_one_that_is_missing_never_passes(truth: Truth, data: st.DataObject) -> None:
    gone = data.draw(st.integers(0, len(truth.entries) - 1))
    left = truth.entries[:gone] + truth.entries[gone + 1 :]
    found = replace(truth, entries=left).reconciled()
    assert not found.is_certain
    assert found.differs or found.why_untold


@given(truths(), st.sampled_from(["a", "b", "c", "d"]), st.integers(50, END_S - 50))
def test_one_too_many_never_passes(truth: Truth, alarm: str, at_s: int) -> None:
    """Inside the test by more than is known of the clock: wherever it stands, and whatever it is of."""
    more = replace(truth, entries=(*truth.entries, written(alarm, at_s * S, truth.offset_ns)))
    assert not more.reconciled().is_certain


@given(truths(apart_s=50), st.data())
def test_a_real_alarm_in_place_of_a_simulated_one_never_passes(truth: Truth, data: st.DataObject) -> None:
    """Missing, and real at another time: only as near as the clock is known does it count as the same."""
    gone = data.draw(st.integers(0, len(truth.entries) - 1))
    moved = truth.entries[gone]
    assert moved.written_ns is not None
    by = data.draw(st.integers(TOLERANCE_S, 40)) * data.draw(st.sampled_from([-1, 1])) * S
    entries = list(truth.entries)
    entries[gone] = replace(moved, written_ns=moved.written_ns + by)
    found = replace(truth, entries=tuple(entries), cleared=()).reconciled()
    if len(truth.simulated) > 2:  # of two, neither says which of them was moved
        assert not found.is_certain


def test_the_matching_is_that_of_all_permutations() -> None:
    """Against every way of matching up to five with five; and what is exchangeable is what some best one leaves out."""

    @settings(max_examples=150, deadline=None)
    @given(st.lists(st.sets(st.integers(0, 3)).map(sorted), min_size=1, max_size=4))
    def check(edges: list[list[int]]) -> None:
        best = best_matching(edges)
        most, left_out = 0, set[frozenset[int]]()
        for order in permutations([*range(4), *[None] * len(edges)], len(edges)):
            pairs = {left: right for left, right in enumerate(order) if right is not None}
            if all(right in edges[left] for left, right in pairs.items()):
                free = frozenset(set(range(len(edges))) - set(pairs))
                if len(pairs) > most:
                    most, left_out = len(pairs), set()
                if len(pairs) == most:
                    left_out.add(free)
        assert len(best.right_of) == most
        reachable = frozenset().union(*best.exchangeable.values()) if best.exchangeable else frozenset()
        assert reachable == frozenset().union(*left_out)

    check()
