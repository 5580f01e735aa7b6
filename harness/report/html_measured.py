"""What the page says of rows that were tried again and again: how often they show, how late, and how long."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.durations import at_most
from harness.core.instants import FOREVER
from harness.measure.sequential import Decision
from harness.measure.trials import LATENCY_SHARES, RowSummary, Shown, miss_share
from harness.report.gathered import in_runs
from harness.report.human import count
from harness.report.measured import Measured
from harness.report.measured_panels import PANEL, PLOT, Panel, corners, label_of, latency_panel, thinned, visible_panel
from harness.report.measured_sentences import (
    assumption_texts,
    claim_groups,
    claim_name,
    claim_words,
    counts_words,
    is_whole,
    latency_words,
    phase_remarks,
    search_groups,
    slower_words,
    too_few_words,
    visible_words,
)
from harness.report.measured_tables import TableMaker, miss_of_each
from harness.report.measured_words import percent
from harness.report.repeated import Repeated
from harness.report.safe import safe_text
from harness.report.svg import cut
from harness.report.text_searches import told_words

DRAWN_MAX: Final = 12
"""Outputs of which a picture is drawn."""
SLOWER_MAX: Final = 24
"""Outputs of which it is told what slower polls would have seen."""
NAMED_MAX: Final = 8
"""Outputs that are named behind a sentence which holds for several; of more, the first ones."""
LABEL_CHARS: Final = 54


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """One panel, and the same in words for whoever does not see it."""

    panel: Panel
    told: str

    @property
    def outer(self) -> str:
        """The corners of the light area."""
        return corners(thinned(self.panel.outer))

    @property
    def likely(self) -> str:
        """The corners of the dark area."""
        return corners(thinned(self.panel.likely))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """The panels of one output: its latencies, and its visible times where it has any of its own."""

    panels: tuple[Drawn, ...]


class MeasuredView:
    """What the template of the section asks for. Everything is worked out once, when it is made."""

    PANEL = PANEL
    PLOT = PLOT

    def __init__(self, repeated: Repeated, link_of: Mapping[str, str]) -> None:
        told, asked = repeated.told, repeated.asked
        rows = () if told is None else told.rows
        self._asked = asked
        self.enough = repeated.enough
        self.sure = percent(asked.confidence)
        self.share = percent(asked.share)
        self.claims = [] if told is None else _claims(told)
        self.searches = [] if told is None else _searches(told)
        self.records, self.firmware, self.only = repeated.records, repeated.firmware, repeated.only
        shown: list[RowSummary] = []
        tables = []
        maker = TableMaker(asked=asked, link_of=link_of)
        for title, mine in (
            ("Alarms that clear by themselves", [it for it in rows if it.row.ends_by_itself]),
            ("Outputs that are on until somebody clears", [it for it in rows if not it.row.ends_by_itself]),
        ):
            if mine:
                table, first = maker.table(title, mine)
                tables.append(table)
                shown += first
        self.tables = tuple(tables)
        self.remarks = _by_text((text, label_of(it)) for it in sorted(rows, key=is_whole) for text in _remarks(it))
        slower = [it for it in rows if it.slower]
        self.slower = [
            (label_of(it), "; ".join(slower_words(it, *phases) for phases in it.slower)) for it in slower[:SLOWER_MAX]
        ]
        self.not_slower = len(slower) - len(self.slower)
        self.needed = too_few_words(rows, asked)
        self.few = _few(repeated)
        self.assumed = [] if told is None or not rows else assumption_texts(told)
        drawn = [it for it in shown if it.latency is not None][:DRAWN_MAX]
        self.headline = _headline(repeated, rows)
        self.drawings = tuple(self._drawing(it) for it in drawn)
        self.not_drawn = len(rows) - len(drawn)

    @staticmethod
    def short(label: str) -> str:
        """A label that fits its panel."""
        return cut(safe_text(label), LABEL_CHARS)

    def _drawing(self, one: RowSummary) -> Drawing:
        late = latency_panel(one, confidence=self._asked.confidence)
        long = visible_panel(one, confidence=self._asked.confidence)
        panels = [Drawn(panel=late, told=f"{late.label}: {latency_words(one)}")]
        if long is not None:
            panels.append(Drawn(panel=long, told=f"{long.label}: {visible_words(one, self._asked)[0]}"))
        return Drawing(panels=tuple(panels))


_SLOW: Final = LATENCY_SHARES[-1]
_DECIDED: Final = {
    Decision.PROVEN: "proven",
    Decision.REFUTED: "not to be proven any more",
    Decision.UNDECIDED: "not decided",
}


def _headline(repeated: Repeated, rows: Sequence[RowSummary]) -> str:
    """What the section comes to, in one line: how many outputs, how often shown, what was claimed, and how late."""
    tried = [*(it.row for it in rows), *repeated.few]
    parts = []
    if tried:
        whole = sum(it.count(Shown.SHOWN) == len(it.trials) for it in tried)
        parts.append(f"{count(len(tried), 'output')}, {whole} of them shown every time")
    claims = () if repeated.told is None else repeated.told.claims
    for share, confidence in dict.fromkeys((it.share, it.confidence) for it in claims):
        mine = Counter(it.decision for it in claims if (it.share, it.confidence) == (share, confidence))
        decided = ", ".join(f"{_DECIDED[one]} for {mine[one]}" for one in _DECIDED if mine[one])
        parts.append(f"that at least {percent(share)} pass ({percent(confidence)}) is {decided}")
    searches = () if repeated.told is None else repeated.told.searches
    if searches:
        parts.append(f"the shortest alarm that is shown was searched for at {count(len(searches), 'output')}")
    slow = [
        it.bounds.hi for one in rows if one.latency is not None for it in one.latency.quantiles if it.share == _SLOW
    ]
    is_sure = len(slow) == len(rows) and not any(it.is_in_step or it.row.unproven for it in rows)
    if is_sure and slow and max(slow) < FOREVER:
        sure = percent(repeated.asked.confidence)
        parts.append(f"{percent(_SLOW)} of the times of each within {at_most(max(slow))} ({sure}, each by itself)")
    return "; ".join(parts)


def _remarks(one: RowSummary) -> list[str]:
    """What its line does not say."""
    return ([] if is_whole(one) else [counts_words(one)]) + phase_remarks(one)


def _by_text(told: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Each text once, with the names of which it is said."""
    found: dict[str, list[str]] = defaultdict(list)
    for text, name in told:
        found[text].append(name)
    return [(text, _named(names)) for text, names in found.items()]


def _named(names: Sequence[str]) -> str:
    shown = names if len(names) <= NAMED_MAX + 1 else names[:NAMED_MAX]
    more = f" and {len(names) - len(shown):,} more" if len(names) > len(shown) else ""
    return ", ".join(in_runs(shown)) + more


def _few(repeated: Repeated) -> list[tuple[str, str]]:
    """Rows with too few trials by what came of them: how many and how often shown, and which where not every time."""
    found: dict[tuple[int, int, str], list[str]] = defaultdict(list)
    for row in repeated.few:
        misses = miss_share(row, confidence=repeated.asked.confidence)
        words = "" if misses is None else f"; {miss_of_each(misses)}"
        found[row.count(Shown.SHOWN), len(row.measured), words].append(f"{row.alarm} at {row.point}")
    return [
        (
            f"{count(len(names), 'row')} shown {shown} of {trials}{words}",
            _named(names) if shown < trials else "",
        )
        for (shown, trials, words), names in sorted(found.items(), key=lambda it: it[0][0] == it[0][1])
    ]


def _claims(told: Measured) -> list[tuple[str, list[tuple[str, str]], str]]:
    """Each claim, what is decided of it for which output, and how its rule errs."""
    return [
        (claim, [(claim_name(it), claim_words(it)) for it in claims], rates)
        for claim, claims, rates in claim_groups(told)
    ]


def _searches(told: Measured) -> list[tuple[str, list[tuple[str, str]]]]:
    """What was searched for, and what was found of which output."""
    return [(head, [(claim_name(it), told_words(it)) for it in searches]) for head, searches in search_groups(told)]
