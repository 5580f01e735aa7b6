"""What is unknown and allowed by name: what no allow makes a pass, and what is told of tests that passed by one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from harness.report.human import count

if TYPE_CHECKING:
    from harness.run.session_told import Told

PROPERTY: Final = "farend_allowed["
"""How the name of a property begins that says of which row an unknown verdict was allowed."""

TESTS_TOLD_MAX: Final = 10
ROWS_TOLD_MAX: Final = 3
"""Tests, and rows of each, in the summary: the record of a test has them all."""


def why_no_pass(told: Told) -> str:
    """Why no allow makes a test a pass: nothing was raised, or not one of its rows was observed. '' where one may."""
    from harness.core.verdicts import Verdict

    blind = {Verdict.NOT_RUN, Verdict.NOT_OBSERVED}
    if not told.raises or any(it.verdict not in blind for it in told.results):
        return ""
    if any(it.verdict is Verdict.NOT_OBSERVED for it in told.results):
        return "no row of what this test raised was observed"
    why = next((it for it in (*told.not_run.values(), *(it.reason for it in told.results)) if it), "")
    return f"nothing was raised in this test{why and f' ({why})'}"


def allowed_rows(told: Told, allowed: Collection[str]) -> list[tuple[str, str]]:
    """Rows that are unknown and allowed, each with its verdict."""
    from harness.core.verdicts import Verdict, VerdictClass

    found = [
        (it.expectation, it.verdict.value)
        for it in (*told.results, *told.expected)
        if it.verdict.verdict_class is VerdictClass.UNKNOWN and it.verdict in allowed
    ]
    not_run = Verdict.NOT_RUN.value
    found += [(key, not_run) for key in told.not_run if not_run in allowed]
    return list(dict.fromkeys(found))


def properties_of(rows: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """For the report of a test: it goes from a worker of pytest-xdist to whoever prints the summary."""
    return [(f"{PROPERTY}{key}]", verdict) for key, verdict in rows]


def rows_of(properties: Iterable[tuple[str, object]]) -> list[tuple[str, str]]:
    """The rows of :func:`properties_of`."""
    return [(name[len(PROPERTY) : -1], str(it)) for name, it in properties if name.startswith(PROPERTY)]


def summary(tests: Mapping[str, Sequence[tuple[str, str]]]) -> list[str]:
    """Lines for the end of a run. ``tests``: what passed only by an allow, and by which rows."""
    if not tests:
        return []
    rows = sum(map(len, tests.values()))
    head = f"farend: {count(len(tests), 'test')} passed with {count(rows, 'unknown row')} allowed:"
    lines = [f"  {name}: {_cut([f'{key} {it}' for key, it in mine])}" for name, mine in tests.items()]
    more = len(lines) - TESTS_TOLD_MAX
    return [head, *lines[:TESTS_TOLD_MAX], *([f"  and {count(more, 'more test')}"] if more > 0 else [])]


def _cut(rows: Sequence[str]) -> str:
    more = len(rows) - ROWS_TOLD_MAX
    return ", ".join(rows[:ROWS_TOLD_MAX]) + (f" and {more} more" if more > 0 else "")
