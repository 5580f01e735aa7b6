"""The search for the shortest alarm that is reliably shown: what it proves, and how often it is wrong."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log

import numpy as np
import pytest

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.measure.binomial import cumulative
from harness.measure.proportions import clopper_pearson, success_run
from harness.measure.shortest_shown import Answer, Finding, Outcome, ShortestShown

MS = NS_PER_MS
Curve = Callable[[int], float]


def searching(share: float = 0.8, tries_max: int = 150, confidence: float = 0.9) -> ShortestShown:
    """From 10 ms to 10 s."""
    return ShortestShown(
        share=share, confidence=confidence, longest_ns=10 * NS_PER_S, shortest_ns=10 * MS, tries_max=tries_max
    )


def played(search: ShortestShown, curve: Curve, rng: np.random.Generator, unknown: float = 0.0) -> list[Outcome]:
    """Every length that is asked for, held; ``unknown``: of what is lost, so much cannot be told."""
    outcomes: list[Outcome] = []
    while (held := search.next_ns(outcomes)) is not None:
        answer = Answer.SHOWN if rng.random() < curve(held) else Answer.LOST
        if answer is Answer.LOST and rng.random() < unknown:
            answer = Answer.UNKNOWN
        outcomes.append(Outcome(held_ns=held, answer=answer))
    return outcomes


def polled(period_ns: int) -> Curve:
    """A poll at a random phase meets a state that is held for d with chance min(1, d/period)."""
    return lambda held: min(1.0, held / period_ns)


def logistic(middle_ns: int, width_ns: int) -> Curve:
    """Half are shown at the middle."""
    return lambda held: 1.0 / (1.0 + exp(-(held - middle_ns) / width_ns))


CURVES: list[tuple[str, Curve, float]] = [
    ("poll of 1 s", polled(NS_PER_S), 0.8 * NS_PER_S),
    ("poll of 70 ms", polled(70 * MS), 0.8 * 70 * MS),
    ("step at 333 ms", lambda held: float(held >= 333 * MS), 333 * MS),
    ("step to just too few", lambda held: 0.79 if held >= 100 * MS else 0.0, FOREVER),
    ("just too few of any length", lambda _: 0.7999, FOREVER),
    ("just enough of any length", lambda _: 0.8, 0.0),
    ("logistic", logistic(400 * MS, 50 * MS), (400 + 50 * log(4)) * MS),
]


@pytest.mark.parametrize(("name", "curve", "truth_ns"), CURVES, ids=[it[0] for it in CURVES])
def test_the_stated_confidence_holds(name: str, curve: Curve, truth_ns: float) -> None:
    """60 searches at 90 %: 6 wrong ones allowed on average; more than 14 would be 1 in 1,000."""
    assert cumulative(14, 60, 0.1) > 0.999
    rng = np.random.default_rng(len(name))
    search = searching()
    wrong = 0
    for _ in range(60):
        found = search.finding(played(search, curve, rng))
        assert found.tries <= 150
        wrong += (found.reliable_ns is not None and found.reliable_ns < truth_ns) or (
            found.lost_ns is not None and found.lost_ns >= truth_ns
        )
    assert wrong <= 14


@pytest.mark.parametrize(("name", "curve", "truth_ns"), [CURVES[0], *CURVES[3:5]], ids=["poll", "step", "any length"])
def test_the_stated_confidence_holds_where_tries_are_short(name: str, curve: Curve, truth_ns: float) -> None:
    """The last proof that can be afforded is at the longest length: one attempt more, with its part of the error."""
    rng = np.random.default_rng(len(name))
    search = searching(tries_max=60)
    found = [search.finding(played(search, curve, rng)) for _ in range(60)]
    wrong = sum(it.reliable_ns is not None and it.reliable_ns < truth_ns for it in found)
    assert wrong + sum(it.lost_ns is not None and it.lost_ns >= truth_ns for it in found) <= 14


def test_it_finds_what_there_is_to_find() -> None:
    """A poll of 70 ms: proven within a third above it, and lost below; a step within one step of the search."""
    rng = np.random.default_rng(4)
    search = searching(share=0.95, tries_max=400, confidence=0.95)
    found = [search.finding(played(search, polled(70 * MS), rng)) for _ in range(12)]
    assert sum(it.reliable_ns is not None and it.reliable_ns < 93 * MS for it in found) >= 9
    assert sum(it.lost_ns is not None and it.lost_ns >= 15 * MS for it in found) >= 9
    step = search.finding(played(search, lambda held: float(held >= 333 * MS), rng))
    assert step.reliable_ns is not None
    assert step.lost_ns is not None
    assert 333 * MS <= step.reliable_ns <= 333 * 1.1 * MS
    assert step.lost_ns < 333 * MS <= step.lost_ns * 1.2
    assert step.is_over


def test_a_proof_is_at_least_the_success_run_and_within_clopper_and_pearson() -> None:
    """More than the 59 of one look, since longer lengths may yet be tried; its bound alone is above what is claimed."""
    search = searching(share=0.95, tries_max=400, confidence=0.95)
    found = search.finding(played(search, lambda _: 1.0, np.random.default_rng(1)))
    assert found.reliable is not None
    assert (found.reliable_ns, found.lost_ns) == (10 * MS, None)
    assert found.reliable.shown == found.reliable.tries == search.tries_min == success_run(0.95, confidence=1 - 0.016)
    assert clopper_pearson(81, 81).low > 0.95


def test_with_few_tries_the_longest_is_proven_rather_than_nothing() -> None:
    search = searching(share=0.95, tries_max=81, confidence=0.95)
    found = search.finding(played(search, lambda _: 1.0, np.random.default_rng(1)))
    assert (found.reliable_ns, found.tries) == (10 * NS_PER_S, 81)
    one = ShortestShown(share=0.9, longest_ns=5, shortest_ns=5, tries_max=500)
    assert one.finding(played(one, lambda _: 1.0, np.random.default_rng(1))).reliable_ns == 5


def test_what_never_shows_is_said_soon() -> None:
    search = searching(share=0.95, tries_max=400, confidence=0.95)
    found = search.finding(played(search, lambda _: 0.0, np.random.default_rng(1)))
    assert found.reliable is None
    assert found.lost is not None
    assert found.lost_ns == 10 * NS_PER_S
    assert found.lost.shown == 0
    assert found.tries <= 5


def test_what_cannot_be_told_is_never_shown_and_never_lost() -> None:
    """All unknown: nothing is proven. Lost or unknown: never reliable."""
    search = searching()
    nothing = search.finding(played(search, lambda _: 0.0, np.random.default_rng(1), unknown=1.0))
    assert (nothing.reliable_ns, nothing.lost_ns) == (None, None)
    assert nothing.unknown == nothing.tries > 0
    rng = np.random.default_rng(2)
    wrong = sum(
        search.finding(played(search, lambda _: 0.75, rng, unknown=0.9)).reliable_ns is not None for _ in range(40)
    )
    assert wrong <= 10


def held_as(bounds: Callable[[int], Bounds]) -> Finding:
    """A step at 333 ms, the alarm held otherwise than asked."""
    search = searching()
    outcomes: list[Outcome] = []
    while (asked := search.next_ns(outcomes)) is not None:
        held = bounds(asked)
        answer = Answer.SHOWN if held.lo >= 333 * MS else Answer.LOST
        outcomes.append(Outcome(held_ns=asked, answer=answer, held=held))
    return search.finding(outcomes)


def test_a_finding_stands_for_what_was_held_and_not_for_what_was_asked() -> None:
    """Held up to 20 ms longer than asked: reliable is the longest that it may have been, lost the shortest."""
    exact = held_as(Bounds.exactly)
    later = held_as(lambda asked: Bounds(asked + 5 * MS, asked + 20 * MS))
    assert exact.reliable_ns is not None
    assert later.reliable_ns is not None
    assert later.lost_ns is not None
    assert exact.reliable_ns >= 333 * MS
    assert later.reliable_ns >= 348 * MS
    assert later.lost_ns < 333 * MS
    unknown = held_as(lambda asked: Bounds(asked, FOREVER))
    assert (unknown.reliable_ns, unknown.lost_ns) == (None, None)


def test_the_same_outcomes_ask_for_the_same_and_others_prove_nothing() -> None:
    """Tries that nobody asked for are counted, and the search goes on where it was."""
    search = searching()
    outcomes = played(search, polled(NS_PER_S), np.random.default_rng(3))
    cut = outcomes[:17]
    assert search.next_ns(cut) == outcomes[17].held_ns
    stray = Outcome(held_ns=12_345, answer=Answer.SHOWN)
    assert search.next_ns([*cut, *[stray] * 50]) == outcomes[17].held_ns
    assert search.finding([*cut, *[stray] * 50]).tries == 67
    assert search.next_ns([*cut, *[stray] * 200]) is None


def test_numbers_that_are_none() -> None:
    with pytest.raises(ValueError, match=r"share=95: expected one between 0 and 1; write 0\.95"):
        searching(share=95)
    with pytest.raises(ValueError, match=r"tries_max=50: expected at least 81; fewer cannot prove 0\.95"):
        searching(share=0.95, tries_max=50, confidence=0.95)
    with pytest.raises(ValueError, match="expected 0 < shortest <= longest"):
        ShortestShown(share=0.9, longest_ns=5, shortest_ns=6, tries_max=500)


@pytest.mark.parametrize("share", [0.8, 0.95])
def test_a_length_that_is_always_shown_is_proven_whatever_the_search_spent_before(share: float) -> None:
    """What holds off the proof is a poll that shows shorter lengths most of the time: 1 s is all that is always shown.

    With any number of tries that can prove something at all, and in every one of the seeded searches.
    """
    least = searching(share=share, tries_max=400, confidence=0.95).tries_min
    for tries_max in (least, least + 1, least + 5, least + 21, 2 * least, 2 * least + 12, 4 * least):
        search = searching(share=share, tries_max=tries_max, confidence=0.95)
        for seed in range(4):
            found = search.finding(played(search, polled(NS_PER_S), np.random.default_rng(seed)))
            assert found.reliable is not None, (tries_max, seed)
            assert found.tries <= tries_max


def test_a_shorter_length_is_proven_from_as_many_tries_as_are_named() -> None:
    """One fewer, and only the longest is: and what shows all the same is told, though it proves nothing."""
    enough = searching(confidence=0.95).tries_for_shorter

    def found_with(tries_max: int) -> Finding:
        search = searching(tries_max=tries_max, confidence=0.95)
        return search.finding(played(search, lambda held: float(held >= 20 * MS), np.random.default_rng(1)))

    assert enough == 19 + 22 + 6
    few, more = found_with(enough - 1), found_with(enough + 4)
    assert few.reliable_ns == 10 * NS_PER_S
    assert few.hopeful is not None
    assert few.hopeful.held_ns < NS_PER_S
    assert few.hopeful.shown == few.hopeful.tries == 3
    assert more.reliable_ns is not None
    assert more.reliable_ns < NS_PER_S


def test_what_was_shown_at_the_longest_length_is_told() -> None:
    search = searching(confidence=0.95)
    found = search.finding(played(search, lambda _: 0.7, np.random.default_rng(1)))
    assert found.reliable is None
    assert found.longest is not None
    assert found.longest.held_ns == 10 * NS_PER_S
    assert 0 < found.longest.shown < found.longest.tries
    assert search.finding([]).longest is None


def test_how_many_tries_it_usually_takes_is_what_a_search_takes_that_meets_a_sharp_edge() -> None:
    search = ShortestShown(share=0.8, longest_ns=5_000, shortest_ns=20, tries_max=400)
    assert search.tries_min < search.tries_usual < 100, "and not all the tries that it may take"
    edge = (5_000 * 20) ** 0.5
    outcomes: list[Outcome] = []
    while (held_ns := search.next_ns(outcomes)) is not None:
        outcomes.append(Outcome(held_ns=held_ns, answer=Answer.SHOWN if held_ns >= edge else Answer.LOST))
    assert search.finding(outcomes).tries == search.tries_usual
    assert search.finding(outcomes).tries_left == 400 - search.tries_usual
