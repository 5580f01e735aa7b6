"""Two runs compared expectation by expectation, from trials made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.compare_runs import as_wide, compare_runs, widths_of
from harness.measure.run_comparison import (
    Asked,
    Compared,
    Finding,
    Kind,
    Lack,
    Method,
    Outcome,
    Pair,
    RowCompared,
    RunsCompared,
    Side,
)
from harness.measure.visible_time import Seen, Unseen

MS = NS_PER_MS
PASS, MISSED, LATE, OPEN = Verdict.ON_TIME, Verdict.MISSED, Verdict.LATE, Verdict.UNRESOLVED
CROSSED = Verdict.CROSSED


def times(*ms: float, width_ms: float = 20) -> tuple[Bounds, ...]:
    return tuple(Bounds(int(it * MS), int((it + width_ms) * MS)) for it in ms)


def side(*verdicts: Verdict, read: str = "read every 100 ms", **more: Any) -> Side:
    """A side of which every trial was measured, and none at any time."""
    missed = sum(it is MISSED for it in verdicts)
    unseen = sum(it is OPEN for it in verdicts)
    told: dict[str, Any] = {"measured": len(verdicts), "missed": missed, "unseen": unseen, **more}
    return Side(verdicts=verdicts, read=read, **told)


def timed(latencies: tuple[Bounds, ...], **more: Any) -> Side:
    return side(*[PASS] * len(latencies), latencies=latencies, **more)


def pair(before: Side | None, after: Side | None, name: str = "a", **more: Any) -> Pair:
    return Pair(key=f"{name}@p", alarm=name, point="p", link="bms", before=before, after=after, **more)


def compared(*pairs: Pair, **asked: Any) -> tuple[RowCompared, ...]:
    rng = np.random.default_rng(1)
    return compare_runs(pairs, Asked(**asked), rng).rows


def of(row: RowCompared, kind: Kind) -> Compared:
    return next(it for it in row.compared if it.kind is kind)


SPREAD = (0, 3, 7, 12, 18, 25, 33, 42, 52, 63)


def test_a_fail_that_was_none_before_is_seen_and_not_tested() -> None:
    """One against one: no test could say it, and it did fail."""
    (row,) = compared(pair(side(PASS), side(LATE)))
    assert row.outcome is Outcome.REGRESSED
    assert row.is_new_fail
    assert row.worse == ()


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        ([PASS], [PASS], Outcome.NOT_COMPARED),
        ([LATE], [PASS], Outcome.NOT_COMPARED),
        ([LATE], [LATE], Outcome.STILL_FAILS),
        ([LATE], [MISSED], Outcome.REGRESSED),
        ([LATE, LATE], [LATE, CROSSED], Outcome.REGRESSED),
        ([PASS, MISSED], [PASS, CROSSED], Outcome.STILL_FAILS),
        ([MISSED], [LATE], Outcome.STILL_FAILS),
        ([PASS, LATE], [PASS, LATE, LATE], Outcome.STILL_FAILS),
        ([OPEN], [PASS], Outcome.NOT_COMPARED),
        ([OPEN], [LATE], Outcome.REGRESSED),
        ([PASS], [OPEN], Outcome.UNKNOWN),
        ([OPEN], [OPEN], Outcome.UNKNOWN),
        ([LATE], [OPEN], Outcome.UNKNOWN),
        ([PASS], [PASS, OPEN], Outcome.UNKNOWN),
        ([PASS], [], Outcome.UNKNOWN),
        ([], [PASS], Outcome.CHANGED),
        ([], [LATE], Outcome.REGRESSED),
    ],
)
def test_verdicts_before_and_after(before: list[Verdict], after: list[Verdict], outcome: Outcome) -> None:
    (row,) = compared(pair(side(*before), side(*after)))
    assert row.outcome is outcome
    assert row.is_failing is (outcome in (Outcome.REGRESSED, Outcome.UNKNOWN))


def test_unknown_is_allowed_by_name_only() -> None:
    some, none = side(PASS, OPEN), side(OPEN, OPEN)
    cases: tuple[tuple[Side, dict[str, Any], bool], ...] = (
        (some, {}, True),
        (some, {"some_unknown_allowed": True}, False),
        (none, {"some_unknown_allowed": True}, True),
        (none, {"unknown_allowed": True}, False),
        (side(), {"some_unknown_allowed": True}, True),
        (side(), {"unknown_allowed": True}, False),
    )
    for after, more, fails in cases:
        (row,) = compared(pair(side(PASS), after, **more))
        assert row.is_failing is fails, (after, more)
    (row,) = compared(pair(side(PASS), side(LATE), unknown_allowed=True))
    assert row.is_failing, "a fail is never allowed as an unknown"


def test_a_row_that_vanished_is_no_longer_proven() -> None:
    cases: tuple[tuple[Side, dict[str, Any], Outcome], ...] = (
        (side(PASS), {}, Outcome.VANISHED),
        (side(LATE), {}, Outcome.VANISHED),
        (side(PASS), {"vanishing_allowed": True}, Outcome.ALLOWED),
        (side(), {}, Outcome.SAME),
    )
    for before, more, outcome in cases:
        (row,) = compared(pair(before, None, **more))
        assert row.outcome is outcome
    (row,) = compared(pair(None, side(PASS)))
    assert row.outcome is Outcome.ADDED
    (row,) = compared(pair(None, side(LATE)))
    assert row.outcome is Outcome.REGRESSED


def test_misses_by_fishers_exact_test() -> None:
    """R's fisher.test of 0 of 10 against 5 of 10, two-sided: 0.03251; SciPy's the same."""
    before, after = side(*[PASS] * 10), side(*[PASS] * 5, *[MISSED] * 5)
    (row,) = compared(pair(before, after))
    found = of(row, Kind.MISSES)
    assert found.chance == pytest.approx(float(stats.fisher_exact([[0, 10], [5, 5]]).pvalue))
    assert found.chance == pytest.approx(0.03251, abs=5e-6)
    assert found.is_worse
    assert found.adjusted == pytest.approx(2 * found.chance), "misses and fails are two tests"
    assert found.finding is Finding.OPEN
    (row,) = compared(pair(after, before))
    assert not of(row, Kind.MISSES).is_worse


def test_what_is_in_doubt_counts_against_a_change() -> None:
    """Nine unseen trials of ten may have shown: no evidence, where nine missed ones are."""
    before = side(*[PASS] * 10)
    (row,) = compared(pair(before, side(PASS, *[OPEN] * 9)))
    assert of(row, Kind.MISSES).chance == 1.0
    assert of(row, Kind.FAILS).chance == 1.0
    (row,) = compared(pair(before, side(PASS, *[MISSED] * 9)))
    assert of(row, Kind.MISSES).finding is Finding.WORSE
    (row,) = compared(pair(side(*[PASS] * 5, *[OPEN] * 5), side(*[MISSED] * 10)))
    certain = stats.fisher_exact([[5, 5], [10, 0]]).pvalue
    assert of(row, Kind.MISSES).chance == pytest.approx(float(certain))


def test_shares_without_any_hit_are_no_tests() -> None:
    """Whatever had come, nothing that never happened could differ: such tests cost nothing."""
    found = compare_runs(
        [pair(side(*[PASS] * 8), side(*[PASS] * 8), str(it)) for it in range(50)], Asked(), np.random.default_rng(1)
    )
    assert (found.tests, found.not_counted) == (0, 100)


def test_thousands_of_trials() -> None:
    """C(4000, 2000) is far above what a float holds."""
    (row,) = compared(pair(side(*[PASS] * 2000), side(*[PASS] * 1970, *[MISSED] * 30)))
    assert of(row, Kind.MISSES).finding is Finding.WORSE
    assert of(row, Kind.MISSES).chance == pytest.approx(float(stats.fisher_exact([[0, 2000], [30, 1970]]).pvalue))


def test_three_against_three_are_too_few() -> None:
    late = times(*(it + 500 for it in SPREAD[:3]))
    result = compare_runs([pair(timed(times(*SPREAD[:3])), timed(late))], Asked(), np.random.default_rng(1))
    (row,) = result.rows
    found = of(row, Kind.LATENCY)
    assert found.chance == pytest.approx(0.1)
    assert found.finding is Finding.TOO_FEW
    assert row.lack is Lack.FEW
    assert row.outcome is Outcome.NOT_COMPARED
    assert (result.alone, result.together) == (4, 4)


@pytest.mark.parametrize("alarms", [1, 2, 3, 5])
@pytest.mark.parametrize("before", [1, 2, 4, 6, 8])
@pytest.mark.parametrize("after", [1, 2, 3, 5, 8])
def test_what_is_told_as_compared_would_have_been_found(alarms: int, before: int, after: int) -> None:
    """The guard against a wrong pass: nothing that came ten seconds later is told as the same, unless it is told that
    its link is slower.
    """

    def outcome_of(slower: int) -> RunsCompared:
        """The first ``slower`` alarms come later."""
        pairs = [
            replace(
                pair(
                    timed(times(*SPREAD[:before])),
                    timed(times(*(ms + 10_000 * (it < slower) for ms in SPREAD[:after]))),
                ),
                key=f"{it}@p",
                alarm=str(it),
            )
            for it in range(alarms)
        ]
        return compare_runs(pairs, Asked(), np.random.default_rng(1))

    alike = outcome_of(0)
    assert {row.outcome for row in alike.rows} <= {Outcome.SAME, Outcome.NOT_COMPARED}
    assert not any(row.worse for row in alike.rows)
    for slower in (1, alarms):
        result = outcome_of(slower)
        worse = {row.outcome for row in result.rows[:slower]}
        assert result.slower_links or worse <= {Outcome.REGRESSED, Outcome.NOT_COMPARED}
        if all(row.lack is None and not row.by_link for row in result.rows):
            assert worse == {Outcome.REGRESSED}
        if min(before, after) >= alike.together:
            assert worse == {Outcome.REGRESSED}, "as many trials as it is said to take"
        if alike.for_links is not None and min(before, after) >= alike.for_links and slower == alarms:
            assert result.slower_links, "as many trials as it is said to take of a link as a whole"


@pytest.mark.parametrize(
    ("more", "lack"),
    [
        ({}, None),
        ({"latencies": times(400)}, Lack.WORSE),
        ({"latencies": times(60)}, None),
        ({"gone": times(900)}, Lack.WORSE),
        ({"gone": times(-900)}, None),
        ({"visible": (Seen(onset=Bounds(0, 0), end=Bounds(MS, MS)),)}, Lack.WORSE),
    ],
    ids=range(6),
)
def test_one_alarm_that_is_worse_for_certain_does_not_hide_in_its_link(more: dict[str, Any], lack: Lack | None) -> None:
    """Each once, of nine alarms of one link: eight are as they were."""
    whole = Seen(onset=Bounds(0, 0), end=Bounds(2000 * MS, 2000 * MS))
    before = timed(times(10), gone=times(100), visible=(whole,))
    pairs = [replace(pair(before, before), key=f"{it}@p", alarm=str(it)) for it in range(9)]
    pairs[4] = replace(pairs[4], after=replace(before, **more))
    rows = compare_runs(pairs, Asked(), np.random.default_rng(1)).rows
    assert [it.lack for it in rows] == [None] * 4 + [lack] + [None] * 4
    assert rows[4].outcome is (Outcome.SAME if lack is None else Outcome.NOT_COMPARED)


def test_how_many_trials_are_needed_among_many_tests() -> None:
    """4 against 4 would do for one test, 2/70; not for two at once."""
    one = pair(timed(times(*SPREAD[:4])), timed(times(*(it + 500 for it in SPREAD[:4]))))
    result = compare_runs([one], Asked(), np.random.default_rng(1))
    assert of(result.rows[0], Kind.LATENCY).finding is Finding.WORSE
    both = compare_runs([one, replace(one, key="b@p")], Asked(), np.random.default_rng(1))
    assert [of(row, Kind.LATENCY).finding for row in both.rows] == [Finding.TOO_FEW] * 2
    assert (both.tests, both.alone, both.together) == (2, 4, 5)


def test_slower_faster_and_by_how_much() -> None:
    before = timed(times(*SPREAD))
    slower, faster = timed(times(*(it + 300 for it in SPREAD))), timed(times(*(it - 300 for it in SPREAD)))
    (row,) = compared(pair(before, slower))
    found = of(row, Kind.LATENCY)
    assert (row.outcome, found.finding, found.method) == (Outcome.REGRESSED, Finding.WORSE, Method.ALIKE)
    assert found.difference is not None
    assert found.difference.lo <= 300 * MS <= found.difference.hi
    assert found.difference.lo > 150 * MS
    (row,) = compared(pair(before, faster))
    assert (row.outcome, of(row, Kind.LATENCY).finding) == (Outcome.CHANGED, Finding.BETTER)


def test_slower_by_less_than_it_is_worth_is_no_regression() -> None:
    before, after = timed(times(*SPREAD)), timed(times(*(it + 80 for it in SPREAD)))
    (row,) = compared(pair(before, after), worth_ns=50 * MS)
    assert row.outcome is Outcome.REGRESSED
    (row,) = compared(pair(before, after), worth_ns=300 * MS)
    assert (row.outcome, of(row, Kind.LATENCY).finding) == (Outcome.CHANGED, Finding.SLIGHT)


def test_no_evidence_of_a_change_is_not_evidence_of_none() -> None:
    before, after = timed(times(*SPREAD)), timed(times(*(it + 1 for it in SPREAD)))
    (row,) = compared(pair(before, after), worth_ns=200 * MS)
    assert of(row, Kind.LATENCY).finding is Finding.EQUAL
    (row,) = compared(pair(before, after), worth_ns=20 * MS)
    assert of(row, Kind.LATENCY).finding is Finding.OPEN


def test_visible_for_less_time_is_worse_and_going_off_later_is() -> None:
    def seen(ms: int) -> tuple[Seen, ...]:
        return tuple(
            Seen(onset=Bounds(it * MS, (it + 5) * MS), end=Bounds((it + ms) * MS, (it + ms + 5) * MS)) for it in SPREAD
        )

    before, after = timed(times(*SPREAD), visible=seen(900)), timed(times(*SPREAD), visible=seen(400))
    (row,) = compared(pair(before, after))
    assert of(row, Kind.VISIBLE).finding is Finding.WORSE
    difference = of(row, Kind.VISIBLE).difference
    assert difference is not None
    assert difference.hi < -400 * MS
    (row,) = compared(pair(after, before))
    assert of(row, Kind.VISIBLE).finding is Finding.BETTER
    late = tuple(it.shifted(300 * MS) for it in times(*SPREAD))
    (row,) = compared(pair(timed(times(*SPREAD), gone=times(*SPREAD)), timed(times(*SPREAD), gone=late)))
    assert [it.kind for it in row.worse] == [Kind.GONE]


def test_trials_that_nobody_saw_speak_of_short_visible_times() -> None:
    """Seen ten times for longer than two polls; then seen by one reading twice, and by none eight times."""

    def seen(ms: int) -> Seen:
        return Seen(onset=Bounds(0, 100 * MS), end=Bounds(ms * MS, (ms + 100) * MS))

    unseen = Unseen(onset=Bounds(0, 150 * MS), samples_ns=tuple(range(-100 * MS, 300 * MS, 100 * MS)))
    before = timed(times(*SPREAD), visible=(seen(300),) * 10)
    after = timed(times(*SPREAD), visible=(seen(110), seen(110), *(unseen,) * 8))
    (row,) = compared(pair(before, after))
    assert of(row, Kind.VISIBLE).finding is Finding.WORSE
    locked = replace(after, at_random=False)
    (row,) = compared(pair(before, locked))
    assert of(row, Kind.VISIBLE).difference is None, "bounds of visible times rest on raises at random"


def test_runs_that_were_read_otherwise_are_held_to_the_ends() -> None:
    """A slower poll alone makes late brackets: by the ends that is no change, and a real one still is."""
    before = timed(times(*SPREAD, width_ms=20))
    wider = timed(times(*SPREAD, width_ms=200), read="read every 500 ms")
    (row,) = compared(pair(before, wider))
    assert (of(row, Kind.LATENCY).method, of(row, Kind.LATENCY).chance) == (Method.ENDS, 1.0)
    unsaid = timed(times(*SPREAD, width_ms=200))
    (row,) = compared(pair(before, unsaid))
    assert of(row, Kind.LATENCY).method is Method.ENDS, "the brackets themselves tell"
    later = timed(times(*(it + 400 for it in SPREAD), width_ms=200), read="read every 500 ms")
    (row,) = compared(pair(before, later))
    assert of(row, Kind.LATENCY).finding is Finding.WORSE
    (row,) = compared(pair(before, timed(times(*SPREAD))), ends_only=True)
    assert of(row, Kind.LATENCY).method is Method.ENDS
    (row,) = compared(pair(before, timed(times(*SPREAD), locked=True)))
    assert of(row, Kind.LATENCY).method is Method.ENDS, "in step with the polls, at one phase, and that another one"


def test_brackets_that_are_about_as_wide_are_alike() -> None:
    assert as_wide(widths_of(times(1, 2, 3, width_ms=100)), widths_of(times(1, 2, 3, width_ms=120)))
    assert not as_wide(widths_of(times(1, 2, 3, width_ms=100)), widths_of(times(1, 2, 3, width_ms=130)))


def test_bounds_that_were_cut_at_0_are_no_other_reading() -> None:
    """A latency of 0 to 40 ms was left open as far as one of 60 to 160 ms, read by the same polls."""
    before = timed(times(*[0] * 10, width_ms=40), widths_ns=(100 * MS,) * 10)
    after = timed(times(*(it + 60 for it in SPREAD), width_ms=100), widths_ns=(100 * MS,) * 10)
    (row,) = compared(pair(before, after))
    assert (of(row, Kind.LATENCY).method, of(row, Kind.LATENCY).finding) == (Method.ALIKE, Finding.WORSE)
    (row,) = compared(pair(replace(before, widths_ns=()), replace(after, widths_ns=())))
    assert of(row, Kind.LATENCY).method is Method.ENDS


def test_holm_over_all_rows_and_kinds() -> None:
    """The smallest of so many chances is multiplied by all of them."""
    changed = pair(timed(times(*SPREAD[:6])), timed(times(*(it + 500 for it in SPREAD[:6]))))
    still = [
        pair(timed(times(*SPREAD[:6])), timed(times(*(it + 1 for it in SPREAD[:6]))), f"b{it}") for it in range(29)
    ]
    result = compare_runs([changed, *still], Asked(), np.random.default_rng(1))
    found = of(result.rows[0], Kind.LATENCY)
    assert result.tests == 31, "the link as a whole is one test more"
    assert found.adjusted == pytest.approx(31 * found.chance)
    assert found.chance == pytest.approx(2 / 924)
    assert found.finding is Finding.TOO_FEW, "2/924 is above 0.05/31, however far apart"


def test_false_alarms_over_all_expectations_of_alike_runs() -> None:
    """50 pairs of alike runs of 4 rows: at 5 % over all of them 2.5 are expected, more than 8 is 1 in 1,000."""
    rng = np.random.default_rng(30)

    def polled() -> Side:
        latencies = rng.normal(300, 40, 8)
        phases = rng.uniform(0, 100, 8)
        lows = (latencies - phases) // 100 * 100 + phases
        verdicts = [MISSED if it else PASS for it in rng.random(8) < 0.3]
        return side(*verdicts, latencies=times(*lows.tolist(), width_ms=105))

    called = 0
    for _ in range(50):
        result = compare_runs([pair(polled(), polled(), str(it)) for it in range(4)], Asked(), rng)
        called += any(it.is_significant for row in result.rows for it in row.compared)
    assert called <= 8


def test_the_worst_of_several_verdicts() -> None:
    assert side(PASS, OPEN, LATE).worst is VerdictClass.FAIL
    assert side(PASS, OPEN).worst is VerdictClass.UNKNOWN
    assert side(PASS).worst is VerdictClass.PASS
    assert side().worst is None


def one_trial(number: int, before_ms: float, after_ms: float, width_ms: float = 100) -> Pair:
    before, after = (timed(times(it, width_ms=width_ms)) for it in (before_ms, after_ms))
    return pair(before, after, f"a{number}")


def test_a_whole_link_is_slower_where_no_row_can_tell() -> None:
    """Each of eight alarms raised once before and once after: 2/2^8 for all of them, and never anything for one."""
    rng = np.random.default_rng(1)
    result = compare_runs([one_trial(it, 50 * it, 50 * it + 200) for it in range(8)], Asked(), rng)
    assert {of(row, Kind.LATENCY).finding for row in result.rows} == {Finding.TOO_FEW}
    (link,) = result.links
    assert (link.pairs, link.later, link.earlier, link.finding) == (8, 8, 0, Finding.WORSE)
    assert link.chance == pytest.approx(float(stats.binomtest(8, 8).pvalue))
    assert result.slower_links == (link,)
    faster = compare_runs([one_trial(it, 50 * it + 200, 50 * it) for it in range(8)], Asked(), rng)
    assert [it.finding for it in faster.links] == [Finding.BETTER]


def test_what_may_be_one_time_is_not_later_for_certain() -> None:
    """Brackets that touch count against a change; five pairs are never enough."""
    rng = np.random.default_rng(1)
    touching = compare_runs([one_trial(it, 50 * it, 50 * it + 100) for it in range(8)], Asked(), rng)
    assert [(it.later, it.chance, it.finding) for it in touching.links] == [(0, 1.0, Finding.OPEN)]
    few = compare_runs([one_trial(it, 50 * it, 50 * it + 200) for it in range(5)], Asked(), rng)
    assert [(it.later, it.finding) for it in few.links] == [(5, Finding.TOO_FEW)]
    some = compare_runs([one_trial(it, 50 * it, 50 * it + 200 * (it < 9)) for it in range(12)], Asked(), rng)
    assert some.links[0].chance == pytest.approx(float(stats.binomtest(9, 12).pvalue))
    assert some.links[0].finding is Finding.OPEN


def test_a_whole_link_that_is_slower_by_less_than_it_is_worth() -> None:
    rng = np.random.default_rng(1)
    pairs = [one_trial(it, 50 * it, 50 * it + 30, width_ms=5) for it in range(12)]
    assert compare_runs(pairs, Asked(worth_ns=20 * MS), rng).links[0].finding is Finding.WORSE
    assert compare_runs(pairs, Asked(worth_ns=100 * MS), rng).links[0].finding is Finding.SLIGHT
    still = [one_trial(it, 50 * it, 50 * it, width_ms=5) for it in range(12)]
    assert compare_runs(still, Asked(worth_ns=100 * MS), rng).links[0].finding is Finding.EQUAL


def test_a_link_is_not_shown_to_be_alike_where_an_alarm_comes_later_by_more_than_that() -> None:
    """A quarter of its alarms a second later: more than half that keep their times are not the link as a whole."""
    rng = np.random.default_rng(1)
    slowed = [one_trial(it, 50 * it, 50 * it + 30 + 1_000 * (it % 4 == 0), width_ms=5) for it in range(60)]
    (link,) = compare_runs(slowed, Asked(worth_ns=100 * MS), rng).links
    assert (link.later, link.is_within, link.finding) == (60, False, Finding.WORSE)
    some = [one_trial(it, 50 * it, 50 * it + 1_000 * (it % 4 == 0), width_ms=5) for it in range(60)]
    assert compare_runs(some, Asked(worth_ns=100 * MS), rng).links[0].finding is Finding.OPEN
    sooner = [one_trial(it, 50 * it + 1_000 * (it % 4 == 0), 50 * it, width_ms=5) for it in range(60)]
    assert compare_runs(sooner, Asked(worth_ns=100 * MS), rng).links[0].finding is Finding.OPEN


def test_times_of_one_phase_say_nothing_of_their_link() -> None:
    rng = np.random.default_rng(1)
    pairs = [one_trial(it, 50 * it, 50 * it + 200) for it in range(16)]
    in_step = [replace(it, after=replace(it.after, is_in_step=True)) for it in pairs[:8] if it.after is not None]
    (link,) = compare_runs([*in_step, *pairs[8:]], Asked(), rng).links
    assert (link.pairs, link.later) == (8, 8)
    in_step = [replace(it, before=replace(it.before, is_in_step=True)) for it in pairs if it.before is not None]
    assert compare_runs(in_step, Asked(), rng).links == ()


def test_an_alarm_counts_once_on_a_link() -> None:
    """A second row of it is of the same stimuli: no trial speaks twice."""
    rng = np.random.default_rng(1)
    twice = [replace(one_trial(it // 2, 50, 250), key=f"k{it}", point=f"p{it}") for it in range(12)]
    assert [it.pairs for it in compare_runs(twice, Asked(), rng).links] == [6]
    others = [replace(it, link="printer") for it in twice]
    assert [(it.link, it.pairs) for it in compare_runs([*twice, *others], Asked(), rng).links] == [
        ("bms", 6),
        ("printer", 6),
    ]
