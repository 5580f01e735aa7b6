"""Distributions as a picture: for each output the share of latencies, and of visible times, that are at most so long.

The dark area lies between the bounds of the most likely distribution (polls leave it open where it lies within a gap);
the light band holds the whole true distribution with the stated confidence (``measure.band``). Black, grey and shapes
only: colour is for verdicts.
"""

from __future__ import annotations

from html import escape
from typing import Final

from harness.measure.trials import DESCRIBED_MIN, RowSummary
from harness.report.measured import Measured
from harness.report.measured_panels import PANEL, PLOT, Panel, corners, label_of, latency_panel, visible_panel
from harness.report.measured_words import percent
from harness.report.safe import safe_text
from harness.report.svg import cut, opening, page

HEAD: Final = 88
FOOT: Final = 24
ROWS_MAX: Final = 60
"""Outputs in one picture: more are no picture any more."""
LABEL_CHARS: Final = 58
STYLE: Final = ".l{fill:#999;stroke:#111;stroke-width:1.5;stroke-linejoin:round}"


def measured_svg(told: Measured) -> str:
    """One SVG document, which stands alone: no script, no font, nothing loaded."""
    rows = [one for one in told.rows if len(one.row.latencies) >= DESCRIBED_MIN][:ROWS_MAX]
    sure = told.asked.confidence
    panels = [it for one in rows for it in (_drawn(latency_panel(one, confidence=sure)), _visible(one, sure))]
    height = HEAD + PANEL[1] * max(1, len(rows)) + FOOT
    width = 2 * PANEL[0]
    title = f"{safe_text(told.title)}: how late, and how long visible"
    records = ", ".join(safe_text(it.name) for it in told.records)
    light = f"holds the whole distribution ({percent(sure)}); alarms that no reading met are in it"
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


def _visible(one: RowSummary, confidence: float) -> str:
    found = visible_panel(one, confidence=confidence)
    if found is None:
        why = "too few to tell" if one.row.ends_by_itself else "as long as somebody holds it"
        return _head(label_of(one), f"visible: {why}")
    return _drawn(found)


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


def _drawn(panel: Panel) -> str:
    left, _, right, bottom = PLOT
    parts = [
        _head(panel.label, panel.under),
        _axes(panel.beside, panel.below),
        f'<polygon class="b" points="{corners(panel.outer)}"/>',
    ]
    for share in panel.shares:
        parts.append(f'<line class="g" x1="{left}" x2="{right}" y1="{share.at:.1f}" y2="{share.at:.1f}"/>')
        parts.append(f'<text class="s" x="{left - 6}" y="{share.at + 4:.1f}" text-anchor="end">{share.label}</text>')
    parts.append(f'<polygon class="l" points="{corners(panel.likely)}"/>')
    parts.append(f'<line class="a" x1="{left}" x2="{right}" y1="{bottom}" y2="{bottom}"/>')
    for time in panel.times:
        parts.append(f'<line class="g" x1="{time.at:.1f}" x2="{time.at:.1f}" y1="{bottom}" y2="{bottom + 4}"/>')
        parts.append(f'<text class="s" x="{time.at:.1f}" y="{bottom + 16}" text-anchor="middle">{time.label}</text>')
    return "".join(parts)
