"""A comparison of two runs as plain lines for a terminal: what is worse, then what changed, then what is shown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from harness.measure.run_comparison import Compared, Finding, Kind, Outcome, RowCompared
from harness.report import human
from harness.report.columns import Terminal, table
from harness.report.compare_methods import method_words
from harness.report.compare_words import (
    HEADS,
    gist,
    link_compared_words,
    reasons,
    reasons_of,
    result_words,
    row_words,
    run_words,
    side_words,
    stray_words,
    whole_words,
)
from harness.report.comparison import ComparisonDocument, MapChange
from harness.report.gathered import in_runs

ALIKE_FROM: Final = 4
"""So many rows of one link of which the same is to be said are told together."""
ROWS_MAX: Final = 12
"""Rows of one link and one outcome that are told each; of more, the rest is counted. ``--all`` tells every one."""
NAMES_MAX: Final = 20
"""Names of such rows."""
ANSWERS_OTHER: Final = 1.25
"""By so much, as a factor, the answers of a link must differ to be told of where nobody asked."""
MAP_MAX: Final = 15
"""Differences of the point maps that are told each."""


def render_comparison(
    document: ComparisonDocument, *, width: int = 100, ascii_only: bool = False, every_row: bool = False
) -> str:
    """Lines of at most ``width`` columns (80 to 200), ended by a line feed. ``every_row``: all of each row."""
    to = Terminal(width=width, ascii_only=ascii_only)
    parts = (
        _head(document, to),
        _failing(document, to, every_row=every_row),
        _changes(document, to, every_row=every_row),
        _map(document, to, every_row=every_row),
        _answers(document, to, every_row=every_row),
        _rows(document, to) if every_row else [],
        _shown(document, to),
        _methods(document, to),
        [folded for text in _result(document) for folded in to.wrapped(text, hang=4)],
    )
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def _head(document: ComparisonDocument, to: Terminal) -> list[str]:
    what = "polled at two rates" if document.two_rates else "compared"
    first, second = ("slower polls", "faster polls") if document.two_rates else ("BEFORE", "AFTER")
    lines = [f"{document.title} ({document.site}), {what}", f"{first}: {run_words(document.before)}"]
    lines += [f"{second}: {run_words(document.after)}"]
    lines += [f"note: {text}" for text in document.notes]
    lines += [f"renamed: {text}" for text in document.renamed]
    lines += [f"likely renamed, and not taken so: put it into a file for --renames: {it}" for it in document.suggested]
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def _failing(document: ComparisonDocument, to: Terminal, *, every_row: bool) -> list[str]:
    lines = []
    for outcome in (Outcome.REGRESSED, Outcome.VANISHED, Outcome.UNKNOWN):
        lines += _of(document, outcome, to, every_row=every_row)
    for link in document.compared.slower_links:
        lines += to.wrapped(f"FAIL regressed: {whole_words(link, document.compared.tests)}", hang=4)
    for it in document.strays:
        if it.is_new:
            lines += to.wrapped(f"FAIL stray: {stray_words(it)}", hang=4)
    if document.two_rates:
        for one in document.slowed:
            lines += to.wrapped(f"FAIL polling faster made the device slower: {link_compared_words(one)}", hang=4)
    return lines


def _of(document: ComparisonDocument, outcome: Outcome, to: Terminal, *, every_row: bool) -> list[str]:
    """The rows with one outcome: those of one link and one gist together, of many others the first ones."""
    compared, lines = document.compared, []
    by_link: dict[str, dict[tuple[object, ...], list[RowCompared]]] = {}
    for row in compared.of(outcome):
        by_link.setdefault(row.pair.link, {}).setdefault(gist(row), []).append(row)
    for link, by_gist in by_link.items():
        alone: list[RowCompared] = []
        for rows in by_gist.values():
            if every_row or len(rows) < ALIKE_FROM:
                alone += rows
                continue
            told = "; ".join(reasons_of(rows, compared.asked, compared.tests))
            shown = rows if len(rows) <= NAMES_MAX + 1 else rows[:NAMES_MAX]
            left = f", and {len(rows) - len(shown):,} more; --all tells each" if len(rows) > len(shown) else ""
            names = ", ".join(in_runs(row_words(it) for it in shown)) + left
            lines += to.wrapped(f"{HEADS[outcome]}: {len(rows):,} rows on {link}: {told}: {names}", hang=4)
        most = len(alone) if every_row or len(alone) <= ROWS_MAX + 1 else ROWS_MAX
        for row in alone[:most]:
            told = "; ".join(reasons(row, compared.asked, compared.tests))
            lines += to.wrapped(f"{HEADS[outcome]}: {row_words(row)}: {told}", hang=4)
        if len(alone) > most:
            more = f"{HEADS[outcome]}: {len(alone) - most:,} more rows on {link}; --all tells each"
            lines += to.wrapped(more, hang=4)
    return lines


def _changes(document: ComparisonDocument, to: Terminal, *, every_row: bool) -> list[str]:
    lines = []
    for outcome in (Outcome.STILL_FAILS, Outcome.ALLOWED, Outcome.CHANGED, Outcome.ADDED):
        lines += _of(document, outcome, to, every_row=every_row)
    for link in document.compared.links:
        if link.finding in (Finding.BETTER, Finding.SLIGHT):
            lines += to.wrapped(f"changed: {whole_words(link, document.compared.tests)}", hang=4)
    for it in document.orders.changes:
        lines += to.wrapped(
            f"changed order: {it.alarm}: {it.first} came before {it.second} ({_of_trials(it.before)} prove it), and "
            f"comes after it now ({_of_trials(it.after)})",
            hang=4,
        )
    for stray in document.strays:
        if not stray.is_new:
            lines += to.wrapped(f"{'stray' if stray.after else 'no longer stray'}: {stray_words(stray)}", hang=4)
    return lines


def _of_trials(counts: tuple[int, int]) -> str:
    return f"{counts[0]:,} of {human.count(counts[1], 'trial')}"


def _map(document: ComparisonDocument, to: Terminal, *, every_row: bool) -> list[str]:
    found = document.map_differences
    lines = []
    most = len(found) if every_row or len(found) <= MAP_MAX + 1 else MAP_MAX
    for it in found[:most]:
        less = ", so that a pass proves less" if it.change is MapChange.LOOSER else ""
        about = f": {it.text}" if it.text else ""
        lines += to.wrapped(f"point map, {it.change.value}{less}: {it.what}{about}", hang=4)
    if len(found) > most:
        left = Counter(it.change for it in found[most:])
        counts = ", ".join(f"{count:,} {change.value}" for change, count in left.items())
        lines += to.wrapped(f"point map: {len(found) - most:,} more differences ({counts}); --all tells each", hang=4)
    return lines


def _answers(document: ComparisonDocument, to: Terminal, *, every_row: bool) -> list[str]:
    level = document.compared.asked.level
    lines = []
    for it in document.links:
        one, other = it.before.answer_ns, it.after.answer_ns
        is_other = (
            it.adjusted is not None and it.adjusted <= level and max(one, other) > ANSWERS_OTHER * min(one, other)
        )
        if every_row or document.two_rates or is_other:
            lines += to.wrapped(f"answers of {link_compared_words(it)}", hang=4)
    return lines


def _rows(document: ComparisonDocument, to: Terminal) -> list[str]:
    """One line a row: what became of it, and each comparison in a word."""
    heads = [["row", "outcome", "before", "after", *(kind.value for kind in Kind)]]
    body = []
    for row in document.compared.rows:
        by_kind = {it.kind: it for it in row.compared}
        words = [_word(by_kind.get(kind)) for kind in Kind]
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


def _word(it: Compared | None) -> str:
    if it is None:
        return ""
    if it.finding is Finding.OPEN and it.kind.is_share and not it.before_hits + it.after_hits:
        return "none"
    return _FINDING_WORD[it.finding]


_FINDING_WORD: Final = {
    Finding.WORSE: "worse",
    Finding.BETTER: "better",
    Finding.SLIGHT: "slight",
    Finding.EQUAL: "shown equal",
    Finding.OPEN: "no evidence",
    Finding.TOO_FEW: "too few",
}


_SHOWN_ORDER: Final = (
    *(Finding.EQUAL, Finding.OPEN, Finding.TOO_FEW),
    *(Finding.WORSE, Finding.BETTER, Finding.SLIGHT),
)


def _shown(document: ComparisonDocument, to: Terminal) -> list[str]:
    """How many rows are shown not to have changed, and of how many nothing is known."""
    compared = document.compared
    worth = human.duration(compared.asked.worth_ns)
    heads = [
        ["", "no change worth", "no evidence", "too few", "", "", "changed, by less"],
        ["", f"more than {worth}", "of a change", "trials", "worse", "better", f"than {worth}"],
    ]
    body = []
    for kind in Kind:
        found = [it for row in compared.rows for it in row.compared if it.kind is kind]
        counts = Counter(it.finding for it in found)
        if found:
            no_such = {Finding.EQUAL, Finding.SLIGHT} if kind.is_share else set()
            body.append([kind.value, *("-" if it in no_such else f"{counts[it]:,}" for it in _SHOWN_ORDER)])
    wholes = Counter(it.finding for it in compared.links)
    if wholes:
        body.append(["links as a whole", *(f"{wholes[it]:,}" for it in _SHOWN_ORDER)])
    lines = table(to, heads, body) if body else []
    if lines is None:
        lines = [folded for line in body for folded in to.wrapped(_in_a_line(line, worth), hang=4)]
    same, changed, unsettled = document.orders.same, len(document.orders.changes), document.orders.open
    if same or changed or unsettled:
        lines += to.wrapped(
            f"order of outputs: {same:,} pairs keep theirs, {changed:,} changed; of {unsettled:,} it is not proven in "
            "both runs",
            hang=4,
        )
    return lines


def _in_a_line(line: Sequence[str], worth: str) -> str:
    """A line of the table for a terminal that is too narrow for it."""
    words = (
        *(f"no change worth more than {worth}", "no evidence of a change", "too few trials", "worse", "better"),
        f"changed by less than {worth}",
    )
    told = [f"{count} {word}" for count, word in zip(line[1:], words, strict=True) if count not in ("-", "0")]
    return f"{line[0]}: {', '.join(told)}"


def _methods(document: ComparisonDocument, to: Terminal) -> list[str]:
    return [folded for text in method_words(document) for folded in to.wrapped(text, hang=4)]


def _result(document: ComparisonDocument) -> list[str]:
    lines = [result_words(document)]
    if document.two_rates and not document.is_failing:
        every = [it for row in document.compared.rows for it in row.compared if it.kind is Kind.LATENCY]
        equal = sum(it.finding in (Finding.EQUAL, Finding.SLIGHT) for it in every)
        worth = human.duration(document.compared.asked.worth_ns)
        lines.append(
            f"{_slowing(document, every, worth)}; for {equal:,} of {human.count(len(every), 'row')} it is shown that "
            f"the latency does not change by more than {worth}"
        )
    return lines


def _slowing(document: ComparisonDocument, latencies: Sequence[Compared], worth: str) -> str:
    """What is slower where a device is polled faster, though by less than fails the comparison."""
    rows = sum(it.finding is Finding.SLIGHT and it.is_worse for it in latencies)
    found = [human.count(rows, "row comes", "rows come") + " later"] if rows else []
    wholes = [it.link for it in document.compared.links if it.finding is Finding.SLIGHT and it.is_worse]
    found += [f"{it} as a whole comes later" for it in wholes]
    if document.slower:
        found.append(f"{', '.join(it.link for it in document.slower)}: answers take longer")
    if not found:
        return "no sign that polling faster slows the device"
    return f"polling faster slows the device, by less than a change is worth ({worth}): {'; '.join(found)}"
