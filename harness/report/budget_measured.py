"""Predicted beside measured: what a record says of each way, and what it cannot have if the prediction holds."""

from __future__ import annotations

from typing import Any

from harness.core.instants import Bounds
from harness.report import human
from harness.report.budget_document import Measured, RowMeasured
from harness.report.columns import Terminal, table


def measured_lines(measured: Measured, to: Terminal) -> list[str]:
    """A line for each row with something to explain, then how many agree."""
    lines = to.wrapped(f"Measured beside predicted, {', '.join(measured.records)}", hang=4)
    if not measured.rows:
        return lines + to.wrapped("nothing of these rows was measured", first=2, hang=4)
    outside = measured.outside
    alike: dict[tuple[str, tuple[str, ...]], list[RowMeasured]] = {}
    for row in outside:
        alike.setdefault((row.link, row.could_be), []).append(row)
    for (_, could_be), rows in alike.items():
        for row in rows:
            lines += to.wrapped(f"TO EXPLAIN {row.key}: {'; '.join(row.outside)}", first=2, hang=6)
        lines += [line for text in could_be for line in to.wrapped(f"could be: {text}", first=6, hang=8)]
    lines += _rows_table(measured, to)
    trials = sum(row.trials for row in measured.rows)
    text = f"{human.count(len(measured.rows), 'row')}, {human.count(trials, 'trial')}: "
    text += f"{len(measured.rows) - len(outside)} not contradicted, {len(outside)} to explain"
    lines += to.wrapped(text, first=2, hang=4)
    lines += to.wrapped(_within_words(measured), first=2, hang=4) if len(outside) < len(measured.rows) else []
    if measured.left_out:
        told = f"{human.count(measured.left_out, 'trial')} left out, of which nothing can be measured"
        lines += to.wrapped(told, first=2, hang=4)
    share = f"{measured.confidence * 100:g}".rstrip("0").rstrip(".") if measured.confidence < 1 else "100"
    text = (
        f"shares by exact bounds (Clopper, Pearson), {share} % for all rows together; latencies from the raise to when "
        "the point came on, predicted and measured, by their bounds: without the polls of those who look at it, so "
        "without farend's own"
    )
    lines += to.wrapped(text, first=2, hang=4)
    return lines + [line for text in measured.notes for line in to.wrapped(text, first=2, hang=4)]


def _within_words(measured: Measured) -> str:
    """What is not contradicted agrees as far as it was measured, which may be with other times as well."""
    rows, within = len(measured.rows) - len(measured.outside), len(measured.within)
    which = f"of {within} of these" if within else "of none of these"
    which = "of all of these" if within == rows else which
    end = "" if within == rows else "; bounds that only reach into it fit other times as well"
    return f"every latency lies within the prediction, bounds and all, {which}{end}"


def _rows_table(measured: Measured, to: Terminal) -> list[str]:
    """Rows with the same prediction together: what was predicted, and the span of what was measured."""
    groups: dict[tuple[str, Bounds, str], list[RowMeasured]] = {}
    for row in measured.rows:
        groups.setdefault((row.link, row.predicted, chance_span(row)), []).append(row)
    body = []
    for (link, predicted, chance), rows in groups.items():
        latencies = [it for row in rows for it in row.latencies]
        shown, trials = sum(row.shown for row in rows), sum(row.trials for row in rows)
        body.append([link, str(len(rows)), human.bounds(predicted), _span(latencies), chance, f"{shown} of {trials}"])
    heads = [
        ["", "", "latency", "measured,", "chance", "seen"],
        ["link", "rows", "predicted", "in bounds", "predicted", "measured"],
    ]
    found = table(to, heads, body)
    if found is not None:
        return ["  " + line if to.width > len(line) + 2 else line for line in found]
    return [
        line
        for link, rows_, predicted, span, chance, seen in body
        for line in to.wrapped(
            f"{link}, {rows_} rows: latency {predicted} predicted, {span} measured; seen {chance} predicted, {seen}",
            first=2,
            hang=6,
        )
    ]


def _span(latencies: list[Bounds]) -> str:
    if not latencies:
        return "none"
    return human.bounds(Bounds(min(it.lo for it in latencies), max(it.hi for it in latencies)))


def chance_span(row: RowMeasured) -> str:
    """The mean of what was predicted for each trial."""
    if row.chance is None:
        return "-"
    low, high = (f"{float(it):.3f}".rstrip("0").rstrip(".") for it in row.chance)
    return low if low == high else f"{low} to {high}"


def measured_json(measured: Measured) -> dict[str, Any]:
    """For programs; latencies in nanoseconds."""
    return {
        "records": list(measured.records),
        "confidence": measured.confidence,
        "left_out": measured.left_out,
        "notes": list(measured.notes),
        "rows": [
            {
                "row": it.key,
                "trials": it.trials,
                "seen": it.shown,
                "seen_share": None if it.share is None else list(it.share),
                "predicted_chance": None if it.chance is None else [str(one) for one in it.chance],
                "predicted_latency_ns": [it.predicted.lo, it.predicted.hi],
                "latencies_ns": [[one.lo, one.hi] for one in it.latencies],
                "latencies_within": it.is_within,
                "outside": list(it.outside),
                "could_be": list(it.could_be),
            }
            for it in measured.rows
        ],
    }
