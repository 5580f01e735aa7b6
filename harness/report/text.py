"""The matrix and the results as plain lines for a terminal. Nothing here prints, colours or moves a cursor."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.model import Cause, Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human
from harness.report.cause_lines import cause_lines
from harness.report.columns import Terminal
from harness.report.correction_lines import correction_lines
from harness.report.document import ReportDocument
from harness.report.gathered import alike, has_own, kin, latency_of, visible_of
from harness.report.incidents import incidents
from harness.report.proved import proved_points
from harness.report.standing import Row, Standing, StandingStray, standing_of
from harness.report.text_gate import gate_lines, not_settled_lines
from harness.report.text_left import left_lines, left_words
from harness.report.text_matrix import CLASSES, link_lines, matrix_lines, row_lines, untested_lines
from harness.report.text_sweep import sweep_lines
from harness.report.words import CLASS_WORD, CODES_FIRST, NOT_PLANNED, NOT_TESTED


def render_text(
    document: ReportDocument, *, width: int = 100, ascii_only: bool = False, every_row: bool = False
) -> str:
    """Front lines, summary, each fail and unknown, and all rows in little room, in lines of at most ``width`` columns.

    ``width`` is 80 to 200. ``ascii_only``: for terminals and files that take nothing else. ``every_row``: a line
    for each row instead of the matrix. Ended by a line feed. Raises ValueError for another width.
    """
    to = Terminal(width=width, ascii_only=ascii_only)
    standing = standing_of(document)
    parts = (
        front_lines(document, to),
        summary_lines(standing, to),
        result_lines(document, standing, to),
        (row_lines if every_row else matrix_lines)(document, standing, to),
        [*untested_lines(document, standing, to), *link_lines(document, to)],
        proved_lines(document, standing, to),
        sweep_lines(document, to),
        gate_lines(document, to),
        left_lines(document, to),
        outcome_lines(standing, to, every_row=every_row),
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
        lines += [f"to be known of attempt {total - position}: {text}" for text in incidents(attempt)]
        if attempt.as_left:
            lines.append(f"not restored after attempt {total - position}: {left_words(attempt.as_left)}")
        lines += not_settled_lines(attempt, total - position)
    lines.append(f"{NOT_TESTED} Proved only up to where farend read it, see below. {CODES_FIRST}")
    told = [folded for line in lines for folded in to.wrapped(line, hang=4)]
    for position, attempt in enumerate(document.attempts):
        told += correction_lines(total - position, attempt, to)
    return told


def proved_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """Up to where the points of each link prove that an alarm went, and what they do not prove."""
    lines = ["proved up to:"]
    selected = [row for row in standing.rows if row.attempt is not None]
    for one in proved_points(document.site, selected):
        head = f"{one.link}, {human.count(len(one.points), 'point')}, {one.passed:,} of {one.rows:,} rows passed"
        not_proved = f"; not: {one.proof.not_proved}" if one.passed else ""
        lines += to.wrapped(f"{head}: {one.up_to}{not_proved}", first=4, hang=8)
    left_out = dict.fromkeys(row.point.link for row in standing.of_class(None))
    wholly = [name for name in left_out if all(row.point.link != name for row in selected)]
    if wholly and selected:
        lines += to.wrapped(f"nothing on {', '.join(wholly)}: {NOT_PLANNED}", first=4, hang=8)
    return lines if len(lines) > 1 else []


def summary_lines(standing: Standing, to: Terminal) -> list[str]:
    """How many of each class, and of each verdict."""
    told = [verdict for one in CLASSES for verdict in Verdict if verdict.verdict_class is one]
    counts = ", ".join(f"{standing.count(verdict):,} {verdict}" for verdict in told if standing.count(verdict))
    lines = [*_outcome(standing), *([counts] if counts else [])]
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def outcome_lines(standing: Standing, to: Terminal, *, every_row: bool = False) -> list[str]:
    """The counts once more where they would have scrolled away, and where to look further."""
    lines = _outcome(standing)
    if not every_row:
        lines.append("what failed or is unknown is told above; --all tells every row, and a page (--html) shows them")
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def _outcome(standing: Standing) -> list[str]:
    counts = ", ".join(f"{standing.count(one):,} {CLASS_WORD[one]}" for one in CLASSES)
    untested = len(standing.of_class(None))
    total = human.count(len(standing.rows) - untested, "row")
    if standing.strays:
        total += f" and {human.count(len(standing.strays), 'stray')}"
    return [f"{total}: {counts}; {untested:,} more {NOT_PLANNED}" if untested else f"{total}: {counts}"]


def result_lines(document: ReportDocument, standing: Standing, to: Terminal) -> list[str]:
    """Each fail, stray and unknown with reason, bounds, causes and what to check next."""
    lines: list[str] = []
    told: dict[Cause, str] = {}
    for rows in alike(standing.of_class(VerdictClass.FAIL)):
        lines += _row_lines(rows, to, told)
    for one in standing.strays:
        lines += _stray_lines(document, one, to, told)
    for rows in kin(standing.of_class(VerdictClass.UNKNOWN)):
        lines += _row_lines(rows, to, told)
    return lines


def _row_lines(rows: Sequence[Row], to: Terminal, told: dict[Cause, str]) -> list[str]:
    """One row with all that is behind it, or several of one link with one verdict and the same causes."""
    row = rows[0]
    word = "FAIL" if row.verdict_class is VerdictClass.FAIL else "UNKNOWN"
    if len(rows) == 1:
        of = f" ({row.same} of {len(row.results)})" if len(row.results) > 1 else ""
        lines = to.wrapped(f"{word} {row.verdict}{of}: {_where(row)}: {_why(row)}", hang=4)
        detail = _detail(row, row.results[0], told) if row.results else []
    else:
        lines, detail = _several_lines(rows, word, to), []
        for cause in row.results[0].causes if row.results else ():
            detail += _cause(cause, _where(row), told)
    for text in detail:
        lines += to.wrapped(text, first=4, hang=8)
    return lines


def _several_lines(rows: Sequence[Row], word: str, to: Terminal) -> list[str]:
    """What rows have in common, and then their names, or a line for each where they differ in more."""
    row = rows[0]
    head = f"{word} {row.verdict}: {len(rows)} rows on {row.point.link}"
    if len({_why(it) for it in rows}) == 1 and not any(has_own(it) for it in rows):
        names = ", ".join(_where(it) for it in rows)
        return [*to.wrapped(f"{head}: {_why(row)}", hang=4), *to.wrapped(f"rows: {names}", first=4, hang=8)]
    lines = to.wrapped(f"{head}:", hang=4)
    for it in rows:
        lines += to.wrapped(f"{_where(it)}: {_why(it)}", first=4, hang=8)
    return lines


def _where(row: Row) -> str:
    return f"{row.alarm.name} at {row.point.name}"


def _why(row: Row) -> str:
    return row.reason or (row.verdict.meaning if row.verdict else "")


def _detail(row: Row, result: Result, told: dict[Cause, str]) -> list[str]:
    """Lines behind a result. A cause that was told before is named by where, since one fault is one cause."""
    limits = row.expectation.limits
    lines = []
    # Of what appeared elsewhere, each may have appeared somewhere else.
    is_each = row.same > 1 and not any(it.elsewhere for it in row.results)
    each = f" in each of these {row.same}" if is_each else ""
    latency, visible = (latency_of(row), visible_of(row)) if is_each else (result.latency, result.visible)
    if latency is not None:
        limit = f" (limit {human.duration(limits.appears_within_ns)})" if limits.appears_within_ns is not None else ""
        there = f" at {result.elsewhere}" if result.elsewhere else ""
        lines.append(f"latency{there} {human.bounds(latency, against_ns=limits.appears_within_ns)}{each}{limit}")
    if visible is not None:
        limit = f" ({human.duration(limits.visible_for_ns)} demanded)" if limits.visible_for_ns is not None else ""
        lines.append(f"visible {human.bounds(visible, against_ns=limits.visible_for_ns)}{each}{limit}")
    if result.also:
        lines.append("also " + ", ".join(result.also))
    for cause in result.causes:
        lines += _cause(cause, _where(row), told)
    return lines


def _cause(cause: Cause, where: str, told: dict[Cause, str]) -> list[str]:
    if cause in told:
        return [f"cause: the same as for {told[cause]}"]
    told[cause] = where
    return cause_lines(cause)


def _stray_lines(document: ReportDocument, one: StandingStray, to: Terminal, causes: dict[Cause, str]) -> list[str]:
    attempt = document.attempts[len(document.attempts) - one.attempt]
    onset = one.stray.onset
    seen = "at a time that is not known" if onset.is_open_above else f"by {human.utc(attempt.utc_ns(onset.hi))}"
    told = f"FAIL {one.stray.verdict}: at {one.stray.point}, on {seen}: {one.stray.reason or one.stray.verdict.meaning}"
    lines = to.wrapped(told, hang=4)
    for cause in one.stray.causes:
        for text in _cause(cause, f"the stray at {one.stray.point}", causes):
            lines += to.wrapped(text, first=4, hang=8)
    return lines
