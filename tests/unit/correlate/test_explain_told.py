"""What was told and tells nothing: lost messages, broken payloads and lines as causes, and their near misses."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.instants import Bounds
from harness.core.model import Judgement
from harness.core.places import MqttPlace, TextPlace
from harness.core.unreadable import Unreadable
from harness.correlate.engine import correlate
from tests.peers.trace_bench import Bench, at_ms, codes

LOST = "1 message lost: sequence number 4 was followed by 6"
BROKEN = "no sequence number where there should be one"
LINE = "a line that fits no pattern: '0012 RAI0013 LINE OK'"


def bench_of(place: type[MqttPlace | TextPlace]) -> Bench:
    """Two alarms in turn at a link that is told; the second one does not show."""
    bench = Bench()
    for number in range(2):
        name, start = f"a{number}", 1000 + 8000 * number
        bench.alarm(name)
        where = MqttPlace(topic=f"t/{name}") if place is MqttPlace else TextPlace(raised=f"ON {name}")
        bench.point(f"log.{name}", where, link="log")
        bench.row(name, f"log.{name}")
        bench.raised(name, start, clear=start + 2000)
        if number == 0:
            bench.on(f"log.{name}", start + 150, start + 2150)
    return bench


def judged(bench: Bench, ms: float, what: str, point: str = "", *, is_lost: bool = False) -> Judgement:
    seen = Unreadable(link="log", at=Bounds(at_ms(ms), at_ms(ms)), what=what, point=point, is_lost=is_lost)
    found = correlate(bench.site(), replace(bench.evidence(), unreadable=(seen,)))
    assert not found.failures_of_checkers
    return found


def code_of(judgement: Judgement) -> str:
    (found,) = codes(judgement).values()
    return found[0]


@pytest.mark.parametrize(
    ("place", "what", "is_lost", "code"),
    [
        (MqttPlace, LOST, True, "messages-lost"),
        (MqttPlace, BROKEN, False, "payload-unreadable"),
        (TextPlace, LINE, False, "line-broken"),
    ],
)
def test_what_came_in_unreadable_in_the_window_is_the_cause(
    place: type[MqttPlace | TextPlace], what: str, is_lost: bool, code: str
) -> None:
    point = "log.a1" if place is MqttPlace else ""
    judgement = judged(bench_of(place), 9500, what, point, is_lost=is_lost)
    assert code_of(judgement) == code
    (result,) = [it for it in judgement.results if it.causes]
    assert what in result.causes[0].evidence


def test_a_gap_that_shows_only_by_the_next_message_counts_however_late_it_comes() -> None:
    assert code_of(judged(bench_of(MqttPlace), 40_000, LOST, "log.a1", is_lost=True)) == "messages-lost"


@pytest.mark.parametrize(("place", "ms", "point"), [(MqttPlace, 9500, "log.a0"), (MqttPlace, 500, "log.a1"),
                                                    (TextPlace, 500, ""), (TextPlace, 40_000, "")])  # fmt: skip
def test_what_is_of_another_topic_or_came_at_another_time_is_no_cause(
    place: type[MqttPlace | TextPlace], ms: float, point: str
) -> None:
    code = "point-silent" if place is MqttPlace else "line-not-printed"
    assert code_of(judged(bench_of(place), ms, LINE, point)) == code


def test_where_all_was_told_as_it_should_a_broken_line_is_no_cause() -> None:
    bench = bench_of(TextPlace)
    bench.on("log.a1", 9150, 11_150)
    assert codes(judged(bench, 9500, LINE)) == {}
