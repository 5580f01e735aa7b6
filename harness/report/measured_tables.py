"""Rows that were tried again and again, in tables: a line each, and of many rows those of one story in one line."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.core.instants import Bounds
from harness.measure.describe import Description
from harness.measure.phase_lock import Locking
from harness.measure.trials import LATENCY_SHARES, Asked, MissShare, RowSummary, Shown
from harness.report.measured_panels import label_of
from harness.report.measured_sentences import (
    NOT_KNOWN,
    between,
    is_whole,
    miss_bounds,
    quantile_words,
    shown_words,
    side_words,
)
from harness.report.measured_words import down, percent

EACH_MAX: Final = 24
"""So many rows stand in one table each; of more, those of which the same is to be said are told together."""
ALIKE_FROM: Final = 4
"""So many rows of one link of which the same is to be said are told together."""
OWN_MAX: Final = 40
"""Rows of a table that are not folded, whatever is to be said of them."""
_MEDIAN, _SLOW = LATENCY_SHARES
_BRIEF: Final = 0.05
"""The quantile of visible times that 95 % exceed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One number with its bounds, and in small letters what has to be known of it, or ''. ``is_said``: words alone."""

    text: str
    note: str = ""
    is_said: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One output of one alarm: its names, and a cell for each column."""

    alarm: str
    point: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Rows that are told together. ``head``: which, ``told``: the bounds over all of them."""

    head: str
    told: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of one kind. ``ends_by_itself``: they have visible times of their own, and columns for them."""

    title: str
    ends_by_itself: bool
    lines: tuple[Line, ...]
    folds: tuple[Fold, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableMaker:
    """Makes tables. ``link_of``: the link of each point; one that the newest map no longer has is its own link."""

    asked: Asked
    link_of: Mapping[str, str]

    def table(self, title: str, rows: Sequence[RowSummary]) -> tuple[Table, list[RowSummary]]:
        """Rows of one kind as a table, and whose pictures matter most: those told each, then the slowest of the others.

        Rows with a miss or another failure stand first.
        """
        stories: dict[tuple[object, ...], list[RowSummary]] = defaultdict(list)
        for one in rows:
            stories[self._story(one) if len(rows) > EACH_MAX else (one.row.key,)].append(one)
        together = sorted((it for it in stories.values() if len(it) >= ALIKE_FROM), key=lambda it: is_whole(it[0]))
        own = [it for group in stories.values() if len(group) < ALIKE_FROM for it in group]
        own.sort(key=is_whole)
        folds = [self._fold(group) for group in together]
        shown = own if len(own) <= OWN_MAX + 1 else own[:OWN_MAX]
        if len(own) > len(shown):
            rest = tuple(map(_line, own[len(shown) :]))
            folds.append(Fold(head=f"{len(rest):,} more rows", told="each with its own numbers", lines=rest))
        table = Table(
            title=title,
            ends_by_itself=rows[0].row.ends_by_itself,
            lines=tuple(map(_line, shown)),
            folds=tuple(folds),
        )
        return table, [*own, *(_slowest(group) for group in together)]

    def _story(self, one: RowSummary) -> tuple[object, ...]:
        """What is to be said of a row, without its times."""
        row = one.row
        counts = (*(row.count(kind) for kind in Shown), sum(it.is_set_aside for it in row.trials))
        return self._link(one), one.failed, *counts, one.is_in_step, one.row.unproven, _phase_note(one)

    def _link(self, one: RowSummary) -> str:
        return self.link_of.get(one.row.point, one.row.point)

    def _fold(self, rows: Sequence[RowSummary]) -> Fold:
        """Rows of one story: bounds over all of them hold for each."""
        first = rows[0]
        parts = [] if first.misses is None else [miss_of_each(first.misses)]
        late = _over([it.latency for it in rows], ((_MEDIAN, "50 % within"), (_SLOW, "95 % within")))
        if late:
            parts.append(f"latency: {late}{_aside(_beat_note(first))}; slowest: {label_of(_slowest(rows))}")
        if first.row.ends_by_itself:
            note = _aside(_phase_note(first))
            long = _over([it.visible for it in rows], ((_MEDIAN, "50 % more than"), (_BRIEF, "95 % more than")))
            parts += [f"visible for: {long}{note}"] if long else []
            longest = [it.longest.period_ns for it in rows if it.longest is not None]
            share = percent(self.asked.share)
            parts.append(
                f"a poll every {down(min(longest))} sees {share} of each{note}"
                if len(longest) == len(rows)
                else f"no poll period is proven to see {share} of each"
            )
        return Fold(
            head=f"{self._link(first)}: {len(rows):,} rows, each shown {shown_words(first)}",
            told="; ".join(parts),
            lines=tuple(map(_line, rows)),
        )


def _line(one: RowSummary) -> Line:
    note = _beat_note(one)
    cells = [
        Cell(text=shown_words(one), note="" if one.misses is None else f"not shown: {miss_bounds(one.misses)}"),
        _quantile(one.latency, _MEDIAN, note),
        _quantile(one.latency, _SLOW, ""),
    ]
    if one.row.ends_by_itself:
        note = _phase_note(one)
        cells += [_quantile(one.visible, _MEDIAN, note), _quantile(one.visible, _BRIEF, "")]
        cells.append(
            Cell(text="not proven", is_said=True)
            if one.longest is None
            else Cell(text=down(one.longest.period_ns), note=note)
        )
    return Line(alarm=one.row.alarm, point=one.row.point, cells=tuple(cells))


def _quantile(told: Description | None, share: float, note: str) -> Cell:
    text = quantile_words(told, share)
    return Cell(text=text, note=note) if text else Cell(text="not measured", is_said=True)


def _aside(note: str) -> str:
    return f" ({note})" if note else ""


def miss_of_each(misses: MissShare) -> str:
    """The bounds of how often each of several rows alike is not shown, their side named."""
    return f"not shown: {miss_bounds(misses)} of each ({side_words(misses)})"


def _beat_note(one: RowSummary) -> str:
    if one.is_in_step:
        return "raised in step with a device on the way"
    return "nothing is proven: see below" if one.row.unproven else ""


def _phase_note(one: RowSummary) -> str:
    """Why a visible time is not to be relied on, in few words; '' where nothing speaks against it."""
    if one.is_in_step or one.row.unproven or not one.row.ends_by_itself:
        return _beat_note(one)
    if one.phase is None or one.phase.finding is Locking.NOT_SHOWN:
        return ""
    return "raised in step with the polls" if one.phase.finding is Locking.LOCKED else "phases not shown to be random"


def _slowest(rows: Sequence[RowSummary]) -> RowSummary:
    """The first of those whose median latency may be the longest."""
    return max(rows, key=lambda it: (-1, -1) if it.latency is None else _ends(it.latency, _MEDIAN))


def _ends(told: Description, share: float) -> tuple[int, int]:
    found = next(it.bounds for it in told.quantiles if it.share == share)
    return found.hi, found.lo


def _over(told: Sequence[Description | None], asked: Sequence[tuple[float, str]]) -> str:
    """Bounds that hold the quantiles of each of them; one that is not bounded for all is left out."""
    parts = []
    for share, words in asked:
        found = [it for one in told if one is not None for it in one.quantiles if it.share == share]
        if found and len(found) == len(told):
            lowest, highest = min(it.bounds.lo for it in found), max(it.bounds.hi for it in found)
            text = between(replace(found[0], bounds=Bounds(lowest, highest)))
            parts += [] if text == NOT_KNOWN else [f"{words} {text}"]
    return ", ".join(parts)
