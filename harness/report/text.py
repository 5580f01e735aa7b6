"""The matrix and the results as plain lines for a terminal. Nothing here prints, colours or moves a cursor."""

from __future__ import annotations

from typing import Final

from rich.cells import cell_len

from harness.core.model import Result
from harness.core.verdicts import VerdictClass
from harness.report import human
from harness.report.columns import fitted, table, wrapped
from harness.report.document import ReportDocument
from harness.report.matrix import Entry, Matrix, matrix_of
from harness.report.safe import ascii_text, safe_text
from harness.report.standing import Row, Standing, standing_of
from harness.report.words import CLASS_WORD, NOT_TESTED

WIDTH_MIN: Final = 80
WIDTH_MAX: Final = 200
_SYMBOL: Final = {VerdictClass.PASS: "\u2713", VerdictClass.FAIL: "\u2717", VerdictClass.UNKNOWN: "?", None: "\u00b7"}
_SYMBOL_ASCII: Final = {VerdictClass.PASS: "+", VerdictClass.FAIL: "X", VerdictClass.UNKNOWN: "?", None: "."}


def render_text(document: ReportDocument, *, width: int = 100, ascii_only: bool = False) -> str:
    """Front lines, summary, matrix, and each fail and unknown, in lines of at most ``width`` columns (80 to 200).

    ``ascii_only``: for terminals and files that take nothing else. Ended by a line feed.
    """
    standing = standing_of(document)
    parts = [
        front_lines(document, width=width),
        summary_lines(standing, width=width),
        matrix_lines(document, standing, width=width, ascii_only=ascii_only),
        result_lines(document, standing, width=width),
    ]
    lines = [line.rstrip() for part in parts if part for line in (*part, "")]
    show = ascii_text if ascii_only else safe_text
    return (
        "\n".join(
            show(
                line,
            )
            for line in lines[:-1]
        )
        + "\n"
    )


def front_lines(document: ReportDocument, *, width: int) -> list[str]:
    """Site, controller, firmware, and one line for each record."""
    facts = document.facts
    lines = [
        f"{facts.title.value} ({facts.name})",
        f"controller  {facts.controller.value} ({facts.controller.source})",
        f"firmware    {facts.firmware.value or 'not stated'} ({facts.firmware.source})",
    ]
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        ending = f", interrupted: {attempt.interrupted_why or 'no reason recorded'}" if attempt.interrupted else ""
        lines.append(
            f"attempt {total - position}   {human.utc(attempt.started_utc_ns)}, {attempt.record}, "
            f"by {attempt.who or 'not stated'}{ending}"
        )
    lines.append(NOT_TESTED)
    return [folded for line in lines for folded in wrapped(line, width, hang=12)]


def summary_lines(standing: Standing, *, width: int) -> list[str]:
    """How many of each class, and of each verdict."""
    counts = ", ".join(f"{standing.count(one)} {CLASS_WORD[one]}" for one in _ORDER)
    untested = len(standing.of_class(None))
    lines = [f"{human.count(len(standing.rows), 'row')}: {counts}, {untested} not tested"]
    if standing.strays:
        lines[0] += f" (strays included: {len(standing.strays)})"
    named = dict.fromkeys(standing.verdicts)
    of_class = [
        (verdict, standing.count(verdict)) for one in _ORDER for verdict in named if verdict.verdict_class is one
    ]
    lines.append("  ".join(f"{verdict} {number}" for verdict, number in of_class))
    return [folded for line in lines for folded in wrapped(line, width, hang=2)]


_ORDER: Final = (VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN)


def matrix_lines(document: ReportDocument, standing: Standing, *, width: int, ascii_only: bool = False) -> list[str]:
    """Alarms by outputs; where the columns do not fit into ``width``, one line for each cell instead."""
    matrix = matrix_of(document.site, standing)
    symbols = _SYMBOL_ASCII if ascii_only else _SYMBOL
    heads = ["alarm", *(safe_text(f"{column.link} {column.label}") for column in matrix.columns)]
    for with_latency in (True, False):
        body = _body(matrix, symbols, with_latency=with_latency)
        widths = [max(cell_len(line[index]) for line in (heads, *body)) for index in range(len(heads))]
        if sum(widths) + 2 * (len(widths) - 1) <= width:
            return table(heads, body, widths)
    return _stacked(matrix, symbols, width)


def _body(matrix: Matrix, symbols: dict[VerdictClass | None, str], *, with_latency: bool) -> list[list[str]]:
    body = []
    for row in matrix.rows:
        cells = [[_entry(entry, symbols, with_latency=with_latency) for entry in cell] for cell in row.cells]
        for line in range(max(1, *map(len, cells))):
            first = safe_text(row.alarm.name) if line == 0 else ""
            body.append([first, *(cell[line] if line < len(cell) else "" for cell in cells)])
    return body


def _stacked(matrix: Matrix, symbols: dict[VerdictClass | None, str], width: int) -> list[str]:
    lines = []
    for row in matrix.rows:
        lines.append(fitted(safe_text(row.alarm.name), width))
        for column, cell in zip(matrix.columns, row.cells, strict=True):
            head = fitted(safe_text(f"{column.link} {column.label}"), width // 2 - 4)
            lines += [f"  {head} {fitted(_entry(entry, symbols), width - width // 2)}" for entry in cell]
    return lines


def _entry(entry: Entry, symbols: dict[VerdictClass | None, str], *, with_latency: bool = True) -> str:
    many = f" x{len(entry.rows)}" if len(entry.rows) > 1 else ""
    return f"{symbols[entry.verdict_class]} {entry.word}{many} {entry.latency if with_latency else ''}".rstrip()


def result_lines(document: ReportDocument, standing: Standing, *, width: int) -> list[str]:
    """Each fail, stray and unknown with reason, bounds, causes and what to check next."""
    lines: list[str] = []
    for wanted in (VerdictClass.FAIL, VerdictClass.UNKNOWN):
        for row in standing.of_class(wanted):
            lines += _row_lines(row, width)
        if wanted is VerdictClass.FAIL:
            for one in standing.strays:
                attempt = document.attempts[len(document.attempts) - one.attempt]
                at = "not known" if one.stray.onset.is_open_above else human.utc(attempt.utc_ns(one.stray.onset.hi))
                lines += wrapped(f"FAIL stray at {one.stray.point}, seen by {at}: {one.stray.reason}", width, hang=5)
    return lines


def _row_lines(row: Row, width: int) -> list[str]:
    word = "FAIL" if row.verdict_class is VerdictClass.FAIL else "UNKNOWN"
    shown = row.results[:1]
    of = f" ({row.same} of {len(row.results)})" if len(row.results) > 1 else ""
    told = [f"{word} {row.verdict}{of}  {row.alarm.name} at {row.point.name}: {row.reason}".rstrip(": ")]
    for result in shown:
        told += _detail(row, result)
    return [
        folded for index, line in enumerate(told) for folded in wrapped(line, width, hang=5, first=5 if index else 0)
    ]


def _detail(row: Row, result: Result) -> list[str]:
    limits = row.expectation.limits
    lines = []
    if result.latency is not None:
        limit = f" (limit {human.duration(limits.appears_within_ns)})" if limits.appears_within_ns is not None else ""
        lines.append(f"latency {human.bounds(result.latency, against_ns=limits.appears_within_ns)}{limit}")
    if result.visible is not None:
        limit = f" (at least {human.duration(limits.visible_for_ns)} demanded)" if limits.visible_for_ns else ""
        lines.append(f"visible {human.bounds(result.visible, against_ns=limits.visible_for_ns)}{limit}")
    if result.also:
        lines.append("also " + ", ".join(result.also))
    for cause in result.causes:
        lines += [f"cause: {cause.text}", f"evidence: {cause.evidence}", f"check next: {cause.next_check}"]
    return lines
