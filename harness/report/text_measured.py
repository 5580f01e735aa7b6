"""What was measured as plain lines: for each output of each alarm how often, how late, how long.

Every number carries its bounds and their confidence, and a number that the trials do not prove is not told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Final

from harness.core.durations import duration
from harness.measure.trials import Asked, RowSummary
from harness.report.columns import Terminal
from harness.report.human import count
from harness.report.measured import Measured
from harness.report.measured_sentences import (
    assumption_texts,
    beat_words,
    by_phase,
    claim_groups,
    claim_name,
    claim_words,
    common_remarks,
    counts_words,
    latency_words,
    mean_seen,
    miss_words,
    own_remarks,
    quantile_words,
    shown_words,
    slower_doubt,
    visible_words,
)
from harness.report.measured_words import down, percent
from harness.report.text_searches import search_lines

_INDENT: Final = 4
_NAME_MIN: Final = 16
_COLUMNS_MIN: Final = 4
"""So many stay where a terminal is narrow: output, shown, and the two that matter most."""

_Column = tuple[str, str, Callable[[RowSummary], str]]
"""Two lines of its head, and what stands in it."""


def render_measured(told: Measured, *, width: int = 100, ascii_only: bool = False, every_number: bool = False) -> str:
    """Lines of at most ``width`` columns, ended by a line feed. ValueError for a width that is not 80 to 200.

    ``every_number``: all quantiles of every output, in sentences, and not only a table.
    """
    to = Terminal(width=width, ascii_only=ascii_only)
    by_alarm: dict[str, list[RowSummary]] = defaultdict(list)
    for one in told.rows:
        by_alarm[one.row.alarm].append(one)
    parts = [front_lines(told, to)]
    for alarm, rows in by_alarm.items():
        if every_number:
            parts.append([to.show(alarm), *(line for one in rows for line in row_lines(one, told.asked, to))])
        else:
            parts.append([to.show(alarm), *alarm_lines(rows, told.asked, to)])
    parts += [claim_lines(told, to), search_lines(told, to), assumption_lines(told, to)]
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def alarm_lines(rows: Sequence[RowSummary], asked: Asked, to: Terminal) -> list[str]:
    """The outputs of one alarm: a table with as many columns as fit, and a line for what a table cannot say."""
    has_visible = any(one.row.ends_by_itself for one in rows)
    # What a reader came for stands first, since a narrow terminal drops what stands last.
    columns: list[_Column] = [
        ("", "output", lambda it: it.row.point),
        ("", "shown", shown_words),
        (
            "a poll that",
            f"sees {percent(asked.share)}",
            lambda it: "" if it.longest is None else down(it.longest.period_ns),
        ),
        ("visible for", "95 % more than", lambda it: quantile_words(it.visible, 0.05)),
        ("latency", "95 % within", lambda it: quantile_words(it.latency, 0.95)),
        ("not shown", "at most", _missed_at_most),
        ("latency", "50 % within", lambda it: quantile_words(it.latency, 0.5)),
        ("visible for", "50 % more than", lambda it: quantile_words(it.visible, 0.5)),
    ]
    if not has_visible:
        columns = [it for it in columns if it[0] not in ("visible for", "a poll that")]
    lines = _fitting(columns, rows, to)
    if asked.slower_ns and any(one.slower for one in rows):
        for at, period_ns in enumerate(asked.slower_ns):
            lines += [
                "",
                *_fitting([columns[0], *_slower_columns(period_ns, at)], [it for it in rows if it.slower], to),
            ]
    return [*lines, *_remarks(rows, asked, to)]


def _fitting(columns: Sequence[_Column], rows: Sequence[RowSummary], to: Terminal) -> list[str]:
    """A table with the first so many of the columns as fit, and a line that names the others; the first column is cut
    before the fifth is dropped.

    What stands in the first column are names: no two of them are cut to the same text.
    """
    body = [[cell(one) for _, _, cell in columns] for one in rows]
    widths = [
        max(to.size(head) for head in (over, under, *(line[at] for line in body)))
        for at, (over, under, _) in enumerate(columns)
    ]
    room = to.width - _INDENT
    shown = list(range(len(columns)))
    while len(shown) > _COLUMNS_MIN and sum(widths[at] for at in shown) + 2 * (len(shown) - 1) > room:
        # A column without a head holds a doubt about the others, which is not to be dropped.
        shown.remove(max(at for at in shown if any(columns[at][:2])))
    over = sum(widths[at] for at in shown) + 2 * (len(shown) - 1) - room
    widths[0] = max(min(widths[0], _NAME_MIN), widths[0] - max(0, over))
    names = to.names_fitted([line[0] for line in body], widths[0])
    body = [[name, *line[1:]] for name, line in zip(names, body, strict=True)]
    heads = [[first for first, _, _ in columns], [second for _, second, _ in columns]]
    lines = [
        "  ".join(to.fitted(line[at], widths[at]) for at in shown)
        for line in (*heads, ["-" * width for width in widths], *body)
    ]
    dropped = [" ".join(it for it in one[:2] if it) for at, one in enumerate(columns) if at not in shown]
    told = f"no room for: {', '.join(dropped)}; a wider terminal (COLUMNS=160) shows them, or --all" if dropped else ""
    return [
        *(f"{' ' * _INDENT}{line}" for line in lines),
        *(to.wrapped(told, first=_INDENT, hang=8, keep_units=True) if told else ()),
    ]


def _missed_at_most(one: RowSummary) -> str:
    return "" if one.misses is None or one.row.unproven else percent(one.misses.high, up=True)


def _slower_columns(period_ns: int, at: int) -> list[_Column]:
    """What a poll so slow would have seen of the sightings, and of how many raises they are."""
    columns: list[_Column] = [
        (
            f"a poll every {duration(period_ns)}",
            "would have seen",
            lambda it: f"{mean_seen(*it.slower[at])} of {it.slower[at][0].sightings}",
        ),
        ("", "by its phase", lambda it: by_phase(*it.slower[at])),
        ("", "of raises", lambda it: str(len(it.row.measured))),
    ]
    return [*columns, ("", "", slower_doubt)]


def _remarks(rows: Sequence[RowSummary], asked: Asked, to: Terminal) -> list[str]:
    """What a table cannot say: misses, what was left out, phases, and what the trials do not prove yet."""
    texts = [f"{one.row.point}: {text}" for one in rows for text in own_remarks(one)]
    texts += common_remarks(rows, asked)
    return [line for text in texts for line in to.wrapped(text, first=4, hang=8, keep_units=True)]


def front_lines(told: Measured, to: Terminal) -> list[str]:
    """Of what, by which records, with what confidence."""
    lines = [f"{told.title} ({told.site}): what was measured, with bounds at {percent(told.asked.confidence)}"]
    lines += [
        f"{one.name}, firmware {one.firmware or 'not stated'}, seed {one.seed}, SHA-256 {one.sha256}"
        for one in told.records
    ]
    lines += [f"note: {text}" for text in told.notes]
    if told.single:
        single = count(told.single, "output was", "outputs were")
        lines.append(
            f"{single} tried only once, which makes no distribution: see the bounds of each result (judge --all)"
        )
    if not told.rows and not told.searches:
        lines.append("no output was tried more than once: raise alarms again and again (trials, or test --repeat)")
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def row_lines(one: RowSummary, asked: Asked, to: Terminal) -> list[str]:
    """One output of one alarm."""
    texts = [*(f"nothing is proven of it: {text}" for text in one.row.unproven)]
    texts += [beat_words(one) if one.is_in_step else "", latency_words(one), *visible_words(one, asked)]
    counts = f"{one.row.point}: {counts_words(one)}{miss_words(one.misses)}"
    lines = to.wrapped(counts, first=4, hang=8, keep_units=True)
    for text in texts:
        lines += to.wrapped(text, first=8, hang=12, keep_units=True) if text else []
    return lines


def assumption_lines(told: Measured, to: Terminal) -> list[str]:
    """What the numbers rest on."""
    return [line for text in assumption_texts(told) for line in to.wrapped(text, first=0, hang=4, keep_units=True)]


def claim_lines(told: Measured, to: Terminal) -> list[str]:
    """What was claimed, and what the trials decide of it for each output."""
    lines: list[str] = []
    for claim, claims, rates in claim_groups(told):
        lines += to.wrapped(f"claim: {claim}", hang=4, keep_units=True)
        for one in claims:
            lines += to.wrapped(f"{claim_name(one)}: {claim_words(one)}", first=4, hang=8, keep_units=True)
        lines += to.wrapped(rates, first=4, hang=8, keep_units=True)
    return lines
