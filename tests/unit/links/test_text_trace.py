"""Printed lines as traces, on small numbers: bounds, states, edges and seals of each rule; and against random truth."""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass

import pytest

from harness.core.errors import Origin
from harness.core.links import TextLink
from harness.core.places import TextPlace
from harness.core.trace import Trace
from harness.links.base import LinkState
from harness.links.seen import Dropped, Message, StateChange
from harness.links.text_trace import text_trace

PLACE = TextPlace(raised="ON A", cleared="OFF A", acknowledged="ACK A")
MOMENTARY = TextPlace(raised="ON A")
UP, DOWN = LinkState.UP, LinkState.DOWN


def link(delay: int | None = 50, *, promises: bool = True) -> TextLink:
    return TextLink(
        name="printer",
        host="127.0.0.1",
        tcp_port=1,
        longest_delay_ns=delay,
        promises_every_change=promises,
        origin=Origin(file="test", line=1),
    )


def line(at: int, text: str, first: int | None = None) -> Message:
    return Message(first_ns=at if first is None else first, last_ns=at, data=text.encode("latin-1"))


def states(*changes: tuple[int, LinkState]) -> list[StateChange]:
    return [StateChange(at_ns=at, state=state, why="") for at, state in changes]


@dataclass(frozen=True)
class S:
    """One sample: bounds, state, whether it is the change itself, whether the gap before it is sealed."""

    lo: int
    hi: int
    on: bool
    edge: bool = False
    sealed: bool = False


def samples(trace: Trace) -> list[S]:
    starts = trace.starts.tolist()
    found = []
    for index in range(len(trace)):
        run = max(number for number, start in enumerate(starts) if start <= index)
        edge = bool(trace.edges[run]) and starts[run] == index
        sealed = trace.sealed is not None and bool(trace.sealed[index])
        found.append(S(int(trace.lo[index]), int(trace.hi[index]), trace.run_is_on(run), edge, sealed))
    return found


def read(
    *lines: Message,
    spec: TextLink | None = None,
    place: TextPlace = PLACE,
    changes: list[StateChange] | None = None,
    dropped: list[Dropped] | None = None,
    start: int = 0,
    end: int = 10_000,
) -> list[S]:
    changes = states((100, UP)) if changes is None else changes
    return samples(text_trace("a", place, spec or link(), list(lines), changes, start, end, dropped or []))


def test_a_link_that_was_never_up_gives_no_evidence() -> None:
    assert read(changes=[]) == []
    assert read(changes=states((100, DOWN))) == []
    assert read(changes=states((100, UP), (150, DOWN)), start=200) == []
    assert read(changes=states((20_000, UP))) == []


def test_what_one_read_brought_beside_what_was_lost_may_have_come_before_or_behind_it() -> None:
    """The clock that stamps them stood still: a line of the same instant proves nothing of what was lost with it."""
    point, spec = TextPlace(raised="ON A", cleared="OFF A"), link(50)
    lines = [line(2000, "ON A"), line(2000, "x"), line(4000, "x"), line(6000, "OFF A")]
    for at, is_sealed in ((2000, False), (1500, True)):
        drops = [Dropped(at_ns=at, what="a line that was too long", data=b"")]
        found = text_trace("a", point, spec, lines, states((1000, UP)), 0, 10_000, drops)
        assert [one.sealed for one in samples(found)][-1] is is_sealed


def test_subscribing_is_off_at_that_instant_and_not_before_the_start() -> None:
    assert read() == [S(100, 100, on=False)]
    assert read(start=300) == [S(300, 300, on=False)]
    assert read(changes=states((100, UP), (150, DOWN), (400, UP)), start=200) == [S(400, 400, on=False)]


def test_a_change_lies_between_its_arrival_less_the_delay_and_its_arrival() -> None:
    assert read(line(300, "ON A", first=290), line(500, "OFF A")) == [
        S(100, 100, on=False),
        S(240, 300, on=True, edge=True, sealed=True),
        S(450, 500, on=False, edge=True, sealed=True),
    ]


def test_without_a_delay_the_change_before_is_the_lower_bound() -> None:
    assert read(line(300, "ON A"), line(500, "OFF A"), line(900, "x"), spec=link(None)) == [
        S(100, 100, on=False),
        S(101, 300, on=True, edge=True, sealed=True),
        S(102, 500, on=False, edge=True, sealed=True),
    ]


def test_a_change_told_soon_after_subscribing_may_lie_before_it() -> None:
    assert read(line(120, "ON A")) == [S(69, 100, on=False), S(70, 120, on=True, edge=True, sealed=True)]


def test_a_raised_line_while_on_is_a_state_and_an_acknowledged_line_is_nothing() -> None:
    assert read(line(300, "ON A"), line(350, "ACK A"), line(400, "ON A")) == [
        S(100, 100, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(350, 400, on=True, sealed=True),
    ]


NUMBERED = TextPlace(raised=r"(?P<seq>\d+) ON A", cleared=r"(?P<seq>\d+) OFF A")


def test_a_line_that_is_sent_again_with_its_number_is_the_same_event() -> None:
    once = read(line(300, "1 ON A"), line(500, "2 OFF A"), place=NUMBERED)
    again = read(
        line(300, "1 ON A"), line(310, "1 ON A"), line(500, "2 OFF A"), line(510, "2 OFF A"), place=NUMBERED
    )  # fmt: skip
    assert [it for it in again if it.edge] == [it for it in once if it.edge]
    assert sum(it.on for it in again) == 1


def test_a_line_with_another_number_or_with_none_is_an_event_of_its_own() -> None:
    numbered = read(line(300, "1 ON A"), line(500, "2 OFF A"), line(600, "3 OFF A"), place=NUMBERED)
    assert [it.on for it in numbered if it.hi > 300] == [False, True, False]
    plain = read(line(300, "ON A"), line(500, "OFF A"), line(600, "OFF A"))
    assert [it.on for it in plain if it.hi > 300] == [False, True, False]


def test_a_lone_cleared_line_proves_an_onset_after_the_change_before() -> None:
    assert read(line(300, "ON A"), line(400, "OFF A"), line(900, "OFF A")) == [
        S(100, 100, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(350, 400, on=False, edge=True, sealed=True),
        S(351, 900, on=True),
        S(850, 901, on=False, edge=True, sealed=True),
    ]


def test_a_cleared_line_first_of_all_leaves_open_what_was_before_it() -> None:
    assert read(line(300, "x"), line(400, "OFF A")) == [
        S(100, 400, on=True),
        S(350, 401, on=False, edge=True, sealed=True),
    ]


def test_what_came_in_last_proves_silence_up_to_the_delay_before_it() -> None:
    assert read(line(300, "x"), line(700, "x", first=690)) == [
        S(100, 100, on=False),
        S(640, 640, on=False, sealed=True),
    ]
    assert read(line(300, "ON A"), line(400, "OFF A"), line(700, "x"))[-1] == S(650, 650, on=False, sealed=True)


def test_no_silence_is_proven_before_the_last_change_may_have_been() -> None:
    assert read(line(300, "ON A"), line(400, "OFF A"), line(440, "x"))[-1] == S(
        350, 400, on=False, edge=True, sealed=True
    )
    assert read(line(140, "x")) == [S(100, 100, on=False)]


@pytest.mark.parametrize("spec", [link(promises=False), link(None)])
def test_silence_proves_nothing_without_the_promise_or_the_delay(spec: TextLink) -> None:
    assert read(line(700, "x"), spec=spec) == [S(100, 100, on=False)]


def test_without_the_promise_nothing_is_sealed() -> None:
    assert not any(one.sealed for one in read(line(300, "ON A"), line(500, "OFF A"), spec=link(promises=False)))


def test_a_missing_cleared_line_leaves_the_end_open() -> None:
    assert read(line(300, "ON A"), line(900, "x"))[-1] == S(250, 300, on=True, edge=True, sealed=True)


def test_lines_after_the_end_are_not_read() -> None:
    assert read(line(300, "ON A"), end=299) == [S(100, 100, on=False)]


FLAP = states((100, UP), (500, DOWN), (600, UP))


def test_a_reconnect_breaks_the_seal_and_what_follows_is_a_state() -> None:
    assert read(line(300, "x"), line(800, "ON A"), line(900, "OFF A"), changes=FLAP) == [
        S(100, 100, on=False),
        S(250, 250, on=False, sealed=True),
        S(750, 800, on=True),
        S(850, 900, on=False, edge=True, sealed=True),
    ]


def test_after_a_reconnect_silence_proves_nothing_until_the_next_line_of_the_point() -> None:
    assert read(line(300, "x"), line(900, "x"), changes=FLAP) == [
        S(100, 100, on=False),
        S(250, 250, on=False, sealed=True),
    ]
    assert read(line(700, "ON A"), line(750, "OFF A"), line(900, "x"), changes=FLAP)[-1] == S(
        850, 850, on=False, sealed=True
    )


def test_on_across_a_reconnect_stays_on_and_unsealed() -> None:
    assert read(line(300, "ON A"), line(900, "OFF A"), changes=FLAP) == [
        S(100, 100, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(850, 900, on=False, edge=True, sealed=False),
    ]


def test_a_line_that_did_not_arrive_as_text_breaks_like_a_reconnect() -> None:
    broken = [
        S(100, 100, on=False),
        S(250, 250, on=False, sealed=True),
        S(750, 800, on=True),
    ]
    assert read(line(300, "x"), line(500, "O\xce A"), line(800, "ON A")) == broken
    cut = [Dropped(at_ns=500, what="a line longer than 1024 bytes", data=b"")]
    assert read(line(300, "x"), line(800, "ON A"), dropped=cut) == broken


def test_a_momentary_point_is_off_right_after_each_line() -> None:
    assert read(line(300, "ON A"), line(600, "ON A"), place=MOMENTARY) == [
        S(100, 100, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(251, 301, on=False, edge=True, sealed=True),
        S(550, 600, on=True, edge=True, sealed=True),
        S(551, 601, on=False, edge=True, sealed=True),
    ]


def test_a_momentary_point_is_off_after_a_reconnect_too_but_not_sealed_across_it() -> None:
    assert read(line(900, "x"), changes=FLAP, place=MOMENTARY) == [S(100, 100, on=False), S(850, 850, on=False)]


def test_lines_that_came_in_together_keep_their_order() -> None:
    together = [line(300, text) for text in ("ON A", "OFF A", "ON A", "ON A", "OFF A")]
    assert [one.on for one in read(*together)] == [False, True, False, True, True, False]
    assert [one.on for one in read(*together, spec=link(0))] == [False, True, False, True, True, False]
    assert [one.on for one in read(*together, place=MOMENTARY)] == [False, *([True, False] * 3)]


def test_the_truth_lies_within_the_bounds_whatever_is_lost() -> None:
    """A point that changes at random, a log that delays lines by up to D, a link that flaps: what is said is true."""
    for seed in range(400):
        chance = random.Random(seed)
        _one_random_run(chance, delay=chance.choice([5, 40, 200]), flaps=chance.randrange(3))


def _one_random_run(chance: random.Random, delay: int, flaps: int) -> None:
    # The point is off when the link comes up, and the log is silent on it until then.
    moments = sorted(chance.sample(range(1001, 9000), chance.randrange(0, 9)))
    changes = [(at, number % 2 == 0) for number, at in enumerate(moments)]
    cuts = sorted(chance.sample(range(1500, 9500), 2 * flaps))
    down = list(zip(cuts[::2], cuts[1::2], strict=True))
    link_states = states((1000, UP), *[change for a, b in down for change in ((a, DOWN), (b, UP))])
    told = [(at, "ON A" if on else "OFF A") for at, on in changes]
    told += [(at, "x") for at in chance.sample(range(1000, 9800), 10)]
    lines, before = [], 0
    for at, text in sorted(told):
        before = max(before, at + chance.randrange(delay + 1))  # in order
        if not any(a <= before < b for a, b in down):
            lines.append(line(before, text))
    seen = samples(text_trace("a", PLACE, link(delay), lines, link_states, 0, 10_000))

    def state(at: int) -> bool:
        return bool([on for moment, on in changes if moment <= at][-1:] == [True])

    for one in seen:
        held = {state(one.lo), state(one.hi)} | {on for moment, on in changes if one.lo <= moment <= one.hi}
        assert one.on in held, f"{one} is not true of {changes}"
        if one.edge:
            assert any(on is one.on and one.lo <= at <= one.hi for at, on in changes), f"{one}: no such change"
    for first, second in itertools.pairwise(seen):
        if second.sealed:
            inside = [at for at, on in changes if on and first.hi < at < second.lo]
            assert not inside, f"sealed from {first} to {second}, yet an onset at {inside}"
