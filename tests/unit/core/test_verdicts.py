"""Verdicts, their classes as DESIGN's table has them, and the exit codes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.core.verdicts import ExitCode, Verdict, VerdictClass, exit_code

CLASSES = {
    VerdictClass.PASS: {"on-time", "appeared", "quiet"},
    VerdictClass.FAIL: {"late", "missed", "brief", "stuck", "leaked", "crossed", "repeated", "stray"},
    VerdictClass.UNKNOWN: {"not-observed", "unresolved", "masked", "not-run"},
}


@pytest.mark.parametrize("verdict_class", VerdictClass)
def test_classes(verdict_class: VerdictClass) -> None:
    assert {it.value for it in Verdict if it.verdict_class is verdict_class} == CLASSES[verdict_class]


def test_every_verdict_says_what_it_means() -> None:
    meanings = [verdict.meaning for verdict in Verdict]
    assert all(meanings)
    assert len(set(meanings)) == len(meanings)


@pytest.mark.parametrize(
    ("code", "number"),
    [
        (ExitCode.ALL_PASS, 0),
        (ExitCode.FAILED, 1),
        (ExitCode.USAGE, 2),
        (ExitCode.UNKNOWN, 3),
        (ExitCode.REFUSED, 4),
        (ExitCode.NOT_RESTORED, 5),
    ],
)
def test_exit_codes_are_what_scripts_rely_on(code: ExitCode, number: int) -> None:
    assert int(code) == number
    assert len(ExitCode) == 6


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        ([Verdict.ON_TIME, Verdict.QUIET, Verdict.APPEARED], ExitCode.ALL_PASS),
        ([Verdict.ON_TIME, Verdict.UNRESOLVED], ExitCode.UNKNOWN),
        ([Verdict.NOT_RUN], ExitCode.UNKNOWN),
        ([Verdict.ON_TIME, Verdict.UNRESOLVED, Verdict.LATE], ExitCode.FAILED),
        ([Verdict.STRAY], ExitCode.FAILED),
        ([], ExitCode.UNKNOWN),
    ],
)
def test_exit_code_of_verdicts(verdicts: list[Verdict], expected: ExitCode) -> None:
    assert exit_code(verdicts) is expected


@given(st.lists(st.sampled_from(Verdict)))
def test_unknown_never_merges_into_pass(verdicts: list[Verdict]) -> None:
    code = exit_code(iter(verdicts))
    assert code in (ExitCode.ALL_PASS, ExitCode.FAILED, ExitCode.UNKNOWN)
    assert (code is ExitCode.ALL_PASS) == (
        bool(verdicts) and all(it.verdict_class is VerdictClass.PASS for it in verdicts)
    )
    assert (code is ExitCode.FAILED) == any(it.verdict_class is VerdictClass.FAIL for it in verdicts)
