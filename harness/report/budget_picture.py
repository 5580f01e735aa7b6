"""Chance seen against length as a picture: one panel for each different curve, as SVG or as a page around it.

Black, grey and shapes only: colour is for verdicts. The grey band lies between the bounds of the ranges that were
declared; dots stand at the transients that were asked about.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from html import escape
from math import log10
from typing import Final

from harness.measure.budget import certain_from, chance_of
from harness.measure.budget_steps import HELD, Case
from harness.report.budget_chart import Curve, alike, curves_of, length_at, lengths_from_to
from harness.report.budget_document import Budget
from harness.report.budget_words import need_words, seconds_words, share_words
from harness.report.safe import safe_text
from harness.report.svg import cut, opening, page

PANEL: Final = (440, 258)
"""Width and height of one panel, in units of the picture."""
PLOT: Final = (46, 64, 420, 212)
"""Left, top, right and bottom of the plot in its panel."""
HEAD: Final = 58
FOOT: Final = 34
COLUMNS: Final = 2
POINTS: Final = 160
LABEL_CHARS: Final = 62
_Along = Callable[[Fraction], float]
STYLE: Final = (
    ".c{fill:none;stroke:#111;stroke-width:2;stroke-linejoin:round}.m{stroke:#111;stroke-width:1;stroke-dasharray:4 3}"
    ".d{fill:#111}"
)


def budget_svg(budget: Budget) -> str:
    """One SVG document, which stands alone: no script, no font, nothing loaded."""
    curves = curves_of(budget)
    low, high = lengths_from_to(curves)
    lengths = tuple(length_at(number / POINTS, low, high) for number in range(POINTS + 1))
    panels = [_panel(curve, chances, lengths, budget) for curve, chances in alike(curves, lengths)]
    rows = max(1, -(-len(panels) // COLUMNS))
    width, height = PANEL[0] * COLUMNS, HEAD + PANEL[1] * rows + FOOT
    title = f"{safe_text(budget.title)}: chance that a transient is seen, against its length"
    under = "; ".join(("usual case; band: bounds by the ranges that are declared", *budget.what_if))
    parts = opening(width, height, title=title, under=cut(safe_text(under), 130), style=STYLE)
    for number, panel in enumerate(panels):
        x, y = PANEL[0] * (number % COLUMNS), HEAD + PANEL[1] * (number // COLUMNS)
        parts.append(f'<g transform="translate({x} {y})">{panel}</g>')
    if not panels:
        parts.append(f'<text x="16" y="{HEAD + 24}">Nothing here can be missed, whatever its length.</text>')
    foot = "Exact for polls of independent phases; polls that are locked to each other break it."
    parts.append(f'<text class="s" x="16" y="{height - 14}">{foot}</text></svg>')
    return "\n".join(parts) + "\n"


def budget_html(budget: Budget) -> str:
    """A page with nothing on it but the picture, for whoever has no viewer of SVG."""
    return page(f"{safe_text(budget.title)}: what pollers can see", budget_svg(budget))


def _panel(curve: Curve, chances: Sequence[Fraction], lengths: Sequence[Fraction], budget: Budget) -> str:
    steps = curve.group.way.steps(curve.watcher, dead=curve.dead)
    left, top, right, bottom = PLOT
    low, high = log10(lengths[0]), log10(lengths[-1])

    def x(length: Fraction) -> float:
        return left + (log10(length) - low) / (high - low) * (right - left)

    def y(chance: Fraction) -> float:
        return bottom - float(chance) * (bottom - top)

    slow = [chance_of(steps, it, Case.SLOWEST) for it in lengths]
    quick = [chance_of(steps, it, Case.QUICKEST) for it in lengths]
    need = certain_from(steps)
    label, *more = _lines(safe_text(curve.label))
    parts = [f'<text class="n" x="{left}" y="18">{escape(label)}</text>']
    under = f"certain {need_words(need)}" if not more else more[0]
    parts.append(f'<text class="s" x="{left}" y="34">{escape(under)}</text>')
    if more:
        parts.append(f'<text class="s" x="{left}" y="49">{escape("certain " + need_words(need))}</text>')
    for chance in (Fraction(0), Fraction(1, 2), Fraction(1)):
        parts.append(f'<line class="g" x1="{left}" x2="{right}" y1="{y(chance):.1f}" y2="{y(chance):.1f}"/>')
        parts.append(
            f'<text class="s" x="{left - 6}" y="{y(chance) + 4:.1f}" text-anchor="end">{float(chance):g}</text>'
        )
    for power in range(round(low), round(high) + 1):
        at = x(Fraction(10) ** power)
        parts.append(f'<line class="g" x1="{at:.1f}" x2="{at:.1f}" y1="{top}" y2="{bottom}"/>')
        text = seconds_words(Fraction(10) ** power)
        parts.append(f'<text class="s" x="{at:.1f}" y="{bottom + 16}" text-anchor="middle">{text}</text>')
    if slow != quick:
        band = [*zip(lengths, slow, strict=True), *reversed(list(zip(lengths, quick, strict=True)))]
        parts.append(f'<polygon class="b" points="{_points((x(a), y(b)) for a, b in band)}"/>')
    parts.append(f'<line class="a" x1="{left}" x2="{right}" y1="{bottom}" y2="{bottom}"/>')
    line = [(x(a), y(b)) for a, b in zip(lengths, chances, strict=True)]
    parts.append(f'<polyline class="c" points="{_points(line)}"/>')
    if need is not None and lengths[0] <= need.length < min(HELD, lengths[-1]):
        at = x(need.length)
        parts.append(f'<line class="m" x1="{at:.1f}" x2="{at:.1f}" y1="{top}" y2="{bottom}"/>')
    parts += _dots(curve, budget, x, y, lengths)
    return "".join(parts)


def _dots(curve: Curve, budget: Budget, x: _Along, y: _Along, lengths: Sequence[Fraction]) -> Iterable[str]:
    """One at each transient that was asked about, with its chance beneath where there is room."""
    for length in budget.lengths:
        if not lengths[0] <= length <= lengths[-1]:
            continue
        chance = curve.at(length)
        yield f'<circle class="d" cx="{x(length):.1f}" cy="{y(chance):.1f}" r="3.5"/>'
        if chance < 1:
            # Left of the curve and above it, for it rises.
            at = f'x="{x(length) - 6:.1f}" y="{y(chance) - 6:.1f}" text-anchor="end"'
            yield f"<text {at}>{share_words(chance)}</text>"


def _points(pairs: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in pairs)


def _lines(text: str) -> list[str]:
    """At most two lines of a label."""
    if len(text) <= LABEL_CHARS:
        return [text]
    at = text.rfind(" ", 0, LABEL_CHARS)
    at = at if at > 0 else LABEL_CHARS
    return [text[:at], cut(text[at:].strip(), LABEL_CHARS)]
