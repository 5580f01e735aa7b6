"""A comparison of two runs as plain lines for a terminal: what is worse, then what changed, then what is shown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.measure.run_comparison import Kind
from harness.report import human
from harness.report.columns import Terminal, table
from harness.report.compare_methods import method_words
from harness.report.compare_told import (
    SUGGESTED,
    Told,
    answers,
    changes,
    failing,
    finding_word,
    front,
    map_differences,
    not_compared,
    order_words,
    results,
    shown_counts,
    shown_heads,
)
from harness.report.compare_words import row_words, side_words
from harness.report.comparison import ComparisonDocument
from harness.report.safe import safe_text


def render_comparison(
    document: ComparisonDocument, *, width: int = 100, ascii_only: bool = False, every_row: bool = False
) -> str:
    """Lines of at most ``width`` columns (80 to 200), ended by a line feed. ``every_row``: all of each row."""
    to = Terminal(width=width, ascii_only=ascii_only)
    rest = "" if every_row else "--all tells each"
    what = "polled at two rates" if document.two_rates else "compared"
    parts = (
        [*to.wrapped(f"{document.title} ({document.site}), {what}", hang=4), *_told(front(document), to)],
        _suggested(document, to),
        _told(failing(document, rest=rest), to),
        _told(not_compared(document, rest=rest), to),
        _told(changes(document, rest=rest), to),
        _told(map_differences(document, rest=rest), to),
        _folded(answers(document, every=every_row), to),
        _rows(document, to) if every_row else [],
        _shown(document, to),
        _folded(method_words(document), to),
        _folded(results(document), to),
    )
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def _suggested(document: ComparisonDocument, to: Terminal) -> list[str]:
    """Likely renames as a block that can be pasted, so not folded."""
    if not document.suggested:
        return []
    return [*to.wrapped(f"{SUGGESTED}:", hang=4), *map(safe_text, document.suggested)]


def _told(found: Iterable[Told], to: Terminal) -> list[str]:
    return _folded((f"{head}: {text}" for head, text in found), to)


def _folded(texts: Iterable[str], to: Terminal) -> list[str]:
    return [line for text in texts for line in to.wrapped(text, hang=4)]


def _rows(document: ComparisonDocument, to: Terminal) -> list[str]:
    """One line a row: what became of it, and each comparison in a word."""
    heads = [["row", "outcome", "before", "after", *(kind.value for kind in Kind)]]
    body = []
    for row in document.compared.rows:
        by_kind = {it.kind: it for it in row.compared}
        words = [finding_word(by_kind.get(kind)) for kind in Kind]
        sides = [side_words(row.pair.before), side_words(row.pair.after)]
        body.append([row_words(row), row.outcome.value, *sides, *words])
    lines = table(to, heads, body)
    if lines is not None:
        return lines
    lines = []
    for line in body:
        told = ", ".join(f"{head}: {word}" for head, word in zip(heads[0][4:], line[4:], strict=True) if word)
        lines += to.wrapped(f"{line[1]}: {line[0]}: before {line[2]}, after {line[3]}; {told}".rstrip("; "), hang=4)
    return lines


def _shown(document: ComparisonDocument, to: Terminal) -> list[str]:
    """How many rows are shown not to have changed, and of how many nothing is known."""
    heads, body = shown_heads(document), shown_counts(document)
    lines = table(to, [[it[0] for it in heads], [it[1] for it in heads]], body) if body else []
    if lines is None:
        worth = human.duration(document.compared.asked.worth_ns)
        lines = _folded((_in_a_line(line, worth) for line in body), to)
    order = order_words(document)
    return lines + (to.wrapped(order, hang=4) if order else [])


def _in_a_line(line: Sequence[str], worth: str) -> str:
    """A line of the table for a terminal that is too narrow for it."""
    words = (
        *(f"no change worth more than {worth}", "no evidence of a change", "too few trials", "worse", "better"),
        f"changed by less than {worth}",
    )
    told = [f"{count} {word}" for count, word in zip(line[1:], words, strict=True) if count not in ("-", "0")]
    return f"{line[0]}: {', '.join(told)}"
