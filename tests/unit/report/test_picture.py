"""The geometry of the pictures: everything inside, in proportion, and told in words as well."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Step
from harness.report.document import Mark, ReportDocument, Span, SpanState, Timeline
from harness.report.picture import LEFT, NOTE, RIGHT, Picture, picture_of

S = NS_PER_S
TEN_S = Bounds(0, 10 * S)


def timeline(*cuts: int, window: Bounds = TEN_S, marks: tuple[Mark, ...] = ()) -> Timeline:
    """Off and on in turn, changing at ``cuts``."""
    edges = [window.lo, *cuts, window.hi]
    states = (SpanState.OFF, SpanState.ON)
    spans = tuple(
        Span(state=states[number % 2], from_ns=edges[number], to_ns=edges[number + 1])
        for number in range(len(edges) - 1)
    )
    return Timeline(stimulus="s1", point="p", window=window, spans=spans, marks=marks, expectation="a@p")


def drawn(*timelines: Timeline) -> Picture:
    picture = picture_of(timelines, subject="a@p", title="t")
    assert picture is not None
    return picture


def test_lengths_are_in_proportion() -> None:
    boxes = drawn(timeline(2 * S, 7 * S)).lanes[0].boxes
    whole = RIGHT - LEFT
    assert [box.state.value for box in boxes] == ["off", "on", "off"]
    assert abs(boxes[1].width - whole // 2) <= 1
    assert abs(boxes[1].x - (LEFT + whole * 2 // 10)) <= 1


def test_a_note_has_room_over_its_lane_and_moves_the_others_down() -> None:
    first, second = replace(timeline(2 * S), point="q", expectation=""), timeline(3 * S)
    plain, noted = drawn(first, second), picture_of([first, second], subject="a@p", title="t", notes={"q": "here"})
    assert noted is not None
    assert [lane.note for lane in noted.lanes] == ["here", ""]
    assert [lane.y - before.y for lane, before in zip(noted.lanes, plain.lanes, strict=True)] == [NOTE, NOTE]
    assert noted.height == plain.height + NOTE


def test_a_pulse_too_short_for_a_unit_is_still_drawn() -> None:
    boxes = drawn(timeline(5 * S, 5 * S + 1)).lanes[0].boxes
    assert [box.width >= 1 for box in boxes] == [True] * 3


@given(
    lo=st.integers(-(10**15), 10**15),
    width=st.integers(1, 10**13),
    parts=st.lists(st.integers(0, 100), max_size=8),
    mark=st.tuples(st.integers(-(10**13), 10**13), st.integers(0, 10**12)),
)
def test_everything_lies_within_the_axis(lo: int, width: int, parts: list[int], mark: tuple[int, int]) -> None:
    window = Bounds(lo, lo + width)
    raised = Mark(step=Step.RAISE, at=Bounds(lo + mark[0], lo + mark[0] + mark[1]))
    cuts = sorted(lo + width * part // 100 for part in parts)
    one = replace(timeline(*cuts, window=window, marks=(raised,)), due=raised.at, gone_by=raised.at)
    picture = drawn(one)
    lane = picture.lanes[0]
    extents = [(box.x, box.width) for box in lane.boxes]
    extents += [(band.x, band.width) for band in (*lane.due, *picture.marks)]
    for x, size in extents:
        assert x >= LEFT
        assert x + size <= RIGHT + 1
    assert all(LEFT <= tick.x <= RIGHT for tick in picture.ticks)
    assert len(picture.ticks) <= 12


def test_time_runs_from_the_raise() -> None:
    raised = Mark(step=Step.RAISE, at=Bounds(2 * S, 2 * S + 4))
    picture = drawn(timeline(3 * S, marks=(raised,)))
    assert [tick.label for tick in picture.ticks][:4] == ["-2 s", "0", "2 s", "4 s"]
    assert picture.lanes[0].told == "off until 1.000 s; on until 8.000 s"


def test_labels_that_would_touch_go_to_the_second_row() -> None:
    marks = tuple(
        Mark(step=step, at=Bounds.exactly(at * S // 10)) for step, at in zip(Step, (20, 22, 40, 60), strict=False)
    )
    assert [band.row for band in drawn(timeline(S, marks=marks)).marks] == [0, 1, 0, 0]


def test_the_point_in_question_stands_lowest(document: ReportDocument) -> None:
    attempt = document.attempts[-1]
    stimulus = attempt.stimuli[3].id
    lanes = [one for one in attempt.timelines if one.stimulus == stimulus]
    picture = picture_of(lanes, subject=lanes[0].expectation, title="t")
    assert picture is not None
    assert [lane.is_subject for lane in picture.lanes] == [False, False, False, True]
    assert picture.lanes[-1].name == lanes[0].point
    assert picture_of([], subject="", title="t") is None
