"""What is unknown and allowed: what no allow makes a pass, and what is told of the rest."""

from __future__ import annotations

import pytest

from harness.core.model import Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.plugin.allowing import (
    ROWS_TOLD_MAX,
    TESTS_TOLD_MAX,
    allowed_rows,
    properties_of,
    rows_of,
    summary,
    why_no_pass,
)
from harness.run.session_told import Raise, Told

RAISED = Raise(alarm="a.high", keys=("a.high@1", "a.high@2"), stimulus="0001")


def result(verdict: Verdict, point: str = "1", reason: str = "") -> Result:
    return Result(
        expectation=f"a.high@{point}", alarm="a.high", point=point, stimulus="0001", verdict=verdict, reason=reason
    )


def test_where_nothing_was_raised_nothing_is_a_pass() -> None:
    told = Told(raises=(Raise(alarm="a.high", keys=("a.high@1",), why="no link"),), not_run={"a.high@1": "no link"})
    assert why_no_pass(told) == "nothing was raised in this test (no link)"
    unproven = Told(raises=(RAISED,), results=(result(Verdict.NOT_RUN, reason="the raise is not proven"),))
    assert why_no_pass(unproven) == "nothing was raised in this test (the raise is not proven)"


def test_where_no_row_was_observed_nothing_is_a_pass() -> None:
    told = Told(raises=(RAISED,), results=(result(Verdict.NOT_OBSERVED), result(Verdict.NOT_RUN, "2")))
    assert why_no_pass(told) == "no row of what this test raised was observed"


@pytest.mark.parametrize("verdict", [it for it in Verdict if it not in (Verdict.NOT_RUN, Verdict.NOT_OBSERVED)])
def test_one_row_that_was_observed_leaves_it_to_the_allow(verdict: Verdict) -> None:
    assert why_no_pass(Told(raises=(RAISED,), results=(result(Verdict.NOT_OBSERVED), result(verdict, "2")))) == ""


def test_a_test_that_asks_for_nothing_needs_no_allow() -> None:
    assert why_no_pass(Told(raises=())) == ""


@pytest.mark.parametrize("verdict", Verdict)
def test_what_is_allowed_is_told_and_nothing_else(verdict: Verdict) -> None:
    told = Told(raises=(RAISED,), results=(result(verdict),), not_run={"b@1": ""})
    is_unknown = verdict.verdict_class is VerdictClass.UNKNOWN
    mine = [("a.high@1", verdict.value)] if is_unknown else []
    more = [("b@1", "not-run")] if verdict is Verdict.NOT_RUN else []
    assert allowed_rows(told, {verdict.value}) == mine + more
    assert allowed_rows(told, {it.value for it in Verdict if it is not verdict} - {"not-run"}) == []


def test_rows_come_through_the_properties_of_a_report() -> None:
    rows = [("a.high@bms:10005", "unresolved"), ("a.high@30201=1", "masked")]
    assert rows_of([("farend_site", "x"), *properties_of(rows), ("farend_verdict[a]", "masked")]) == rows


def test_the_summary_names_them_and_stays_short() -> None:
    assert summary({}) == []
    assert summary({"t.py::test_x": [("a@1", "masked"), ("a@2", "unresolved")]}) == [
        "farend: 1 test passed with 2 unknown rows allowed:",
        "  t.py::test_x: a@1 masked, a@2 unresolved",
    ]
    rows = [(f"a@{number}", "masked") for number in range(ROWS_TOLD_MAX + 4)]
    lines = summary({f"t.py::test_{number}": rows for number in range(TESTS_TOLD_MAX + 5)})
    assert lines[0] == f"farend: 15 tests passed with {15 * len(rows)} unknown rows allowed:"
    assert lines[1] == "  t.py::test_0: a@0 masked, a@1 masked, a@2 masked and 4 more"
    assert lines[-1] == "  and 5 more tests"
    assert len(lines) == TESTS_TOLD_MAX + 2
