"""Geometry of the small timeline pictures. Whole numbers only; the template draws them, and escapes every text.

One picture shows one stimulus: a lane for each point, over one time axis whose 0 is the earliest possible raise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Step
from harness.report import human
from harness.report.document import SpanState, Timeline

WIDTH: Final = 720
LEFT: Final = 186
"""Left end of the time axis; the names of the points stand before it."""
RIGHT: Final = 714
HEAD: Final = 32
LANE: Final = 26
NOTE: Final = 10
"""How much higher a lane is that has a note over its bar."""
FOOT: Final = 20
BAR: Final = 11
BAR_Y: Final = 11
"""Top of the bar in its lane."""
NAME_MAX: Final = 31
_LABEL_WIDTH: Final = 74
_TICKS_MAX: Final = 9
_STEPS_NS: Final = tuple(
    n * unit for unit in (NS_PER_MS, 10 * NS_PER_MS, 100 * NS_PER_MS, NS_PER_S, 10 * NS_PER_S) for n in (1, 2, 5)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One span of a lane, from ``x`` over ``width``."""

    x: int
    width: int
    state: SpanState


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A time known within bounds, as a band over all lanes or in one lane; ``label`` stands at ``label_x``, ``row``."""

    x: int
    width: int
    label: str
    label_x: int = 0
    anchor: str = "start"
    row: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One point. ``short`` is its name as far as it fits; ``told`` says in words what the boxes show.

    ``note``: what the point has to do with the subject, '' where it is one of its outputs like the others.
    """

    y: int
    name: str
    short: str
    told: str
    note: str
    is_subject: bool
    boxes: tuple[Box, ...]
    due: tuple[Band, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark of the time axis."""

    x: int
    label: str
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Everything to be drawn, in units of a ``WIDTH`` wide view box."""

    height: int
    title: str
    lanes: tuple[Lane, ...]
    marks: tuple[Band, ...]
    ticks: tuple[Tick, ...]
    simplified: bool


def picture_of(
    timelines: Sequence[Timeline], *, subject: str, title: str, notes: Mapping[str, str] = MappingProxyType({})
) -> Picture | None:
    """The picture of ``timelines`` (all of one stimulus); ``subject`` is the expectation that it is about.

    ``notes``: by point, what is written over its lane. None where there is nothing to draw. The subject's lane comes
    last, next to the axis; the others keep their order.
    """
    if not timelines:
        return None
    ordered = sorted(timelines, key=lambda one: one.expectation == subject)
    window = Bounds(min(one.window.lo for one in ordered), max(one.window.hi for one in ordered))
    scale = _Scale(window)
    zero = next((mark.at.lo for mark in ordered[0].marks if mark.step is Step.RAISE), window.lo)
    lanes = []
    y = HEAD
    for one in ordered:
        note = notes.get(one.point, "")
        y += NOTE if note else 0
        lanes.append(_lane(scale, zero, y, one, note, is_subject=bool(subject) and one.expectation == subject))
        y += LANE
    return Picture(
        height=y + FOOT,
        title=title,
        lanes=tuple(lanes),
        marks=_marks(scale, ordered[0]),
        ticks=_ticks(scale, zero),
        simplified=any(one.simplified for one in ordered),
    )


class _Scale:
    """From ns to units, rounded to whole ones."""

    def __init__(self, window: Bounds) -> None:
        self.window = window

    def x(self, at_ns: int) -> int:
        inside = min(max(at_ns, self.window.lo), self.window.hi) - self.window.lo
        return LEFT + (inside * (RIGHT - LEFT) * 2 + self.window.width) // (2 * max(1, self.window.width))

    def holds(self, bounds: Bounds) -> bool:
        return bounds.hi >= self.window.lo and bounds.lo <= self.window.hi


def _lane(scale: _Scale, zero: int, y: int, timeline: Timeline, note: str, *, is_subject: bool) -> Lane:
    boxes = []
    for span in timeline.spans:
        x = scale.x(span.from_ns)
        boxes.append(Box(x=x, width=max(1, scale.x(span.to_ns) - x), state=span.state))
    due = [
        _band(scale, bounds, label)
        for bounds, label in ((timeline.due, "has to show by here"), (timeline.gone_by, "has to be gone by here"))
        if bounds is not None and scale.holds(bounds)
    ]
    return Lane(
        y=y,
        name=timeline.point,
        short=timeline.point if len(timeline.point) <= NAME_MAX else timeline.point[: NAME_MAX - 2] + "..",
        told=told(timeline, zero),
        note=note,
        is_subject=is_subject,
        boxes=tuple(boxes),
        due=tuple(due),
    )


def _band(scale: _Scale, bounds: Bounds, label: str, row: int = 0) -> Band:
    x = scale.x(bounds.lo)
    near_end = x > RIGHT - _LABEL_WIDTH
    width = max(1, scale.x(bounds.hi) - x)
    return Band(
        x=x, width=width, label=label, label_x=x - 3 if near_end else x, anchor="end" if near_end else "start", row=row
    )


def _marks(scale: _Scale, timeline: Timeline) -> tuple[Band, ...]:
    """The steps of the stimulus; a label that would touch the one before it goes to the second row."""
    bands: list[Band] = []
    for mark in timeline.marks:
        if not scale.holds(mark.at):
            continue
        x = scale.x(mark.at.lo)
        crowded = bool(bands) and x - bands[-1].x < _LABEL_WIDTH and bands[-1].row == 0
        bands.append(_band(scale, mark.at, mark.step.value, row=1 if crowded else 0))
    return tuple(bands)


def _ticks(scale: _Scale, zero: int) -> tuple[Tick, ...]:
    window = scale.window
    step = next((one for one in _STEPS_NS if window.width // one < _TICKS_MAX), window.width // _TICKS_MAX + 1)
    first = -(-(window.lo - zero) // step)
    ticks = []
    for number in range(first, (window.hi - zero) // step + 1):
        x = scale.x(zero + number * step)
        anchor = "start" if x < LEFT + 14 else "end" if x > RIGHT - 14 else "middle"
        text = human.duration(abs(number * step))
        ticks.append(Tick(x=x, label=f"-{text}" if number < 0 else text if number else "0", anchor=anchor))
    return tuple(ticks)


_WORDS: Final = {
    SpanState.ON: "on",
    SpanState.OFF: "off",
    SpanState.UNKNOWN: "changing",
    SpanState.BLIND: "not observed",
}


def told(timeline: Timeline, zero: int) -> str:
    """The lane in words: ``off until 0.21 s; changing until 0.32 s; on until 6.1 s``; at most 12 spans."""
    parts = []
    for span in timeline.spans[:12]:
        until = human.bounds(Bounds.exactly(span.to_ns - zero))
        parts.append(f"{_WORDS[span.state]} until {until}")
    if len(timeline.spans) > 12:
        parts.append(f"and {len(timeline.spans) - 12} more changes")
    return "; ".join(parts)
