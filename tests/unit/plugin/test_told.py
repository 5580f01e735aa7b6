"""What fails a test, and in which words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Result, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.plugin.told import LINES_MAX, FarendFailure, Trouble, as_expected, troubles_of
from harness.run.session_told import Raise, Told


def result(verdict: Verdict, *, point: str = "bms:10002", **more: object) -> Result:
    return Result(
        expectation=f"a.high@{point}", alarm="a.high", point=point, stimulus="0001", verdict=verdict, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def texts(told: Told, *allowed: str) -> list[str]:
    return [it.text for it in troubles_of(told, allowed)]


@pytest.mark.parametrize("verdict", Verdict)
def test_only_a_pass_passes(verdict: Verdict) -> None:
    told = Told(raises=(), results=(result(verdict),))
    assert bool(texts(told)) is (verdict.verdict_class is not VerdictClass.PASS)


@pytest.mark.parametrize("verdict", Verdict)
def test_an_unknown_that_is_allowed_by_name_does_not_fail_and_a_fail_does_all_the_same(verdict: Verdict) -> None:
    told = Told(raises=(), results=(result(verdict),), expected=(result(verdict),))
    assert bool(texts(told, verdict.value)) is (verdict.verdict_class is VerdictClass.FAIL)
    if verdict.verdict_class is VerdictClass.UNKNOWN:
        others = [it.value for it in Verdict if it is not verdict]
        assert texts(told, *others), "another name allows it"


def test_what_was_not_run_what_was_left_and_what_nothing_explains_fails() -> None:
    told = Told(
        raises=(Raise(alarm="a.high", keys=("a.high@bms:10002",), why="excluded"),),
        strays=(Stray(point="bms:10005", onset=Bounds(1, 2), end=Bounds(3, 4)),),
        not_run={"a.high@bms:10002": "excluded", "a.high@bms:10003": "excluded"},
        differs=("bms:10009: it was off, and is on",),
        stopped="STOPPED: take it for real",
    )
    assert texts(told) == [
        "NOT RESTORED: bms:10009: it was off, and is on; put it right by hand",
        "STOPPED: take it for real",
        "FAIL stray: bms:10005 came on, and nothing that was raised explains it",
        "UNKNOWN not-run: 2 rows a.high@bms:10002, a.high@bms:10003: excluded",
    ]
    assert len(texts(told, "not-run")) == 3


def test_bounds_are_in_the_line_and_a_line_fits_into_a_log() -> None:
    latency = Bounds(1100 * NS_PER_MS, 1250 * NS_PER_MS)
    reason = "it appeared after 1.1 to 1.25 s; the limit is 1 s, and this is a sentence that goes on for longer"
    told = Told(raises=(), results=(result(Verdict.LATE, latency=latency, reason=reason),))
    failure = FarendFailure(troubles_of(told, ()))
    assert "(latency 1.10 to 1.25 s)" in " ".join(str(failure).split())
    assert max(map(len, str(failure).splitlines())) <= 80
    assert str(failure).startswith("FAIL late: a.high at bms:10002: ")


def test_many_lines_are_cut_and_counted() -> None:
    failure = FarendFailure([Trouble.of(f"FAIL {number}") for number in range(LINES_MAX + 3)])
    assert str(failure).splitlines()[-1] == "and 3 more, see below"
    assert len(failure.troubles) == LINES_MAX + 3


def test_nothing_that_a_device_sent_moves_a_cursor() -> None:
    told = Told(raises=(), results=(result(Verdict.LATE, reason="\x1b[2J\x07 gone"),))
    assert "\x1b" not in str(FarendFailure(troubles_of(told, ())))


def test_the_box_shows_a_row_as_the_test_expected_it_where_that_is_worse() -> None:
    """A pass by the limits of the site beside an unknown by those of the test would say that nothing is unknown."""
    passed, unknown, late = (result(it) for it in (Verdict.ON_TIME, Verdict.UNRESOLVED, Verdict.LATE))
    other = result(Verdict.ON_TIME, point="bms:10003")
    assert as_expected(Told(raises=(), results=(passed, other), expected=(unknown,))) == (unknown, other)
    assert as_expected(Told(raises=(), results=(passed,), expected=(late, unknown))) == (late,)
    assert as_expected(Told(raises=(), results=(late,), expected=(unknown, passed))) == (late,)


def test_one_row_is_told_once_and_by_a_limit_of_the_test_with_its_line() -> None:
    told = Told(
        raises=(), results=(result(Verdict.MISSED, reason="not within 1 s"),), expected=(result(Verdict.MISSED),)
    )
    assert texts(told) == ["FAIL missed: a.high at bms:10002: not within 1 s"]
    told = Told(raises=(), results=(result(Verdict.ON_TIME),), expected=(result(Verdict.LATE, reason="over 0.2 s"),))
    (trouble,) = troubles_of(told, (), {"0001 a.high@bms:10002": "test_a.py:12"})
    assert trouble.text == "FAIL by a limit of the test (test_a.py:12), late: a.high at bms:10002: over 0.2 s"


def test_of_an_alarm_that_was_raised_again_it_is_said_which_raise_it_was() -> None:
    raises = tuple(Raise(alarm="a.high", keys=(), stimulus=it) for it in ("0001", "0003"))
    stuck = result(Verdict.STUCK, reason="on")
    told = Told(raises=raises, results=(stuck, replace(stuck, stimulus="0003")))
    assert texts(told) == [
        "FAIL stuck: a.high at bms:10002 (raise 1 of 2): on",
        "FAIL stuck: a.high at bms:10002 (raise 2 of 2): on",
    ]


def given_up(*more: Trouble) -> FarendFailure:
    """What ``expect`` raises at its limit."""
    missed = result(Verdict.MISSED, reason="it did not appear within 1 s of the raise")
    return FarendFailure([Trouble.not_shown_yet(missed), *more], expected=(missed,))


def test_what_is_given_up_is_not_called_missed_until_that_is_known() -> None:
    failure = given_up()
    assert " ".join(str(failure).split()) == (
        "FAIL not shown in time: a.high at bms:10002: it did not appear within 1 s of the raise; whether it came later "
        "is told at the end of the test"
    )
    late = result(Verdict.LATE, reason="it appeared after 1.3 to 1.5 s")
    failure.by_all_that_is_known(Told(raises=(), results=(result(Verdict.ON_TIME),), failed=(late,)))
    assert str(failure) == "FAIL late: a.high at bms:10002: it appeared after 1.3 to 1.5 s"
    assert failure.expected == (late,)


@pytest.mark.parametrize("verdict", [it for it in Verdict if it.verdict_class is not VerdictClass.FAIL])
def test_a_failure_stays_one_whatever_is_known_at_the_end(verdict: Verdict) -> None:
    failure = given_up()
    text, expected = str(failure), failure.expected
    failure.by_all_that_is_known(Told(raises=(), results=(result(verdict),), failed=(result(verdict),)))
    assert (str(failure), failure.expected) == (text, expected)


def test_what_was_unknown_beside_a_fail_and_passed_in_the_end_is_left_out() -> None:
    unknown, late = result(Verdict.UNRESOLVED, point="bms:1"), result(Verdict.LATE, reason="late")
    troubles = troubles_of(Told(raises=(), results=(late, unknown)), ())
    failure = FarendFailure(troubles)
    failure.by_all_that_is_known(Told(raises=(), results=(late, result(Verdict.ON_TIME, point="bms:1"))))
    assert str(failure) == "FAIL late: a.high at bms:10002: late"
    alone = FarendFailure(troubles[1:])
    alone.by_all_that_is_known(Told(raises=(), results=(result(Verdict.ON_TIME, point="bms:1"),)))
    assert str(alone).startswith("UNKNOWN unresolved: a.high at bms:1: "), "it failed, and says by what"
