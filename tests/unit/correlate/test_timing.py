"""What a reference point says of the time of a raise, and when it says nothing."""

from __future__ import annotations

import pytest

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Stimulus
from harness.core.verdicts import Verdict
from harness.correlate.engine import outlines_of, timed_by_reference
from harness.correlate.timing import time_by_reference
from tests.peers.trace_bench import LIMITS, MS, Bench, at_ms, one


def referenced(count: int = 2) -> tuple[Bench, list[str]]:
    """Alarms with a reference point on the panel each, and an expectation on the building system."""
    bench = Bench()
    for number in range(count):
        name = f"a{number}"
        bench.alarm(name, reference=f"panel.{name}")
        bench.input(f"panel.{name}", number, link="panel")
    return bench, bench.inputs(count)


def _timed(bench: Bench) -> dict[str, Stimulus]:
    """Every stimulus as the engine times it."""
    site, evidence = bench.site(), bench.evidence()
    return timed_by_reference(site, evidence.stimuli, outlines_of(site, evidence))


def test_the_raise_is_when_the_reference_point_came_on() -> None:
    """A person pressed the key somewhere in two seconds; the panel knows it to one poll."""
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=8000, width=2000)
    bench.on("panel.a0", 5230, 8120)
    site, evidence = bench.site(), bench.evidence()
    timed = time_by_reference(evidence.stimuli[0], site, outlines_of(site, evidence))
    assert timed.timed_by == "panel.a0"
    assert at_ms(5230) in timed.raised
    assert timed.raised.width <= 105 * MS
    assert timed.cleared is not None
    assert at_ms(8120) in timed.cleared
    assert timed.cleared.width <= 105 * MS


def test_latencies_are_measured_from_the_reference_point_but_not_its_own() -> None:
    bench, _ = referenced()
    bench.row("a0", "panel.a0")
    bench.raised("a0", 5000, clear=8000)
    bench.on("panel.a0", 5430, 8430)
    bench.on("bms.a0", 5600, 8600)
    judgement = bench.judge()
    own, other = one(judgement, "a0@panel.a0"), one(judgement, "a0@bms.a0")
    assert own.latency is not None
    assert 430 * MS in own.latency
    assert other.latency is not None
    assert 170 * MS in other.latency
    assert 600 * MS not in other.latency


def test_an_alarm_that_cleared_itself_was_up_only_so_long_as_its_reference_says() -> None:
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=8000)
    bench.on("panel.a0", 5030, 6030)
    bench.on("bms.a0", 5150, 6150)
    assert one(bench.judge(), "a0@bms.a0").verdict is Verdict.ON_TIME


def test_a_reference_point_that_stayed_off_denies_the_raise() -> None:
    bench, names = referenced()
    bench.row("a1", "panel.a1")
    bench.healthy(names, links=("bms", "panel"))
    bench.was_on["panel.a1"].clear()
    judgement = bench.judge()
    denied = one(judgement, "a1@bms.a1")
    assert denied.verdict is Verdict.NOT_RUN
    assert denied.reason == "the raise is not proven: its reference point panel.a1 stayed off"
    assert one(judgement, "a1@panel.a1").verdict is Verdict.MISSED


@pytest.mark.parametrize(("apart", "delay"), [(0, 3), (0, 150), (20, 150), (100, 150), (500, 3), (500, 700)])
def test_raises_in_quick_succession_deny_nothing(apart: float, delay: float) -> None:
    """The next raise comes before the reference point could show this one: that is no proof of anything."""
    bench, names = referenced()
    for number, name in enumerate(names):
        start = 1000 + apart * number
        bench.raised(name, start, clear=start + 3000)
        bench.on(f"panel.{name}", start + delay, start + 3000 + delay)
        bench.on(f"bms.{name}", start + delay + 100, start + 3100 + delay)
    assert {it.verdict for it in bench.judge().results} == {Verdict.ON_TIME}


def test_what_shows_after_the_next_raise_times_nothing() -> None:
    """The panel's wires are swapped: the reference of the first comes on with the second, three seconds later.

    Timed by it, an output that was 2.9 s late would pass.
    """
    bench, _ = referenced()
    bench.raised("a0", 1000, clear=9000)
    bench.raised("a1", 3950, clear=9000)
    bench.on("panel.a0", 3960, 9000)
    bench.on("bms.a0", 3990, 9000)
    bench.on("bms.a1", 4000, 9000)
    found = one(bench.judge(), "a0@bms.a0")
    assert found.verdict in (Verdict.NOT_RUN, Verdict.LATE)


def test_an_onset_that_the_next_raise_may_have_caused_times_nothing() -> None:
    bench, _ = referenced()
    bench.raised("a0", 1000, clear=9000)
    bench.raised("a1", 2950, clear=9000)
    bench.on("panel.a0", 2960, 9000)
    bench.on("bms.a0", 2990, 9000)
    found = one(bench.judge(), "a0@bms.a0")
    assert found.verdict is not Verdict.ON_TIME


def test_a_reference_point_that_was_on_before_times_nothing() -> None:
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=8000)
    bench.on("panel.a0", -100, 8000)
    site, evidence = bench.site(), bench.evidence()
    assert time_by_reference(evidence.stimuli[0], site, outlines_of(site, evidence)) == evidence.stimuli[0]


def test_a_reference_point_that_was_not_read_times_nothing() -> None:
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=8000)
    bench.on("bms.a0", 5150, 8150)
    bench.unread.add("panel.a0")
    judgement = bench.judge()
    assert one(judgement, "a0@bms.a0").verdict is Verdict.ON_TIME


def test_a_blind_reference_point_denies_nothing() -> None:
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=8000)
    bench.on("bms.a0", 5150, 8150)
    bench.blind_from("panel", 4500, 9000)
    assert one(bench.judge(), "a0@bms.a0").verdict is Verdict.ON_TIME


def test_a_raise_is_not_moved_behind_the_steps_that_follow_it() -> None:
    """The reference point is polled so slowly that its bounds reach beyond the acknowledge; the raise came before."""
    bench, _ = referenced()
    bench.period_ms = 4000
    bench.raised("a0", 4500, acknowledge=5500, clear=15_000)
    bench.on("panel.a0", 4600, 15_100)
    site, evidence = bench.site(), bench.evidence()
    timed = time_by_reference(evidence.stimuli[0], site, outlines_of(site, evidence))
    assert timed.acknowledged is not None
    assert timed.raised.hi <= timed.acknowledged.hi
    assert timed.raised == Bounds(at_ms(4495), at_ms(5505))


def test_a_reference_point_expects_its_alarm_without_a_row_of_its_own() -> None:
    bench, names = referenced()
    bench.healthy(names, links=("bms", "panel"))
    judgement = bench.judge()
    assert not judgement.strays
    assert {it.verdict for it in judgement.results} == {Verdict.ON_TIME}


def test_a_reference_point_that_comes_on_for_nothing_is_a_stray() -> None:
    bench, names = referenced()
    bench.healthy(names, links=("bms", "panel"))
    bench.on("panel.a1", 40_000, 41_000)
    assert [it.point for it in bench.judge().strays] == ["panel.a1"]


def test_until_acknowledged_is_released_at_the_acknowledge_even_when_the_reference_is_late_to_clear() -> None:
    bench, _ = referenced(1)
    bench.input("bms.horn", 50)
    bench.row("a0", "bms.horn", Behaviour.UNTIL_ACKNOWLEDGED, LIMITS)
    bench.raised("a0", 5000, acknowledge=6000, clear=9000)
    bench.on("panel.a0", 5010, 9010)
    bench.on("bms.horn", 5150, 6150)
    assert one(bench.judge(), "a0@bms.horn").verdict is Verdict.ON_TIME


def test_a_reference_point_that_another_alarm_holds_times_no_clearing() -> None:
    """a1 brings a0, so the panel goes on showing a0: its output is not brief for going off with a0's own clearing."""
    bench = Bench()
    bench.alarm("a0", reference="panel.a0")
    bench.alarm("a1", brings=("a0",))
    bench.input("panel.a0", 0, link="panel")
    bench.input("bms.a0", 0)
    bench.row("a0", "bms.a0")
    bench.raised("a0", 1000, clear=3000)
    bench.raised("a1", 2950, clear=6000)
    bench.on("panel.a0", 1010, 6010)
    bench.on("bms.a0", 1050, 2990)
    bench.on("bms.a0", 3300, 6100)
    timed = _timed(bench)["s1"]
    assert timed.timed_by == "panel.a0"
    assert timed.cleared is not None
    assert timed.cleared.lo == at_ms(2995)
    assert at_ms(6010) in timed.cleared
    assert one(bench.judge(), "a0@bms.a0").verdict is not Verdict.BRIEF


def test_an_onset_that_an_alarm_raised_before_may_have_brought_times_nothing() -> None:
    bench, _ = referenced(1)
    bench.alarm("a1", brings=("a0",))
    bench.raised("a1", 2000, clear=6000, width=1000)
    bench.raised("a0", 2100, clear=6000, width=1000)
    bench.on("panel.a0", 1900, 6010)
    assert _timed(bench)["s2"].timed_by == ""


def test_an_alarm_raised_again_before_the_reference_point_was_seen_off_was_cleared_at_some_time_until_then() -> None:
    """The panel is polled too slowly to show that it was off between two raises."""
    bench, _ = referenced(1)
    bench.raised("a0", 1030, clear=3008)
    bench.raised("a0", 3080, clear=6000)
    bench.on("panel.a0", 1030, 3008)
    bench.on("panel.a0", 3080, 6000)
    timed = _timed(bench)["s1"]
    assert timed.cleared is not None
    assert at_ms(3008) in timed.cleared
    assert timed.cleared.lo == at_ms(3003)


def test_a_reference_point_that_comes_on_only_after_the_clear_times_nothing() -> None:
    bench, _ = referenced()
    bench.raised("a0", 5000, clear=5400)
    bench.on("panel.a0", 5600, 6000)
    timed = _timed(bench)["s1"]
    assert (timed.timed_by, timed.raised) == ("", bench.stimuli[0].raised)
