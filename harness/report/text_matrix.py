"""All rows in little room for a terminal: alarms by outputs, else alarms by links, else a line for each alarm."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from harness.core.verdicts import VerdictClass
from harness.report import human
from harness.report.columns import Terminal, table
from harness.report.coverage import BlindReason, coverage_of
from harness.report.document import ReportDocument
from harness.report.gathered import latency_of, row_pass_words, slowest
from harness.report.link_words import figure_words
from harness.report.matrix import Entry, Matrix, matrix_of
from harness.report.standing import Row, Standing
from harness.report.words import CLASS_WORD, NOT_PLANNED

CLASSES: Final = (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS)
BLIND_MAX: Final = 6
"""Reasons of blind time of one link that are told in a terminal; the page has more, and the record all."""

_SYMBOL: Final = {VerdictClass.PASS: "\u2713", VerdictClass.FAIL: "\u2717", VerdictClass.UNKNOWN: "?", None: "\u00b7"}
_SYMBOL_ASCII: Final = {VerdictClass.PASS: "+", VerdictClass.FAIL: "X", VerdictClass.UNKNOWN: "?", None: "."}


def symbol(one: VerdictClass | None, to: Terminal) -> str:
    """The shape of a class; it never stands without its word, or a key that has it."""
    return (_SYMBOL_ASCII if to.ascii_only else _SYMBOL)[one]


def matrix_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """Alarms by outputs, with latencies where they fit; else alarms by links; else a line for each alarm."""
    matrix = matrix_of(document.site, standing)
    heads = [["", *(column.link for column in matrix.columns)], ["alarm", *(c.label for c in matrix.columns)]]
    for with_latency in (True, False):
        lines = table(to, heads, _body(matrix, to, with_latency=with_latency))
        if lines is not None:
            return lines
    return _by_link(document, standing, to) or _by_alarm(document, standing, to)


def row_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """One line for every row, under the name of its alarm."""
    lines = []
    widest = max((to.size(row.point.name) for row in standing.rows), default=0)
    room = min(widest, to.width // 2)
    for alarm, rows in _rows_by_alarm(document, standing).items():
        lines.append(to.fitted(alarm, to.width))
        for row in rows:
            word = NOT_PLANNED if row.verdict is None else row.verdict.value
            many = f" x{len(row.results)}" if len(row.results) > 1 else ""
            latency = latency_of(row)
            timed = (
                "" if latency is None else human.bounds(latency, against_ns=row.expectation.limits.appears_within_ns)
            )
            told = f"{symbol(row.verdict_class, to)} {word}{many} {timed}"
            lines.append(f"  {to.fitted(row.point.name, room)}  {to.fitted(told, to.width - room - 4)}")
    return lines


def _body(matrix: Matrix, to: Terminal, *, with_latency: bool) -> list[list[str]]:
    body = []
    for row in matrix.rows:
        cells = [[_entry(entry, to, with_latency=with_latency) for entry in cell] for cell in row.cells]
        for line in range(max(1, *map(len, cells))):
            first = row.alarm.name if line == 0 else ""
            body.append([first, *(cell[line] if line < len(cell) else "" for cell in cells)])
    return body


def _entry(entry: Entry, to: Terminal, *, with_latency: bool) -> str:
    many = f" x{len(entry.rows)}" if len(entry.rows) > 1 else ""
    latency = entry.latency if with_latency else ""
    return f"{symbol(entry.verdict_class, to)} {entry.word}{many} {latency}".rstrip()


def _rows_by_alarm(document: ReportDocument, standing: Standing) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {name: [] for name in document.site.alarms}
    for row in standing.rows:
        found[row.alarm.name].append(row)
    return {name: rows for name, rows in found.items() if rows}


def _tested_by_alarm(document: ReportDocument, standing: Standing) -> dict[str, list[Row]]:
    """Only alarms of which a row was tested; what was left out is told once, see ``untested_lines``."""
    by_alarm = _rows_by_alarm(document, standing)
    return {name: rows for name, rows in by_alarm.items() if any(row.attempt is not None for row in rows)}


def _by_link(document: ReportDocument, standing: Standing, to: Terminal) -> list[str] | None:
    """How many of each class on each link, and by when the slowest pass had shown; None where it does not fit."""
    tested = [row for row in standing.rows if row.verdict is not None]
    links = [name for name in document.site.links if any(row.point.link == name for row in tested)]
    if not links:
        return None
    by_alarm = _tested_by_alarm(document, standing)
    counts = {
        alarm: [_tally([row for row in rows if row.point.link == name], to) for name in links]
        for alarm, rows in by_alarm.items()
    }
    for late in (_slowest_with_link, _slowest, None):
        heads = [["alarm", *links, *(["slowest pass"] if late else [])]]
        body = [[alarm, *counts[alarm], *([late(rows)] if late else [])] for alarm, rows in by_alarm.items()]
        lines = table(to, heads, body)
        if lines is not None:
            return [*_key(to), *lines]
    return None


def _slowest(rows: Sequence[Row]) -> str:
    found = slowest(result for row in rows for result in row.results)
    return "" if found is None or found.latency is None else human.at_most(found.latency.hi)


def _slowest_with_link(rows: Sequence[Row]) -> str:
    found = slowest(result for row in rows for result in row.results)
    link = next((row.point.link for row in rows if found is not None and row.point.name == found.point), "")
    return f"{_slowest(rows)} {link}".rstrip()


def _key(to: Terminal) -> list[str]:
    words = [f"{symbol(one, to)} {CLASS_WORD[one]}" for one in CLASSES] + [f"{symbol(None, to)} {NOT_PLANNED}"]
    return [f"rows by alarm and link: {', '.join(words)}"]


def _tally(rows: Sequence[Row], to: Terminal) -> str:
    counts = Counter(row.verdict_class for row in rows)
    return " ".join(f"{symbol(one, to)}{counts[one]}" for one in (*CLASSES, None) if counts[one])


def _by_alarm(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    lines = []
    for alarm, rows in _tested_by_alarm(document, standing).items():
        odd = [row for row in rows if row.verdict_class is not VerdictClass.PASS]
        counts = Counter((row.verdict_class, NOT_PLANNED if row.verdict is None else row.verdict.value) for row in odd)
        ordered = sorted(counts.items(), key=lambda it: (*CLASSES, None).index(it[0][0]))
        parts = [f"{symbol(one, to)} {number} {word}" for (one, word), number in ordered]
        passed = row_pass_words(rows)
        parts += [f"{symbol(VerdictClass.PASS, to)} {passed}"] if passed else []
        lines += to.wrapped(f"{alarm}: {', '.join(parts)}", hang=4)
    return lines


def untested_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """How many rows of each link no record set out to test; nothing where each was."""
    counts = Counter(row.point.link for row in standing.of_class(None))
    if not counts:
        return []
    alarms = human.count(len({row.alarm.name for row in standing.of_class(None)}), "alarm")
    told = ", ".join(f"{counts[link]:,} on {link}" for link in document.site.links if counts[link])
    rows = human.count(counts.total(), "row")
    return to.wrapped(f"{NOT_PLANNED}, since no record here set out to: {rows} of {alarms}: {told}", hang=4)


def link_lines(document: ReportDocument, to: Terminal) -> list[str]:
    """How well each link was observed in the newest attempt; those that nobody listened to in one line."""
    if not document.attempts:
        return []
    lines = []
    idle = [it.link for it in document.attempts[0].links if not it.listened]
    for figures in document.attempts[0].links:
        if not figures.listened:
            continue
        one = coverage_of(figures)
        text = f"{figures.link}: {one.observed} observed, {', '.join(figure_words(figures))}"
        text += f" ({figures.address})" if figures.never_up else ""
        lines += to.wrapped(text, hang=4)
        told = [f"{_times(why)}{human.measured(why.total_ns)} {why.reason}" for why in one.reasons[:BLIND_MAX]]
        if len(one.reasons) > BLIND_MAX:
            told.append(f"and {len(one.reasons) - BLIND_MAX} more reasons")
        if told:
            lines += to.wrapped(f"blind: {'; '.join(told)}", first=4, hang=8)
    return [*lines, *(to.wrapped(f"not listened to in this attempt: {', '.join(idle)}", hang=4) if idle else ())]


def _times(why: BlindReason) -> str:
    return f"{why.times} times, together " if why.times > 1 else ""
