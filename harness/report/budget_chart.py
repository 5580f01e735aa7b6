"""Chance seen against length, for a terminal: a strip for each way, or a chart where few are asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor, log10
from typing import Final

from harness.measure.budget import Watcher, certain_from, chance_of
from harness.measure.budget_steps import HELD, Need
from harness.report.budget_document import Budget, WayGroup
from harness.report.budget_words import seconds_words, share_words
from harness.report.columns import Terminal

BLOCKS: Final = " \u2581\u2582\u2583\u2584\u2585\u2586\u2587\u2588"
DIGITS: Final = "0123456789"
SURE: Final = "#"
LABEL_MAX: Final = 34
CHART_HEIGHT: Final = 10
CHARTS_MAX: Final = 3
"""So many ways get a chart of their own; more only strips."""
SHORTEST: Final = Fraction(1, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One who looks at one way. ``label``: in few words."""

    label: str
    group: WayGroup
    watcher: Watcher
    dead: bool = False

    def at(self, length: Fraction) -> Fraction:
        """The chance that a transient of this length is seen, in the usual case."""
        return chance_of(self.group.way.steps(self.watcher, dead=self.dead), length)


def curves_of(budget: Budget) -> list[Curve]:
    """Everybody who can miss something, and once more with one dead unit, where that makes a difference."""
    found = []
    for group, watcher in budget.watched:
        for dead in (False, True) if group.way.has_bus(watcher) else (False,):
            need = certain_from(group.way.steps(watcher, dead=dead))
            if need == Need() or (need is not None and need.length >= HELD):
                continue
            label = _where(budget, group) + (f": {watcher.name}" if len(group.way.watchers) > 1 else "")
            label += ", one unit dead" if dead else ""
            found.append(Curve(label=label, group=group, watcher=watcher, dead=dead))
    return found


def alike(curves: Sequence[Curve], lengths: Sequence[Fraction]) -> list[tuple[Curve, tuple[Fraction, ...]]]:
    """Each different curve with its chances at these lengths; those that are the same share one label."""
    found: dict[tuple[Fraction, ...], Curve] = {}
    for curve in curves:
        chances = tuple(curve.at(it) for it in lengths)
        first = found.get(chances)
        found[chances] = curve if first is None else replace(first, label=f"{first.label}; {curve.label}")
    return [(curve, chances) for chances, curve in found.items()]


def _where(budget: Budget, group: WayGroup) -> str:
    """The link, with a point where the link has several ways."""
    alike = [it for it in budget.groups if it.link == group.link]
    points = dict.fromkeys(row.point for row in group.rows)
    first = next(iter(points)).removeprefix(f"{group.link}:")
    if len(points) == 1:
        return f"{group.link} {first}"
    return group.link if len(alike) == 1 or group is alike[0] else f"{group.link} {first} .."


def lengths_from_to(curves: Sequence[Curve]) -> tuple[int, int]:
    """Powers of ten of seconds between which something happens."""
    longest = Fraction(1)
    for curve in curves:
        need = certain_from(curve.group.way.steps(curve.watcher, dead=curve.dead))
        longest = max(longest, need.length if need is not None else Fraction(1))
    return round(log10(SHORTEST)), max(1, ceil(log10(longest * Fraction(11, 10))))


def length_at(share: float, low: int, high: int) -> Fraction:
    """Where on a logarithmic axis from 10^low to 10^high s, to the microsecond."""
    return Fraction(round(10 ** (low + share * (high - low)) * 1_000_000), 1_000_000)


def chart_lines(budget: Budget, to: Terminal) -> list[str]:
    """Strips for all; for few ways, charts before them."""
    curves = curves_of(budget)
    unmissed = _unmissed(budget)
    if not curves:
        return to.wrapped(unmissed, hang=4) if unmissed else []
    low, high = lengths_from_to(curves)
    lines = to.wrapped("Chance that a transient is seen, against its length (usual case)")
    if len(curves) <= CHARTS_MAX:
        chart = to.width - 8
        for curve, chances in alike(curves, lengths_across(chart, low, high)):
            lines += _chart(curve, chances, (low, high), to)
        return lines + (to.wrapped(unmissed, first=2, hang=4) if unmissed else [])
    label = min(LABEL_MAX, max(len(to.show(it.label)) for it in curves))
    width = to.width - label - 4
    for curve, chances in alike(curves, lengths_across(width, low, high)):
        *above, last = folded(to.show(curve.label), label)
        lines += above
        lines.append(f"{to.fitted(last, label)}  {''.join(_mark(it, to) for it in chances)}".rstrip())
    lines += [" " * (label + 2) + line for line in _axis(width, low, high)]
    key = "0 to 9: tenths, # certain, . never" if to.ascii_only else "height: chance; \u2588 certain, blank never"
    lines += to.wrapped(key, first=2, hang=4)
    return lines + (to.wrapped(unmissed, first=2, hang=4) if unmissed else [])


def lengths_across(width: int, low: int, high: int) -> tuple[Fraction, ...]:
    """The length in the middle of each of so many columns."""
    return tuple(length_at((column + 0.5) / width, low, high) for column in range(width))


def _unmissed(budget: Budget) -> str:
    """Who misses nothing, however short."""
    names = [
        _where(budget, group) + (f" ({watcher.name})" if len(group.way.watchers) > 1 else "")
        for group, watcher in budget.watched
        if certain_from(group.way.steps(watcher)) == Need()
    ]
    return f"Seen whatever its length: {', '.join(names)}" if names else ""


def folded(text: str, width: int) -> list[str]:
    """Safe text in lines of at most ``width``, those behind the first two columns in; longer words are cut."""
    lines = [""]
    for word in text.split(" "):
        joined = f"{lines[-1]} {word}" if lines[-1] else word[:width]
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(f"  {word}"[:width])
    return lines


def _mark(chance: Fraction, to: Terminal) -> str:
    """A full block or # only where it is certain, nothing or 0 only where it cannot be seen."""
    if to.ascii_only:
        return SURE if chance == 1 else "." if chance == 0 else DIGITS[floor(chance * 10)]
    if chance in (0, 1):
        return BLOCKS[8 * int(chance)]
    return BLOCKS[min(7, max(1, round(chance * 8)))]


def _axis(width: int, low: int, high: int) -> list[str]:
    ticks, labels = [" "] * width, [" "] * (width + 8)
    for power in range(low, high + 1):
        at = min(width - 1, round((power - low) / (high - low) * width))
        ticks[at] = "|"
        text = seconds_words(Fraction(10) ** power)
        start = max(0, min(at - len(text) // 2, width - len(text)))
        labels[start : start + len(text)] = text
    return ["".join(ticks).rstrip(), "".join(labels).rstrip()]


def _chart(curve: Curve, chances: Sequence[Fraction], decades: tuple[int, int], to: Terminal) -> list[str]:
    """Height over length: eighths of a line, or halves where only ASCII is left."""
    lines = ["", *to.wrapped(curve.label, hang=4)]
    for line in range(CHART_HEIGHT, 0, -1):
        name = {CHART_HEIGHT: "1", CHART_HEIGHT // 2: "0.5", 1: "0"}.get(line, "")
        lines.append(f"{name:>4} |" + "".join(_cell(it * CHART_HEIGHT - (line - 1), to) for it in chances).rstrip())
    lines += [" " * 6 + line for line in _axis(len(chances), *decades)]
    need = certain_from(curve.group.way.steps(curve.watcher, dead=curve.dead))
    told = [f"{seconds_words(it)}: {share_words(curve.at(it))}" for it in _told_lengths(need)]
    return [*lines, *to.wrapped("   ".join(told), first=6, hang=8)]


def _told_lengths(need: Need | None) -> list[Fraction]:
    """A few lengths whose chances are worth reading off: parts of that which is certain."""
    whole = need.length if need is not None and 0 < need.length < HELD else Fraction(1)
    return [whole / 10, whole / 4, whole / 2, whole * 3 / 4, whole * 9 / 10]


def _cell(filled: Fraction, to: Terminal) -> str:
    if filled >= 1:
        return "#" if to.ascii_only else BLOCKS[8]
    if filled <= 0:
        return " "
    if to.ascii_only:
        return ":" if filled >= Fraction(1, 2) else "."
    return BLOCKS[max(1, floor(filled * 8))]
