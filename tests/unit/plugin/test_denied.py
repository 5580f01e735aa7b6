"""The record is the authority: a test that said more than its record does fails after all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from harness.core.model import Result
from harness.core.verdicts import Verdict
from harness.plugin.opened import Opened
from harness.results.judging import judge_record
from harness.results.steps import AS_LEFT_EVENT
from harness.run.session_told import Told
from tests.peers.records import RecordMaker


def denied(maker: RecordMaker, told: Callable[[tuple[Result, ...]], Told], *allowed: str) -> list[str]:
    """What the closed record says that the test did not. ``told``: what the test said, made of what the record says."""
    judged = judge_record(maker.close())
    opened = object.__new__(Opened)
    opened._tests = [SimpleNamespace(ended=told(judged.judgement.results), allowed=frozenset(allowed))]  # type: ignore[list-item]
    lines = opened._denied(judged)
    judged.reader.close()
    return lines


@pytest.fixture
def maker(tmp_path: Path) -> RecordMaker:
    made = RecordMaker(tmp_path / "run.farend")
    made.plan("a.low")
    return made


def as_it_is(results: tuple[Result, ...]) -> Told:
    return Told(raises=(), results=results)


def all_on_time(results: tuple[Result, ...]) -> Told:
    return Told(raises=(), results=tuple(replace(it, verdict=Verdict.ON_TIME) for it in results))


def test_what_both_say_is_not_said_twice(maker: RecordMaker) -> None:
    maker.stimulus("1", "a.low", 2, 7)
    maker.stimulus("2", "a.low", 20, 27, shows="")
    assert denied(maker, as_it_is) == []


def test_a_fail_that_the_test_took_for_a_pass(maker: RecordMaker) -> None:
    maker.stimulus("1", "a.low", 2, 7, shows="")
    (line,) = denied(maker, all_on_time)
    assert line.startswith("missed: a.low@low, which was on-time in the test: it did not appear")


@pytest.mark.parametrize("allowed", [False, True])
def test_an_unknown_that_the_test_took_for_a_pass(maker: RecordMaker, allowed: bool) -> None:
    """The test speaks of a raise of which the record knows nothing."""
    maker.stimulus("1", "a.low", 2, 7)

    def more(results: tuple[Result, ...]) -> Told:
        extra = replace(results[0], stimulus="9", verdict=Verdict.ON_TIME)
        return Told(raises=(), results=(*results, extra))

    lines = denied(maker, more, *(["not-run"] if allowed else []))
    assert lines == ([] if allowed else ["not-run: a.low@low, which was on-time in the test"])


def test_a_fail_of_the_test_that_the_record_passes_needs_no_second_word(maker: RecordMaker) -> None:
    maker.stimulus("1", "a.low", 2, 7)

    def worse(results: tuple[Result, ...]) -> Told:
        return Told(raises=(), results=tuple(replace(it, verdict=Verdict.MISSED) for it in results))

    assert denied(maker, worse) == []


def test_a_stray_and_a_change_that_no_test_saw(maker: RecordMaker) -> None:
    maker.stimulus("1", "a.low", 2, 7)
    maker.shows("a.high", 30, 34)
    maker.event(AS_LEFT_EVENT, 40, on=["high"], differs=["high"], not_cleared=[])
    lines = denied(maker, as_it_is)
    assert lines == [
        "stray: high came on, and nothing that was raised explains it",
        "NOT RESTORED: something is not as it was found; see 'as left' in the report of the record",
    ]
