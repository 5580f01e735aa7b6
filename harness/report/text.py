"""The matrix and the results as plain lines for a terminal. Nothing here prints, colours or moves a cursor."""

from __future__ import annotations

from typing import Final

from harness.core.model import Cause, Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human
from harness.report.columns import Terminal, table
from harness.report.document import ReportDocument
from harness.report.matrix import Entry, Matrix, matrix_of
from harness.report.standing import Row, Standing, StandingStray, standing_of
from harness.report.words import CLASS_WORD, NOT_PLANNED, NOT_TESTED

_ORDER: Final = (VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN)
_SYMBOL: Final = {VerdictClass.PASS: "\u2713", VerdictClass.FAIL: "\u2717", VerdictClass.UNKNOWN: "?", None: "\u00b7"}
_SYMBOL_ASCII: Final = {VerdictClass.PASS: "+", VerdictClass.FAIL: "X", VerdictClass.UNKNOWN: "?", None: "."}


def render_text(document: ReportDocument, *, width: int = 100, ascii_only: bool = False) -> str:
    """Front lines, summary, matrix, and each fail and unknown, in lines of at most ``width`` columns (80 to 200).

    ``ascii_only``: for terminals and files that take nothing else. Ended by a line feed.
    Raises ValueError for another width.
    """
    to = Terminal(width=width, ascii_only=ascii_only)
    standing = standing_of(document)
    parts = (
        front_lines(document, to),
        summary_lines(standing, to),
        matrix_lines(document, standing, to),
        result_lines(document, standing, to),
    )
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def front_lines(document: ReportDocument, to: Terminal) -> list[str]:
    """Site, controller, firmware, and one line for each record."""
    facts = document.facts
    lines = [f"{facts.title.value} ({facts.name})"]
    for name, fact in (("controller", facts.controller), ("firmware", facts.firmware)):
        lines.append(f"{name}: {fact.value or 'not stated'} ({fact.source})")
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        ending = f", interrupted: {attempt.interrupted_why or 'no reason recorded'}" if attempt.interrupted else ""
        began = f"attempt {total - position}: {human.utc(attempt.started_utc_ns)}"
        lines.append(f"{began}, {attempt.record}, by {attempt.who or 'not stated'}{ending}")
        if attempt.as_left:
            lines.append(f"not restored after attempt {total - position}: {_left(document, position)}")
    lines.append(NOT_TESTED)
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def _left(document: ReportDocument, position: int) -> str:
    differences = document.attempts[position].as_left or ()
    return "; ".join(f"{one.what} was {one.as_found}, is {one.as_left}" for one in differences)


def summary_lines(standing: Standing, to: Terminal) -> list[str]:
    """How many of each class, and of each verdict."""
    counts = ", ".join(f"{standing.count(one)} {CLASS_WORD[one]}" for one in _ORDER)
    total = human.count(len(standing.rows), "row")
    if standing.strays:
        total += f" and {human.count(len(standing.strays), 'stray')}"
    untested = len(standing.of_class(None))
    lines = [f"{total}: {counts}, {untested} {NOT_PLANNED}"]
    told = [
        verdict for one in _ORDER for verdict in Verdict if verdict.verdict_class is one and standing.count(verdict)
    ]
    lines.append(", ".join(f"{standing.count(verdict)} {verdict}" for verdict in told))
    return [folded for line in lines if line for folded in to.wrapped(line, hang=4)]


def matrix_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """Alarms by outputs; without latencies where they do not fit, and else one line for each cell."""
    matrix = matrix_of(document.site, standing)
    heads = [["", *(column.link for column in matrix.columns)], ["alarm", *(c.label for c in matrix.columns)]]
    for with_latency in (True, False):
        lines = table(to, heads, _body(matrix, to, with_latency=with_latency))
        if lines is not None:
            return lines
    return _stacked(matrix, to)


def _body(matrix: Matrix, to: Terminal, *, with_latency: bool) -> list[list[str]]:
    body = []
    for row in matrix.rows:
        cells = [[_entry(entry, to, with_latency=with_latency) for entry in cell] for cell in row.cells]
        for line in range(max(1, *map(len, cells))):
            first = row.alarm.name if line == 0 else ""
            body.append([first, *(cell[line] if line < len(cell) else "" for cell in cells)])
    return body


def _stacked(matrix: Matrix, to: Terminal) -> list[str]:
    lines = []
    half = to.width // 2
    for row in matrix.rows:
        lines.append(to.fitted(row.alarm.name, to.width))
        for column, cell in zip(matrix.columns, row.cells, strict=True):
            head = to.fitted(f"{column.link} {column.label}", half - 3)
            lines += [f"  {head} {to.fitted(_entry(entry, to), to.width - half)}" for entry in cell]
    return lines


def _entry(entry: Entry, to: Terminal, *, with_latency: bool = True) -> str:
    symbol = (_SYMBOL_ASCII if to.ascii_only else _SYMBOL)[entry.verdict_class]
    many = f" x{len(entry.rows)}" if len(entry.rows) > 1 else ""
    return f"{symbol} {entry.word}{many} {entry.latency if with_latency else ''}".rstrip()


def result_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """Each fail, stray and unknown with reason, bounds, causes and what to check next."""
    lines: list[str] = []
    told: dict[Cause, str] = {}
    for row in standing.of_class(VerdictClass.FAIL):
        lines += _row_lines(row, to, told)
    for one in standing.strays:
        lines += _stray_lines(document, one, to)
    for row in standing.of_class(VerdictClass.UNKNOWN):
        lines += _row_lines(row, to, told)
    return lines


def _row_lines(row: Row, to: Terminal, told: dict[Cause, str]) -> list[str]:
    word = "FAIL" if row.verdict_class is VerdictClass.FAIL else "UNKNOWN"
    of = f" ({row.same} of {len(row.results)})" if len(row.results) > 1 else ""
    reason = row.reason or (row.verdict.meaning if row.verdict else "")
    lines = to.wrapped(f"{word} {row.verdict}{of}: {row.alarm.name} at {row.point.name}: {reason}", hang=4)
    for text in _detail(row, row.results[0], told) if row.results else ():
        lines += to.wrapped(text, first=4, hang=8)
    return lines


def _detail(row: Row, result: Result, told: dict[Cause, str]) -> list[str]:
    """Lines behind a result. A cause that was told before is named by where, since one fault is one cause."""
    limits = row.expectation.limits
    lines = []
    if result.latency is not None:
        limit = f" (limit {human.duration(limits.appears_within_ns)})" if limits.appears_within_ns is not None else ""
        lines.append(f"latency {human.bounds(result.latency, against_ns=limits.appears_within_ns)}{limit}")
    if result.visible is not None:
        limit = f" ({human.duration(limits.visible_for_ns)} demanded)" if limits.visible_for_ns is not None else ""
        lines.append(f"visible {human.bounds(result.visible, against_ns=limits.visible_for_ns)}{limit}")
    if result.also:
        lines.append("also " + ", ".join(result.also))
    for cause in result.causes:
        if cause in told:
            lines.append(f"cause: the same as for {told[cause]}")
            continue
        told[cause] = f"{row.alarm.name} at {row.point.name}"
        lines += [f"cause: {cause.text}", f"evidence: {cause.evidence}", f"check next: {cause.next_check}"]
    return lines


def _stray_lines(document: ReportDocument, one: StandingStray, to: Terminal) -> list[str]:
    attempt = document.attempts[len(document.attempts) - one.attempt]
    onset = one.stray.onset
    seen = "at a time that is not known" if onset.is_open_above else f"by {human.utc(attempt.utc_ns(onset.hi))}"
    told = f"FAIL {one.stray.verdict}: at {one.stray.point}, on {seen}: {one.stray.reason or one.stray.verdict.meaning}"
    lines = to.wrapped(told, hang=4)
    for cause in one.stray.causes:
        lines += to.wrapped(f"cause: {cause.text}; check next: {cause.next_check}", first=4, hang=8)
    return lines
