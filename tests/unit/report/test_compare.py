"""A comparison as text, JSON and JUnit XML, from runs made by hand."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace

import junitparser
import numpy as np
import pytest
from rich.cells import cell_len

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.verdicts import ExitCode, Verdict
from harness.measure.compare_order import OrderChange, OrdersCompared
from harness.measure.compare_runs import compare_runs
from harness.measure.run_comparison import Asked, Finding, Kind, Pair, Side
from harness.report.compare_json import render_compare_json
from harness.report.compare_junit import render_compare_junit
from harness.report.compare_words import side_words
from harness.report.comparison import (
    ComparisonDocument,
    LinkAnswers,
    LinkCompared,
    MapChange,
    MapDifference,
    RunFacts,
    StrayChange,
)
from harness.report.text_compare import render_comparison

MS = NS_PER_MS
SPREAD = (0, 3, 7, 12, 18, 25, 33, 42)
STARTED_NS = 1_795_564_267 * NS_PER_S
PASS, MISSED = Verdict.ON_TIME, Verdict.MISSED
HOSTILE = "\x1b[2J\u202etank\n<b>&'\""


def run(name: str, firmware: str = "1.4.2") -> RunFacts:
    return RunFacts(
        name="",
        records=((f"{name}.farend", "ab" * 32),),
        firmware=(firmware,),
        started_utc_ns=STARTED_NS,
        ended_utc_ns=STARTED_NS + 60 * NS_PER_S,
        raised=8,
        alarms=8,
        watched_ns=60 * NS_PER_S,
    )


def side(shift_ms: int = 0, trials: int = 8, missed: int = 0, read: str = "read every 100 ms") -> Side:
    verdicts = (MISSED,) * missed + (PASS,) * (trials - missed)
    latencies = tuple(Bounds((it + shift_ms) * MS, (it + shift_ms + 20) * MS) for it in SPREAD[: trials - missed])
    return Side(verdicts=verdicts, missed=missed, measured=trials, latencies=latencies, read=read)


def pair(number: int, before: Side | None, after: Side | None, link: str = "bms") -> Pair:
    name, point = f"tank-{number}.high", f"{link}:{10000 + number}"
    return Pair(key=f"{name}@{point}", alarm=name, point=point, link=link, before=before, after=after)


def document(pairs: Sequence[Pair], *, asked: Asked | None = None, **more: object) -> ComparisonDocument:
    compared = compare_runs(pairs, asked or Asked(), np.random.default_rng(1))
    told = {"orders": OrdersCompared(changes=(), same=0, open=0), **more}
    return ComparisonDocument(
        title="Ashby pumping station (invented)",
        site="ashby",
        before=run("before", "1.4.1"),
        after=run("after"),
        compared=compared,
        **told,  # type: ignore[arg-type]  # by name
    )


def unfolded(text: str) -> str:
    return " ".join(text.split())


ALL = document(
    [
        pair(1, side(), side(400)),
        pair(2, side(), side(missed=8)),
        pair(3, side(), None),
        pair(4, side(), Side()),
        pair(5, side(400), side()),
        pair(6, side(), side(1)),
        pair(7, None, side()),
        pair(8, side(trials=3), side(400, trials=3), link="panel"),
        pair(9, side(), side(400, read="read every 50 ms")),
        pair(10, side(missed=3), side(missed=4)),
        replace(pair(11, side(), Side()), unknown_allowed=True),
    ],
    orders=OrdersCompared(
        changes=(OrderChange(alarm="tank-1.high", first="bms:10001", second="horn", before=(7, 8), after=(8, 8)),),
        same=3,
        open=2,
    ),
    map_differences=(
        MapDifference(change=MapChange.LOOSER, what="row tank-1.high@bms:10001", text="appears within 1 s -> 2 s"),
        MapDifference(change=MapChange.ONLY_AFTER, what="alarm tank-7.high", text="TANK 7 HIGH"),
    ),
    strays=(
        StrayChange(point="bms:10020", before=0, after=2, seen_utc_ns=STARTED_NS + 5 * NS_PER_S),
        StrayChange(point="bms:10021", before=3, after=0),
        StrayChange(point="bms:10022", before=3, after=1),
    ),
    renamed=("alarm tank-6.hi -> tank-6.high",),
    suggested=("points:", "  bms:10003: tank-3  # the same address"),
    notes=("a note",),
)


SAID = """
BEFORE: before.farend, firmware 1.4.1, 2026-11-24 23:51:07 UTC, 8 alarms raised

AFTER: after.farend, firmware 1.4.2,

note: a note

renamed: alarm tank-6.hi -> tank-6.high

likely renamed, and not taken so; if it is so, put these lines into a file for --renames: points:
bms:10003: tank-3 # the same address

NOT COMPARED: tank-8.high at panel:10008: times and misses not compared: too few trials, 3 against 3, and too few on its
link as a whole

FAIL regressed: tank-1.high at bms:10001: comes later, by 0.382 to 0.419 s; 8 against 8 trials
(chance 0.00016, 0.0014 over all 9 tests)

FAIL regressed: tank-2.high at bms:10002: 8 missed; before: all 8 passed; is missed more often: 8 of 8, before 0 of 8
(chance 0.00016, 0.0014 over all 9 tests)

FAIL regressed: tank-9.high at bms:10009: comes later

FAIL vanished: tank-3.high at bms:10003: no longer in the point map, and so no longer proven; its alarm was raised in
AFTER; before: all 8 passed

UNKNOWN, counts as failed: tank-4.high at bms:10004: not tested; before: all 8 passed

FAIL stray: at bms:10020: 2 in AFTER, none in BEFORE; the first by 2026-11-24 23:51:12 UTC

still fails: tank-10.high at bms:10010: 4 passed, 4 missed; before: 5 passed, 3 missed

allowed by name: tank-11.high at bms:10011: not tested; before: all 8 passed

changed: tank-5.high at bms:10005: comes sooner, by 0.382 to 0.419 s; 8 against 8 trials

new: tank-7.high at bms:10007: all 8 passed; before: not in the point map

changed order: tank-1.high: bms:10001 came before horn (7 of 8 trials prove it), and comes after it now
(8 of 8 trials)

no longer stray: at bms:10021: 3 in BEFORE, none in AFTER

stray: at bms:10022: 3 in BEFORE, 1 in AFTER

point map, looser, so that a pass proves less: row tank-1.high@bms:10001: appears within 1 s -> 2 s

point map, only after: alarm tank-7.high: TANK 7 HIGH

order of outputs: 3 pairs keep theirs, 1 changed; of 2 it is not proven in both runs

'too few trials': with 3 against 3 no difference can be significant, however great it is; it takes 4 in each run for
one test alone, and 6 where each row is tested, which makes 12 tests; compared as a whole: 1 link; pairs of trials on
links as a whole, too few: panel 3

tests: two-sided; the chance of any false alarm is at most 0.05 over all of the 9 tests (Holm's method); 13 more could
not be significant whatever had come, and do not count

1 row (read every 50 ms, before: read every 100 ms): compared by a rank-sum test at the ends of the brackets, which
calls a change, or none, only what no value within the brackets can deny, whatever the polls were

FAILED: of 11 expectations: 3 regressed, 1 vanished, 1 unknown and not allowed, 1 point with new strays; not compared:
1 of 11 expectations: too few trials (it takes 6 in each run for each row); 1 fail as before; 1 unknown, not compared
or gone, and allowed
"""


@pytest.mark.parametrize("told", SAID.strip().split("\n\n"))
def test_what_is_said(told: str) -> None:
    assert unfolded(told) in unfolded(render_comparison(ALL, width=200))


@pytest.mark.parametrize("width", [80, 100, 200])
@pytest.mark.parametrize("every_row", [False, True])
def test_lines_fit(width: int, every_row: bool) -> None:
    text = render_comparison(ALL, width=width, every_row=every_row)
    assert max(map(cell_len, text.splitlines())) <= width
    assert "  no evidence" in text or "no evidence of a change" in text


def test_what_is_shown_equal_is_counted_apart() -> None:
    equal = document([pair(1, side(), side(1)), pair(2, side(), side(2))], asked=Asked(worth_ns=200 * MS))
    text = unfolded(render_comparison(equal, width=200))
    assert "latency 2 0 0 0 0 0" in text
    assert (
        "'no change worth more than 200 ms': the times of one run, moved by it either way, would differ significantly"
        in text
    )
    assert text.endswith("no regression in 2 expectations")
    narrow = unfolded(render_comparison(equal, width=80))
    assert "latency 2 0" in narrow or "latency: 2 no change worth more than 200 ms" in narrow
    assert not equal.is_failing


def test_many_rows_stay_readable() -> None:
    pairs = [pair(it, side(), side(missed=8)) for it in range(150)]
    pairs += [pair(it, side(), side(400 + it), link="printer") for it in range(150, 180)]
    many = document(pairs, asked=Asked(level=0.2))
    lines = render_comparison(many, width=100).splitlines()
    assert len(lines) < 80
    assert any("and 130 more; --all tells each" in line for line in lines)
    assert any(line.startswith("FAIL regressed: 150 rows on bms: 8 missed; before: all 8 passed") for line in lines)
    assert "FAIL regressed: 30 rows on printer: comes later, by 0.530 to 0.600 s; 8 against 8" in "\n".join(lines)
    every = render_comparison(many, width=100, every_row=True)
    assert sum(line.startswith("FAIL regressed: tank-") for line in every.splitlines()) == 180


def test_a_whole_link_that_is_slower() -> None:
    """One trial of each alarm: nothing by itself, and all of them together."""
    many = document([pair(it, side(trials=1), side(400, trials=1)) for it in range(9)])
    assert many.is_failing
    text = unfolded(render_comparison(many, width=200))
    assert (
        "FAIL regressed: bms as a whole comes later, by 0.380 to 0.420 s in the middle: of 9 pairs of trials, by one "
        "row of each alarm, 9 came later for certain and 0 sooner (chance 0.0039, 0.0039 over all 1 test)"
    ) in text
    assert text.endswith("FAILED: of 9 expectations: 1 link later as a whole")
    assert json.loads(render_compare_json(many))["links_as_a_whole"][0]["finding"] == "worse"
    suites = junitparser.JUnitXml.fromstring(render_compare_junit(many).encode())
    assert [case.name for suite in suites for case in suite if case.result] == ["bms"]


FEW = document([pair(it, side(trials=6), side(400, trials=2)) for it in range(3)])


def test_too_few_trials_are_never_told_as_the_same() -> None:
    """Six against two, of a firmware that is 400 ms slower."""
    assert not FEW.is_failing
    assert FEW.exit_code is ExitCode.UNKNOWN
    text = unfolded(render_comparison(FEW, width=200, every_row=True))
    assert text.endswith(
        "NOT COMPARED: 3 of 3 expectations: too few trials (it takes 3 of each alarm in each run for its link as a "
        "whole, 5 in each run for each row); no verdict is worse"
    )
    assert (
        text.count("times and misses not compared: too few trials, 6 against 2, and too few on its link as a wh") == 3
    )
    assert "links as a whole 0 0 1 0 0 0" in text
    assert "links as a whole, too few: bms 6" in text
    assert " same " not in text
    told = json.loads(render_compare_json(FEW))
    assert (told["is_failing"], told["is_unknown"], told["exit_code"]) == (False, True, 3)
    assert {row["not_compared"] for row in told["rows"]} == {"too few trials"}
    suites = junitparser.JUnitXml.fromstring(render_compare_junit(FEW).encode())
    assert (suites.tests, suites.failures, suites.errors, suites.skipped) == (4, 0, 3, 1)
    assert "it takes 3 of each alarm in each run" in render_compare_junit(FEW)


def test_as_many_trials_as_it_is_said_to_take_are_enough() -> None:
    """Three of each alarm for the link as a whole, whatever the other run has; five for each row."""
    for before, after in ((3, 3), (6, 3), (3, 9)):
        whole = document([pair(it, side(trials=before), side(1, trials=after)) for it in range(3)])
        assert whole.exit_code is ExitCode.ALL_PASS, (before, after)
    whole = document([pair(it, side(trials=3), side(1, trials=3)) for it in range(3)])
    assert unfolded(render_comparison(whole)).endswith(
        "no regression in 3 expectations, of which 3 only by their links as a whole, for too few trials"
    )
    each = document([pair(it, side(trials=5), side(1, trials=5)) for it in range(3)])
    assert not any(row.by_link for row in each.compared.rows)


def test_allowed_by_name_it_is_no_unknown() -> None:
    allowed = document([replace(pair(1, side(trials=2), side(trials=2)), unknown_allowed=True)])
    assert allowed.exit_code is ExitCode.ALL_PASS
    text = unfolded(render_comparison(allowed, width=200))
    assert (
        "allowed by name: tank-1.high at bms:10001: times and misses not compared: too few trials, 2 against 2" in text
    )
    suites = junitparser.JUnitXml.fromstring(render_compare_junit(allowed).encode())
    assert (suites.errors, suites.skipped) == (0, 2)
    few = [pair(it, side(trials=2), side(trials=2)) for it in range(2)]
    partly = document([replace(few[0], unknown_allowed=True), few[1], pair(3, side(), side(), link="panel")])
    text = unfolded(render_comparison(partly, width=200))
    assert "NOT COMPARED: 1 of 3 expectations: " in text
    assert text.endswith("; no regression in the other 1; 1 unknown, not compared or gone, and allowed")


def test_verdicts_alone_are_said_to_be_all() -> None:
    verdicts = document([pair(1, side(), side(400))], asked=Asked(verdicts_only=True))
    assert verdicts.exit_code is ExitCode.ALL_PASS
    text = unfolded(render_comparison(verdicts, width=200))
    assert "verdicts: times and misses are not compared (--verdicts), so nothing is said of them" in text
    assert text.endswith("no verdict is worse in 1 expectation; times and misses are not compared (--verdicts)")
    assert json.loads(render_compare_json(verdicts))["asked"]["verdicts_only"] is True
    suites = junitparser.JUnitXml.fromstring(render_compare_junit(verdicts).encode())
    assert (suites.tests, suites.failures, suites.errors, suites.skipped) == (1, 0, 0, 0)
    missed = document([pair(1, side(), side(missed=1))], asked=Asked(verdicts_only=True))
    assert missed.exit_code is ExitCode.FAILED
    assert unfolded(render_comparison(missed)).endswith("1 regressed; times and misses are not compared (--verdicts)")


def test_times_of_one_run_alone_and_in_step_are_not_compared() -> None:
    untimed = document([pair(1, side(), replace(side(), latencies=()))])
    in_step = document([pair(1, side(), replace(side(), is_in_step=True))])
    for it, told in ((untimed, "timed in one of the two runs only"), (in_step, "raised in step with a device on the")):
        assert it.exit_code is ExitCode.UNKNOWN
        assert f"NOT COMPARED: 1 of 1 expectation: {told}" in unfolded(render_comparison(it, width=200))


def test_labels_hang_on_numbers_of_trials_and_not_on_the_method() -> None:
    """By the ends of brackets, or by dealing them out: six against six are too few among so many in either way."""
    pairs = [
        pair(it, replace(side(trials=6), is_polled=True), replace(side(150, trials=6), is_polled=True))
        for it in range(30)
    ]
    found = [
        {
            (it.kind, it.finding)
            for row in document(pairs, asked=Asked(finer=finer)).compared.rows
            for it in row.compared
        }
        for finer in (False, True)
    ]
    assert found[0] == found[1]
    assert {finding for kind, finding in found[0] if kind is Kind.LATENCY} == {Finding.TOO_FEW}


def answers(period_ms: int, answer_ms: int) -> LinkAnswers:
    return LinkAnswers(period_ns=period_ms * MS, answer_ns=answer_ms * MS, polls=1000, failed=3, overruns=1)


def test_two_rates() -> None:
    def at(chance: float, answer_ms: int) -> ComparisonDocument:
        link = LinkCompared(
            link="bms",
            before=answers(200, 5),
            after=answers(50, answer_ms),
            chance=chance,
            adjusted=chance,
            is_slower=True,
            is_same_rate=False,
        )
        return document([pair(1, side(), side(1))], links=(link,), two_rates=True, asked=Asked(worth_ns=50 * MS))

    slowed = at(0.001, 80)
    assert slowed.is_failing
    text = unfolded(render_comparison(slowed, width=200))
    assert "polled at two rates slower polls: before.farend" in text
    assert (
        "FAIL polling faster made the device slower: bms: read every 50 ms, answered in 80.00 ms (middle), 3 of "
        in text
    )
    assert (
        "1,000 polls failed, 1 poll late by more than a period; before: read every 200 ms, answered in 5.00 ms" in text
    )
    assert text.endswith("FAILED: of 1 expectation: 1 link that answers slower when it is read faster")
    calm, slight = at(0.2, 80), at(0.001, 20)
    assert not calm.is_failing
    assert "no sign that polling faster slows the device" in render_comparison(calm)
    assert not slight.is_failing
    text = unfolded(render_comparison(slight))
    assert "no sign" not in text
    assert "polling faster slows the device, by less than a change is worth (50 ms): bms: answers take longer" in text
    assert len(junitparser.JUnitXml.fromstring(render_compare_junit(slowed).encode())) == 3


def test_json_has_all_of_it() -> None:
    told = json.loads(render_compare_json(ALL))
    assert told["schema"] == "farend-compare/1"
    assert told["is_failing"] is True
    assert told["counts"] == {
        "regressed": 3,
        "vanished": 1,
        "unknown": 1,
        "not compared": 1,
        "still fails": 1,
        "allowed": 1,
        "changed": 1,
        "added": 1,
        "same": 1,
    }
    assert told["trials_needed"] == {"one_test": 4, "all_tests": 6, "links_as_a_whole": None}
    assert told["family_wise_error"] == "Holm"
    row = told["rows"][0]
    assert row["expectation"] == "tank-1.high@bms:10001"
    latency = next(it for it in row["compared"] if it["kind"] == Kind.LATENCY.value)
    assert latency["finding"] == "worse"
    assert latency["chance"] == pytest.approx(2 / 12870)
    assert latency["adjusted"] == pytest.approx(9 * 2 / 12870)
    assert render_compare_json(ALL) == render_compare_json(ALL)


def test_junit_has_a_case_for_each() -> None:
    suites = junitparser.JUnitXml.fromstring(render_compare_junit(ALL).encode())
    cases = {f"{case.classname} {case.name}": case.result for suite in suites for case in suite}
    assert len(cases) == 11 + 2 + 2
    failures = {name for name, result in cases.items() if any(isinstance(it, junitparser.Failure) for it in result)}
    errors = {name for name, result in cases.items() if any(isinstance(it, junitparser.Error) for it in result)}
    assert failures == {
        "tank-1.high bms:10001",
        "tank-2.high bms:10002",
        "tank-3.high bms:10003",
        "tank-9.high bms:10009",
        "stray at bms:10020",
    }
    assert errors == {"tank-4.high bms:10004", "tank-8.high panel:10008"}
    assert (suites.failures, suites.errors, suites.skipped) == (5, 2, 3)


@pytest.mark.parametrize(
    "render", [lambda it: render_comparison(it, every_row=True), render_compare_json, render_compare_junit]
)
def test_names_from_files_do_nothing(render: Callable[[ComparisonDocument], str]) -> None:
    hostile = Pair(key=f"{HOSTILE}@p", alarm=HOSTILE, point=HOSTILE, link=HOSTILE, before=side(), after=side(missed=8))
    text = render(document([hostile], notes=(HOSTILE,), suggested=(HOSTILE,)))
    assert "\x1b" not in text
    assert "\u202e" not in text


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (None, "not in the point map"),
        (Side(), "not tested"),
        (side(trials=1), "passed"),
        (side(), "all 8 passed"),
        (side(missed=3), "5 passed, 3 missed"),
        (side(trials=1, missed=1), "missed"),
        (Side(verdicts=(Verdict.NOT_RUN,)), "not-run"),
    ],
)
def test_what_a_side_has(one: Side | None, words: str) -> None:
    assert side_words(one) == words
