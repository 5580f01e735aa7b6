"""What is told once is explained by what is told: its delay, its promise, its missing end; never by a poll period."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, Bounds
from harness.core.links import TextLink
from harness.core.model import Behaviour, Expectation, Hold, Judgement, Limits, Site, Stimulus
from harness.core.places import TextPlace
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate
from harness.correlate.evidence import BlindTime, Evidence
from harness.correlate.judge import judge_one
from harness.links.base import LinkState
from harness.links.seen import Message, StateChange
from harness.links.text_trace import text_trace
from tests.peers.sites import site_of

MS = NS_PER_MS
POINT, ROW = "high-printed", "a.high@high-printed"


def log_of(*, delay_ms: int | None = 800, promises: bool = True, limits: Limits | None = None) -> Site:
    """The small site, with only the printed line of a.high expected."""
    site = site_of()
    log = site.links["log"]
    assert isinstance(log, TextLink)
    delay = None if delay_ms is None else delay_ms * MS
    links = {**site.links, "log": replace(log, longest_delay_ns=delay, promises_every_change=promises)}
    row = next(row for row in site.expectations if row.key == ROW)
    alarms = {name: replace(alarm, reference=None) for name, alarm in site.alarms.items()}
    rows = (row if limits is None else replace(row, limits=limits),)
    return replace(site, links=links, alarms=alarms, expectations=rows)


def judged(
    site: Site, raises: Sequence[tuple[int, int]], lines: Sequence[tuple[int, str]], end_ms: int = 30_000
) -> Judgement:
    """Raised and cleared at these times in ms, exactly; lines as they came in. The link is up from 100 ms on."""
    point, spec = site.points[POINT], site.links["log"]
    assert isinstance(point.place, TextPlace)
    assert isinstance(spec, TextLink)
    messages = [Message(first_ns=at * MS, last_ns=at * MS, data=text.encode()) for at, text in lines]
    up = [StateChange(at_ns=100 * MS, state=LinkState.UP, why="")]
    trace = text_trace(POINT, point.place, spec, messages, up, 0, end_ms * MS)
    stimuli = tuple(
        Stimulus(
            id=f"{number:04d}", alarm="a.high", raised=Bounds.exactly(begin * MS), cleared=Bounds.exactly(end * MS),
            proven=True, how="test",
        )
        for number, (begin, end) in enumerate(raises, 1)
    )  # fmt: skip
    blind = (BlindTime(link="log", span=Bounds(0, 100 * MS), why="not connected yet"),)
    return correlate(site, Evidence(stimuli=stimuli, traces={POINT: trace}, neighbours=(), blind=blind))


def causes(judgement: Judgement) -> list[str]:
    assert not judgement.failures_of_checkers
    return [cause.code for result in judgement.results for cause in result.causes]


def words(judgement: Judgement) -> str:
    told = [f"{it.reason} {c.text} {c.evidence} {c.next_check}" for it in judgement.results for c in it.causes]
    return " ".join(told)


HELD = [(2000, 4000)]
ON, OFF = "ON A HIGH", "OFF A HIGH"


def test_held_for_longer_than_the_longest_delay_it_passes() -> None:
    found = judged(log_of(), HELD, [(2300, ON), (4300, OFF), (9000, "x")])
    assert [it.verdict for it in found.results] == [Verdict.ON_TIME]


def test_cleared_within_the_longest_delay_it_may_have_been_gone_before_the_raise() -> None:
    found = judged(log_of(), [(2000, 2350)], [(2300, ON), (2650, OFF), (9000, "x")])
    assert [it.verdict for it in found.results] == [Verdict.UNRESOLVED]
    assert "holding the alarm for longer would settle it" in found.results[0].reason
    assert causes(found) == ["limit-within-bounds"]
    assert "up to 800 ms late, as declared" in words(found)
    assert "poll" not in words(found)
    assert "not connected yet" not in words(found)


@pytest.mark.parametrize(("limit_ms", "settled"), [(100, False), (2000, True)])
def test_a_limit_inside_the_bounds_asks_for_a_shorter_delay_and_not_for_a_poll_period(
    limit_ms: int, settled: bool
) -> None:
    limits = Limits(appears_within_ns=limit_ms * MS, gone_within_ns=2000 * MS, search_ns=4000 * MS, settle_ns=500 * MS)
    found = judged(log_of(limits=limits), HELD, [(2300, ON), (4300, OFF), (9000, "x")])
    if settled:
        assert [it.verdict for it in found.results] == [Verdict.ON_TIME]
        return
    assert [it.verdict for it in found.results] == [Verdict.UNRESOLVED]
    assert "a longest delay below 200 ms may settle it" in found.results[0].reason
    assert "poll" not in words(found)


def test_silence_without_a_promise_is_no_miss_and_says_why() -> None:
    found = judged(log_of(promises=False), HELD, [(9000, "x")])
    assert [it.verdict for it in found.results] != [Verdict.MISSED]
    assert causes(found) == ["silence-proves-nothing"]
    assert "it does not promise every change" in words(found)
    assert "poll" not in words(found)
    assert [it.verdict for it in judged(log_of(), HELD, [(9000, "x")]).results] == [Verdict.MISSED]


def test_without_a_promise_what_came_is_open_for_what_was_not_told_between() -> None:
    found = judged(log_of(promises=False), HELD, [(2300, ON), (4300, OFF), (9000, "x")])
    assert [it.verdict for it in found.results] == [Verdict.UNRESOLVED]
    assert "its path does not promise every change" in found.results[0].reason


def test_a_lost_cleared_line_is_a_result_and_says_what_is_not_known() -> None:
    found = judged(log_of(), HELD, [(2300, ON), (9000, "x")])
    assert [it.verdict for it in found.results] == [Verdict.UNRESOLVED], "silence never proves that it stayed on"
    assert found.results[0].reason == "it was never told to be gone"
    assert causes(found) == ["end-not-told"]


def test_a_lost_cleared_line_explains_what_could_not_be_told_after_it_and_ends_with_the_next_one() -> None:
    raises = [(2000, 4000), (10_000, 12_000), (20_000, 22_000)]
    lines = [(2300, ON), (10_300, ON), (12_300, OFF), (20_300, ON), (22_300, OFF), (29_000, "x")]
    found = judged(log_of(), raises, lines)
    first, second, third = found.results
    assert first.verdict.verdict_class is VerdictClass.UNKNOWN
    assert second.verdict is not Verdict.ON_TIME, "it may have been on all the while"
    assert third.verdict is Verdict.ON_TIME, "no stuck alarm without end"
    assert set(causes(found)) == {"end-not-told"}
    assert "poll" not in words(found)


def test_a_trace_without_lines_is_still_one_that_is_told() -> None:
    site = log_of(promises=False)
    empty = Trace.from_states(POINT, np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.bool_))
    stimulus = Stimulus(
        id="1", alarm="a.high", raised=Bounds.exactly(5), cleared=Bounds.exactly(9), proven=True, how="test"
    )
    found = correlate(site, Evidence(stimuli=(stimulus,), traces={POINT: empty}, neighbours=(), blind=()))
    assert found.results[0].verdict is Verdict.NOT_OBSERVED


def test_a_log_without_ends_cannot_tell_after_the_raise_from_before_it() -> None:
    """Its lines tell moments: one that was told within the longest delay of the raise may lie before it."""
    site = log_of()
    point = site.points[POINT]
    assert isinstance(point.place, TextPlace)
    row = replace(site.expectations[0], behaviour=Behaviour.PULSE, limits=Limits(appears_within_ns=1000 * MS))
    points = {**site.points, POINT: replace(point, place=replace(point.place, cleared=None))}
    found = judged(replace(site, points=points, expectations=(row,)), HELD, [(2300, ON), (9000, "x")])
    assert [it.verdict for it in found.results] == [Verdict.UNRESOLVED]
    assert "may have come and gone before it" in found.results[0].reason
    assert "poll" not in words(found)


@pytest.mark.parametrize("again_ms", [9000, 9104, 9204, 9304])
def test_one_that_dropped_and_came_again_does_not_pass_by_its_second_time(again_ms: int) -> None:
    """Told on, off, on and off with a longest delay of 200 ms: the first time may just have been before the raise.

    That one course of events excuses it is no proof: in every other one it dropped while it was raised.
    """
    told = np.array([7000, 8264, 8464, again_ms, again_ms + 200, 11000]) * MS
    trace = Trace.from_states(
        "p",
        told - 200 * MS,
        told,
        np.array([False, True, False, True, False, False]),
        edge=np.array([False, True, True, True, True, False]),
        sealed=np.ones(6, dtype=np.bool_),
    )
    limits = Limits(appears_within_ns=1000 * MS, gone_within_ns=1000 * MS, search_ns=1500 * MS, settle_ns=400 * MS)
    row = Expectation(
        key="a@p", alarm="a", point="p", behaviour=Behaviour.FOLLOWS, limits=limits, origin=Origin(file="", line=0)
    )
    stimulus = Stimulus(id="1", alarm="a", raised=Bounds.exactly(8155 * MS), cleared=Bounds.exactly(9175 * MS))
    hold = Hold(on_ns=200 * MS, off_ns=200 * MS, on_declared=True, off_declared=True)
    assert judge_one(trace, stimulus, row, hold).verdict is Verdict.UNRESOLVED
