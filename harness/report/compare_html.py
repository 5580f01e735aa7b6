"""A comparison of two runs as one HTML page that stands alone: findings first, then every row.

Every text goes through ``safe_text`` and Jinja's escaping, as on the page of a report.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.verdicts import VerdictClass
from harness.measure.run_comparison import Asked, Compared, Finding, Kind, Outcome, RowCompared, RunsCompared, Side
from harness.report import human
from harness.report.compare_methods import few_rows_words, method_words, needed_words
from harness.report.compare_told import (
    SUGGESTED,
    Told,
    answers,
    changes,
    failing,
    front,
    map_differences,
    not_compared,
    order_words,
    results,
    shown_counts,
    shown_heads,
)
from harness.report.compare_words import HEADS, VERDICTS_ONLY, compared_words, row_words, side_words, to_tell
from harness.report.comparison import ComparisonDocument, RunFacts
from harness.report.html import page_environment
from harness.report.measured_words import percent

EACH_MAX: Final = 40
"""So many rows stand in one table each. Of more, those of which the same is to be said are told together, but for what
fails the comparison: it is to be on paper too.
"""
ALIKE_FROM: Final = 4
"""So many rows of one link of which the same is to be said are told together."""
OWN_MAX: Final = 120
"""Rows of the table that are not folded, whatever is to be said of them."""
_REST: Final = "each is in the table of all rows"
_KINDS: Final = (
    ("Latency", (Kind.LATENCY,)),
    ("How long it stays", (Kind.VISIBLE, Kind.GONE)),
    ("Misses and fails", (Kind.MISSES, Kind.FAILS)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SideCell:
    """What one run has of a row; its class gives shape and colour, None where it was not tested."""

    verdict_class: VerdictClass | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row in both runs. ``cells``: what each comparison found, in words."""

    name: str
    outcome: str
    is_failing: bool
    before: SideCell
    after: SideCell
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Rows that are told together."""

    head: str
    told: str
    lines: tuple[Line, ...]


def render_compare_html(document: ComparisonDocument) -> str:
    """The whole comparison as one page, ended by a line feed."""
    return page_environment().get_template("compare.html.j2").render(view=_View(document), document=document) + "\n"


class _View:
    """What the template asks for."""

    def __init__(self, document: ComparisonDocument) -> None:
        compared = document.compared
        self.result, *self.more_results = results(document)
        worse = [*failing(document, rest=_REST), *not_compared(document, rest=_REST)]
        self.failing = list(_with_class(worse))
        self.nothing = (
            f"No verdict is; {VERDICTS_ONLY}." if compared.asked.verdicts_only else "Nothing is, of what was compared."
        )
        classes = {it for it, _, _ in self.failing}
        self.worst = next((it for it in (VerdictClass.FAIL, VerdictClass.UNKNOWN) if it in classes), None)
        self.changes = list(changes(document, rest=_REST))
        self.map_differences = list(map_differences(document))
        self.answers = list(answers(document))
        self.front = [_front(head, text) for head, text in front(document)]
        self.needed, self.few_rows = needed_words(document), few_rows_words(document)
        self.suggested_head = SUGGESTED
        self.methods = list(method_words(document))
        self.order = order_words(document)
        self.shown_heads, self.shown = shown_heads(document), shown_counts(document)
        self.asked = _asked_words(compared.asked)
        self.records = [*_records("before", document.before), *_records("after", document.after)]
        self.total = len(compared.rows)
        maker = _Lines(compared)
        self.heads = [name for name, _ in maker.columns]
        self.lines, self.folds = maker.all()

    counted = staticmethod(human.count)


def _with_class(told: Iterable[Told]) -> Iterable[tuple[VerdictClass, str, str]]:
    """Each finding with its class: what is unknown is no fail that was seen."""
    for head, text in told:
        is_unknown = head in (HEADS[Outcome.UNKNOWN], HEADS[Outcome.NOT_COMPARED])
        yield VerdictClass.UNKNOWN if is_unknown else VerdictClass.FAIL, head, text


def _asked_words(asked: Asked) -> str:
    return (
        f"false alarms at most {percent(asked.level)} over all tests together; a change of a time by less than "
        f"{human.duration(asked.worth_ns)} is no regression; that there is no greater one is said with "
        f"{percent(asked.confidence)}"
    )


def _records(which: str, run: RunFacts) -> list[tuple[str, str, str]]:
    return [(which, name, sha256) for name, sha256 in run.records]


class _Lines:
    """The lines of the table of all rows."""

    def __init__(self, compared: RunsCompared) -> None:
        self.compared = compared
        kinds = {it.kind for row in compared.rows for it in row.compared}
        self.columns = [(name, mine) for name, mine in _KINDS if kinds & set(mine)]

    def all(self) -> tuple[list[Line], list[Fold]]:
        """The rows of the table, what fails first, and those that are told together."""
        order, rows = list(Outcome), self.compared.rows
        stories: dict[tuple[object, ...], list[RowCompared]] = defaultdict(list)
        for row in sorted(rows, key=lambda it: order.index(it.outcome)):
            is_alone = row.is_failing or len(rows) <= EACH_MAX
            stories[(row.pair.key,) if is_alone else self._story(row)].append(row)
        folds = [self._fold(group) for group in stories.values() if len(group) >= ALIKE_FROM]
        own = [row for group in stories.values() if len(group) < ALIKE_FROM for row in group]
        own.sort(key=lambda it: order.index(it.outcome))
        shown = own if len(own) <= OWN_MAX + 1 else own[:OWN_MAX]
        if len(own) > len(shown):
            rest = tuple(map(self._line, own[len(shown) :]))
            folds.append(Fold(head=f"{len(rest):,} more rows", told="each with its own numbers", lines=rest))
        return [self._line(it) for it in shown], folds

    def _story(self, row: RowCompared) -> tuple[object, ...]:
        """What is to be said of a row, without its numbers."""
        pair = row.pair
        found = tuple((it.kind, it.is_worse, self._finding(it)) for it in row.compared)
        return row.outcome, pair.link, side_words(pair.before), side_words(pair.after), found

    def _fold(self, rows: Sequence[RowCompared]) -> Fold:
        """Rows of one story: a size of change has bounds that hold for each."""
        first, asked, tests = rows[0], self.compared.asked, self.compared.tests
        told, found = {it.kind for it in to_tell(first)}, []
        for number, it in enumerate(first.compared):
            if it.kind in told:
                found.append(compared_words([row.compared[number] for row in rows], asked, tests))
            elif not it.is_significant:
                found.append(f"{it.kind.value}: {self._finding(it)}")
        sides = f"before {side_words(first.pair.before)}, after {side_words(first.pair.after)}"
        return Fold(
            head=f"{first.pair.link}: {len(rows):,} rows, {first.outcome.value}",
            told="; ".join([sides, *found]),
            lines=tuple(map(self._line, rows)),
        )

    def _line(self, row: RowCompared) -> Line:
        told = {it.kind for it in to_tell(row)}
        by_kind = {it.kind: it for it in row.compared if it.kind in told or not it.is_significant}
        return Line(
            name=row_words(row),
            outcome=row.outcome.value,
            is_failing=row.is_failing,
            before=_side(row.pair.before),
            after=_side(row.pair.after),
            cells=tuple(self._cell([by_kind[it] for it in kinds if it in by_kind]) for _, kinds in self.columns),
        )

    def _cell(self, found: Sequence[Compared]) -> str:
        """Significant ones with size, bounds and chance; else what is known, and from how many trials."""
        asked, tests = self.compared.asked, self.compared.tests
        significant = [it for it in found if it.is_significant]
        if significant:
            return "; ".join(compared_words([it], asked, tests) for it in significant)
        return "; ".join(dict.fromkeys(f"{self._finding(it)} ({it.before:,} against {it.after:,})" for it in found))

    def _finding(self, it: Compared) -> str:
        match it.finding:
            case Finding.EQUAL:
                return f"no change worth more than {human.duration(self.compared.asked.worth_ns)}"
            case Finding.TOO_FEW:
                return "too few trials"
            case Finding.OPEN if it.kind.is_share and not it.before_hits + it.after_hits:
                return "none"
            case Finding.OPEN:
                return "no evidence of a change"
            case _:
                return it.finding.value


def _side(side: Side | None) -> SideCell:
    return SideCell(verdict_class=None if side is None else side.worst, text=side_words(side))


def _front(head: str, text: str) -> Told:
    """A fact, with a name that is short enough to stand beside it."""
    name, _, more = head.partition(",")
    return name, f"{text} ({more.strip()})" if more else text
