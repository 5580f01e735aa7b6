"""Distributions as a picture: for each output the share of latencies, and of visible times, that are at most so long.

The dark area lies between the bounds of the most likely distribution (polls leave it open where it lies within a gap);
the light band holds the whole true distribution with the stated confidence (``measure.band``). Black, grey and shapes
only: colour is for verdicts.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from harness.core.durations import duration
from harness.core.instants import FOREVER, Bounds
from harness.measure.band import band
from harness.measure.likelihood_ratio import BracketedTimes, Evidence, VisibleTimes
from harness.measure.trials import DESCRIBED_MIN, RowSummary
from harness.measure.visible_time import Seen, bounds_of
from harness.report.measured import Measured
from harness.report.measured_words import percent
from harness.report.safe import safe_text
from harness.report.svg import cut, opening, page

PANEL: Final = (440, 248)
"""Width and height of one panel, in units of the picture; two stand beside each other, latency and visible time."""
PLOT: Final = (58, 44, 424, 190)
"""Left, top, right and bottom of the plot in its panel."""
HEAD: Final = 88
FOOT: Final = 24
STEPS: Final = 120
"""Times at which the curves are drawn."""
TICKS_MIN: Final = 3
ROWS_MAX: Final = 60
"""Outputs in one picture: more are no picture any more."""
LABEL_CHARS: Final = 58
STYLE: Final = ".l{fill:#999;stroke:#111;stroke-width:1.5;stroke-linejoin:round}"


def measured_svg(told: Measured) -> str:
    """One SVG document, which stands alone: no script, no font, nothing loaded."""
    rows = [one for one in told.rows if len(one.row.latencies) >= DESCRIBED_MIN][:ROWS_MAX]
    panels = [panel for one in rows for panel in (_latency(one, told), _visible(one, told))]
    height = HEAD + PANEL[1] * max(1, len(rows)) + FOOT
    width = 2 * PANEL[0]
    title = f"{safe_text(told.title)}: how late, and how long visible"
    records = ", ".join(safe_text(it.name) for it in told.records)
    sure = percent(told.asked.confidence)
    light = f"holds the whole distribution ({sure}); alarms that no reading met are in it"
    parts = [
        *opening(width, height, title=title, under=cut(records, 120), style=STYLE),
        *_legend(("l", "most likely"), ("b", light)),
    ]
    for number, panel in enumerate(panels):
        x, y = PANEL[0] * (number % 2), HEAD + PANEL[1] * (number // 2)
        parts.append(f'<g transform="translate({x} {y})">{panel}</g>')
    if not rows:
        parts.append(f'<text x="16" y="{HEAD + 24}">No output was tried more than once.</text>')
    elif len(rows) < len(told.rows):
        parts.append(
            f'<text class="s" x="16" y="{height - 8}">Not drawn: {len(told.rows) - len(rows)} more outputs.</text>'
        )
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _legend(*kinds: tuple[str, str]) -> list[str]:
    """Above the panels: what each area is, and what both stand for."""
    x, parts = 16, []
    for kind, text in kinds:
        parts.append(f'<rect class="{kind}" x="{x}" y="58" width="18" height="12"/>')
        parts.append(f'<text class="s" x="{x + 24}" y="69">{escape(text)}</text>')
        x += 24 + 7 * len(text) + 16
    return parts


def measured_html(told: Measured) -> str:
    """A page with nothing on it but the picture, for whoever has no viewer of SVG."""
    return page(f"{safe_text(told.title)}: measured", measured_svg(told))


def _latency(one: RowSummary, told: Measured) -> str:
    times = one.row.latencies
    label = f"{one.row.alarm} at {one.row.point}"
    head = _head(label, f"latency of {len(times)} that showed") + _axes("share of those shown", "latency of at most")
    return head + _curves(BracketedTimes(times), times, told.asked.confidence)


def _visible(one: RowSummary, told: Measured) -> str:
    trials = one.row.visible
    label = f"{one.row.alarm} at {one.row.point}"
    if one.visible is None:
        why = "too few to tell" if one.row.ends_by_itself else "as long as somebody holds it"
        return _head(label, f"visible: {why}")
    times = [bounds_of(it) for it in trials]
    unseen = sum(not isinstance(it, Seen) for it in trials)
    met = f"visible times of {len(trials)} trials" + (f", {unseen} met by no reading" if unseen else "")
    head = _head(label, met) + _axes("share of trials", "visible for at most")
    return head + _curves(VisibleTimes(trials), times, told.asked.confidence)


def _head(label: str, under: str) -> str:
    left = PLOT[0]
    return (
        f'<text class="n" x="{left}" y="16">{escape(cut(safe_text(label), LABEL_CHARS))}</text>'
        f'<text class="s" x="{left}" y="32">{escape(under)}</text>'
    )


def _axes(beside: str, below: str) -> str:
    """What the axes stand for."""
    left, top, right, bottom = PLOT
    turned = f"translate(18 {(top + bottom) // 2}) rotate(-90)"
    return (
        f'<text class="s" transform="{turned}" text-anchor="middle">{beside}</text>'
        f'<text class="s" x="{(left + right) // 2}" y="{bottom + 32}" text-anchor="middle">{below}</text>'
    )


def _curves(evidence: Evidence, times: Sequence[Bounds], confidence: float) -> str:
    left, top, right, bottom = PLOT
    longest = max([it.hi for it in times if it.hi < FOREVER] + [it.lo for it in times] + [1])
    longest += longest // 20
    cuts = [longest * number // STEPS for number in range(STEPS + 1)]
    whole = band(times, confidence=confidence)
    outer, likely = [whole.at_most(it) for it in cuts], [evidence.shares(it) for it in cuts]

    def x(time_ns: int) -> float:
        return left + time_ns / longest * (right - left)

    def y(share: float) -> float:
        return bottom - share * (bottom - top)

    def area(kind: str, bounds: Sequence[tuple[float, float]]) -> str:
        lower = [(x(at), y(low)) for at, (low, _) in zip(cuts, bounds, strict=True)]
        upper = [(x(at), y(high)) for at, (_, high) in zip(cuts, bounds, strict=True)]
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in [*lower, *reversed(upper)])
        return f'<polygon class="{kind}" points="{points}"/>'

    parts = [area("b", outer)]
    for share in (0.0, 0.5, 1.0):
        parts.append(f'<line class="g" x1="{left}" x2="{right}" y1="{y(share):.1f}" y2="{y(share):.1f}"/>')
        parts.append(f'<text class="s" x="{left - 6}" y="{y(share) + 4:.1f}" text-anchor="end">{share:g}</text>')
    parts.append(area("l", likely))
    parts.append(f'<line class="a" x1="{left}" x2="{right}" y1="{bottom}" y2="{bottom}"/>')
    for at in range(0, longest + 1, _tick_ns(longest)):
        text = duration(at) if at else "0"
        parts.append(f'<line class="g" x1="{x(at):.1f}" x2="{x(at):.1f}" y1="{bottom}" y2="{bottom + 4}"/>')
        parts.append(f'<text class="s" x="{x(at):.1f}" y="{bottom + 16}" text-anchor="middle">{text}</text>')
    return "".join(parts)


def _tick_ns(longest_ns: int) -> int:
    """A round time of which three to seven fit on the axis."""
    step = 1
    while longest_ns // (step * 10) >= TICKS_MIN:
        step *= 10
    return next((step * by for by in (5, 2) if longest_ns // (step * by) >= TICKS_MIN), step)
