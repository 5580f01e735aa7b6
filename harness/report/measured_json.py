"""What was measured, as data for programs. Times in ns, open ends null, shares from 0 to 1."""

from __future__ import annotations

from typing import Any, Final

from harness.measure.describe import Description
from harness.measure.poll_period import Phases
from harness.measure.trials import RowSummary, Shown
from harness.measure.visible_time import bounds_of
from harness.report.json_ import plain
from harness.report.measured import ClaimTold, Measured, SearchTold

Json = dict[str, Any]

NOT_TO_BE_PROVEN: Final = "not-to-be-proven"
"""Of a claim with a fixed plan, in place of refuted: that more failed than it allows may be chance."""


def measured_json(told: Measured) -> Json:
    """One object; ``rows`` in the order of the point map."""
    return {
        "site": told.site,
        "records": plain(told.records),
        "notes": list(told.notes),
        "confidence": told.asked.confidence,
        "share": told.asked.share,
        "single": told.single,
        "claims": [_claim(one) for one in told.claims],
        "searches": [_search(one) for one in told.searches],
        "rows": [_row(one) for one in told.rows],
    }


def _row(one: RowSummary) -> Json:
    row = one.row
    return {
        "expectation": row.key,
        "alarm": row.alarm,
        "point": row.point,
        "ends_by_itself": row.ends_by_itself,
        "counts": {kind.value: row.count(kind) for kind in Shown},
        "classes": {"pass": one.passed, "fail": one.failed, "unknown": one.unknown},
        "not_shown": None
        if one.misses is None
        else {"low": one.misses.low, "high": one.misses.high, "side": one.misses.side.value},
        "latency": _quantiles(one.latency),
        "visible": _quantiles(one.visible),
        "phase": None if one.phase is None else {"finding": one.phase.finding.value, "chance": one.phase.chance},
        "in_step_with_a_device": one.is_in_step,
        "unproven": list(row.unproven),
        "longest_poll": None
        if one.longest is None
        else {"period_ns": one.longest.period_ns, "least": one.longest.least, "trials": one.longest.trials},
        "slower": [
            {"period_ns": least.period_ns, "least": _phases(least), "most": _phases(most)} for least, most in one.slower
        ],
        "trials": [
            {
                "record": it.record,
                "stimulus": it.stimulus,
                "verdict": it.verdict.value,
                "shown": it.shown.value,
                "set_aside": it.is_set_aside,
                "raised": plain(it.raised),
                "latency": plain(it.latency),
                "visible": None if it.visible is None else plain(bounds_of(it.visible)),
            }
            for it in row.trials
        ],
    }


def _claim(one: ClaimTold) -> Json:
    return {
        "alarm": one.alarm,
        "point": one.point,
        "share": one.share,
        "confidence": one.confidence,
        "decision": NOT_TO_BE_PROVEN if one.is_lost else one.decision.value,
        "unproven": list(one.unproven),
        "good": 1.0 - one.at_good.miss_share if one.at_good.miss_share else None,
        "after": one.decided.after,
        "trials": one.trials,
        "wrongly_proven": one.at_claim.proven,
    }


def _search(one: SearchTold) -> Json:
    found = one.finding
    return {
        "alarm": one.alarm,
        "point": one.point,
        "share": found.share,
        "confidence": found.confidence,
        "reliable": plain(found.reliable),
        "lost": plain(found.lost),
        "longest": plain(found.longest),
        "hopeful": plain(found.hopeful),
        "tries": found.tries,
        "unknown": found.unknown,
        "is_over": found.is_over,
        "unproven": list(one.unproven),
    }


def _quantiles(told: Description | None) -> list[Json] | None:
    if told is None:
        return None
    return [{"share": it.share, "likely": plain(it.likely), "bounds": plain(it.bounds)} for it in told.quantiles]


def _phases(it: Phases) -> Json:
    return {"sightings": it.sightings, "fewest": it.fewest, "most": it.most, "mean": it.mean, "blind": it.blind}
