"""A comparison of two runs as canonical JSON: sorted keys, whole nanoseconds, null for an end that is not bounded."""

from __future__ import annotations

import json
from typing import Any, Final

from harness.core.verdicts import Verdict
from harness.measure.run_comparison import Compared, Outcome, RowCompared, Side, WholeLink
from harness.report.compare_methods import method_words
from harness.report.compare_words import reasons, result_words
from harness.report.comparison import ComparisonDocument
from harness.report.json_ import plain

SCHEMA: Final = "farend-compare/1"


def render_compare_json(document: ComparisonDocument) -> str:
    """The whole comparison, ended by a line feed. Chances are numbers between 0 and 1; bounds are [lo, hi] in ns."""
    compared, orders = document.compared, document.orders
    whole = {
        "schema": SCHEMA,
        "site": document.site,
        "title": document.title,
        "before": plain(document.before),
        "after": plain(document.after),
        "is_failing": document.is_failing,
        "is_unknown": bool(document.not_compared),
        "exit_code": int(document.exit_code),
        "result": result_words(document),
        "two_rates": document.two_rates,
        "asked": {
            "level": compared.asked.level,
            "worth_ns": compared.asked.worth_ns,
            "confidence": compared.asked.confidence,
            "only": list(document.only),
            "verdicts_only": compared.asked.verdicts_only,
        },
        "tests": compared.tests,
        "tests_not_counted": compared.not_counted,
        "trials_needed": {
            "one_test": compared.alone,
            "all_tests": compared.together,
            "links_as_a_whole": compared.for_links,
        },
        "family_wise_error": "Holm",
        "all_deals_counted": compared.all_exact,
        "seed": document.seed,
        "methods": list(method_words(document)),
        "counts": {outcome.value: len(compared.of(outcome)) for outcome in Outcome},
        "rows": [_row(row, document) for row in compared.rows],
        "orders": {"same": orders.same, "open": orders.open, "changes": plain(orders.changes)},
        "map_differences": plain(document.map_differences),
        "strays": [plain(it) | {"is_new": it.is_new} for it in document.strays],
        "links_as_a_whole": [_whole(it) for it in compared.links],
        "links": [
            plain(it, leave_out=("chance", "adjusted")) | {"chance": it.chance, "adjusted": it.adjusted}
            for it in document.links
        ],
        "renamed": list(document.renamed),
        "suggested": list(document.suggested),
        "notes": list(document.notes),
    }
    return json.dumps(whole, sort_keys=True, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


def _row(row: RowCompared, document: ComparisonDocument) -> dict[str, Any]:
    pair, compared = row.pair, document.compared
    return {
        "expectation": pair.key,
        "was": pair.was,
        "alarm": pair.alarm,
        "point": pair.point,
        "link": pair.link,
        "outcome": row.outcome.value,
        "is_failing": row.is_failing,
        "is_unknown_allowed": row.is_unknown_allowed,
        "only_by_link": row.by_link,
        "not_compared": None if row.lack is None or not row.is_not_compared else row.lack.value,
        "before": _side(pair.before),
        "after": _side(pair.after),
        "reasons": reasons(row, compared.asked, compared.tests),
        "compared": [_compared(it) for it in row.compared],
    }


def _whole(it: WholeLink) -> dict[str, Any]:
    return {
        "link": it.link,
        "pairs": it.pairs,
        "alarms": it.alarms,
        "difference_ns": None if it.difference is None else plain(it.difference),
        "later": it.later,
        "earlier": it.earlier,
        "chance": it.chance,
        "adjusted": it.adjusted,
        "finding": it.finding.value,
    }


def _side(side: Side | None) -> dict[str, Any] | None:
    if side is None:
        return None
    counts = {it.value: side.verdicts.count(it) for it in Verdict if it in side.verdicts}
    return {
        "class": None if side.worst is None else side.worst.value,
        "verdicts": counts,
        "missed": side.missed,
        "unseen": side.unseen,
        "measured": side.measured,
        "read": side.read,
    }


def _compared(it: Compared) -> dict[str, Any]:
    told: dict[str, Any] = {
        "kind": it.kind.value,
        "method": it.method.value,
        "finding": it.finding.value,
        "before_trials": it.before,
        "after_trials": it.after,
        "chance": it.chance,
        "adjusted": it.adjusted,
        "is_worse": it.is_worse if it.is_significant else None,
        "difference_ns": None if it.difference is None else plain(it.difference),
        "difference_is_of_medians": it.of_medians,
    }
    return told | ({"before_hits": it.before_hits, "after_hits": it.after_hits} if it.kind.is_share else {})
