"""What a person reads when something is wrong: where, what, and what to do."""

from __future__ import annotations

import pytest

from harness.core import errors
from harness.core.errors import FarendError, Origin, Problem, SiteError

ORIGIN = Origin(file="points.csv", line=14)


def test_a_problem_reads_as_one_line() -> None:
    problem = Problem(
        origin=ORIGIN,
        code="bit-range",
        text="bit=16: a holding register has bits 0 to 15",
        remedy="for the next register write number=41",
    )
    expected = "points.csv:14: bit=16: a holding register has bits 0 to 15; for the next register write number=41"
    assert str(problem) == expected


def test_a_warning_says_so_and_needs_no_remedy() -> None:
    problem = Problem(origin=ORIGIN, code="x", text="limit=1 s", remedy="", severity="warning")
    assert str(problem) == "points.csv:14: warning: limit=1 s"


def test_a_site_error_carries_every_problem() -> None:
    problems = tuple(Problem(origin=Origin(file="s.yaml", line=n), code="x", text="t", remedy="r") for n in (1, 2))
    error = SiteError(problems)
    assert error.problems == problems
    assert str(error) == "s.yaml:1: t; r\ns.yaml:2: t; r"


@pytest.mark.parametrize("name", ["UsageError", "SiteError", "LinkError", "RecordError", "SafetyError"])
def test_one_root(name: str) -> None:
    assert issubclass(getattr(errors, name), FarendError)
