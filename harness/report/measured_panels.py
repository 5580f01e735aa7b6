"""The geometry of a distribution's picture: one panel for the latencies or the visible times of an output.

The dark area lies between the bounds of the most likely distribution (polls leave it open where it lies within a gap);
the light band holds the whole true distribution with the stated confidence (``measure.band``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.durations import duration
from harness.core.instants import FOREVER, Bounds
from harness.measure.band import band
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes
from harness.measure.trials import RowSummary
from harness.measure.visible_time import Seen, bounds_of

PANEL: Final = (440, 248)
"""Width and height of one panel, in units of the picture; two stand beside each other, latency and visible time."""
PLOT: Final = (58, 44, 424, 190)
"""Left, top, right and bottom of the plot in its panel."""
STEPS: Final = 120
"""Times at which the curves are drawn."""
TICKS_MIN: Final = 3
SHARES: Final = (0.0, 0.5, 1.0)

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark on an axis: where it is, and what it says."""

    at: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel. ``beside`` and ``below`` name its axes; ``outer`` and ``likely`` are the corners of its areas.

    ``label`` is of the output, as the record has it: not yet safe, and not escaped.
    """

    label: str
    under: str
    beside: str
    below: str
    outer: Corners
    likely: Corners
    shares: tuple[Tick, ...]
    times: tuple[Tick, ...]


def label_of(one: RowSummary) -> str:
    """``bulk-a.high at bms:10002``."""
    return f"{one.row.alarm} at {one.row.point}"


def latency_panel(one: RowSummary, *, confidence: float) -> Panel:
    """Of the trials that showed."""
    times = one.row.latencies
    return _panel(
        BracketedTimes(times),
        times,
        confidence,
        label=label_of(one),
        under=f"latency of {len(times)} that showed",
        beside="share of those shown",
        below="latency of at most",
    )


def visible_panel(one: RowSummary, *, confidence: float) -> Panel | None:
    """Of all trials, those that nobody saw included; None where nothing is told of how long it is visible."""
    if one.visible is None:
        return None
    trials = one.row.visible
    unseen = sum(not isinstance(it, Seen) for it in trials)
    return _panel(
        VisibleTimes(trials),
        [bounds_of(it) for it in trials],
        confidence,
        label=label_of(one),
        under=f"visible times of {len(trials)} trials" + (f", {unseen} met by no reading" if unseen else ""),
        beside="share of trials",
        below="visible for at most",
    )


def corners(points: Corners) -> str:
    """As SVG has them."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def thinned(points: Corners) -> Corners:
    """The same outline without the corners that lie between their neighbours on a level or upright line."""
    kept: list[tuple[float, float]] = []
    for x, y in points:
        point = round(x, 1), round(y, 1)
        while len(kept) > 1 and _is_between(kept[-2], kept[-1], point):
            kept.pop()
        kept.append(point)
    return tuple(kept)


def _is_between(one: tuple[float, float], middle: tuple[float, float], other: tuple[float, float]) -> bool:
    """False where the outline turns back: then the corner is the end of a line."""
    (x1, y1), (x2, y2), (x3, y3) = one, middle, other
    return (x1 == x2 == x3 and (y1 <= y2 <= y3 or y1 >= y2 >= y3)) or (
        y1 == y2 == y3 and (x1 <= x2 <= x3 or x1 >= x2 >= x3)
    )


def _panel(
    evidence: Evidence, times: Sequence[Bounds], confidence: float, *, label: str, under: str, beside: str, below: str
) -> Panel:
    left, top, right, bottom = PLOT
    longest = max([it.hi for it in times if it.hi < FOREVER] + [it.lo for it in times] + [1])
    longest += longest // 20
    cuts = [longest * number // STEPS for number in range(STEPS + 1)]
    whole = band(times, confidence=confidence)

    def x(time_ns: int) -> float:
        return left + time_ns / longest * (right - left)

    def y(share: float) -> float:
        return bottom - share * (bottom - top)

    def area(bounds: Sequence[tuple[float, float]]) -> Corners:
        lower = [(x(at), y(low)) for at, (low, _) in zip(cuts, bounds, strict=True)]
        upper = [(x(at), y(high)) for at, (_, high) in zip(cuts, bounds, strict=True)]
        return (*lower, *reversed(upper))

    return Panel(
        label=label,
        under=under,
        beside=beside,
        below=below,
        outer=area([whole.at_most(it) for it in cuts]),
        likely=area([evidence.shares(it) for it in cuts]),
        shares=tuple(Tick(at=y(share), label=f"{share:g}") for share in SHARES),
        times=tuple(
            Tick(at=x(at), label=duration(at) if at else "0") for at in range(0, longest + 1, _tick_ns(longest))
        ),
    )


def _tick_ns(longest_ns: int) -> int:
    """A round time of which three to seven fit on the axis."""
    step = 1
    while longest_ns // (step * 10) >= TICKS_MIN:
        step *= 10
    return next((step * by for by in (5, 2) if longest_ns // (step * by) >= TICKS_MIN), step)
