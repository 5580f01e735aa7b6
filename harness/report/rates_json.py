"""Alarm rates as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from harness.measure.alarm_rates import Contributor, Flood, Number, RateLimits
from harness.report.rates_document import HELD_AGAINST, RatesDocument, RecordRates

SCHEMA: Final = "farend-rates/1"


def rates_json(document: RatesDocument) -> dict[str, Any]:
    """The same for programs. Numbers are [surely, possibly]; instants ns since 1970 UTC, times ns."""
    it, every = document, document.all
    return {
        "schema": SCHEMA,
        "site": it.site,
        "limits": asdict(it.limits),
        "held_against": list(HELD_AGAINST),
        "chosen": it.chosen,
        "shared": list(it.shared),
        "held": list(it.held),
        "records": [_record_json(one, it.limits) for one in it.records],
        "span_ns": every.span_ns,
        "observed_ns": every.observed_ns,
        "activations": _pair(every.total),
        "windows_observed": every.windows,
        "windows_over": _pair(every.over),
        "most_in_fixed_window": _pair(every.most_fixed),
        "most_in_any_window": _pair(every.most),
        "floods": _pair(every.floods),
        "flood_ns": list(every.flood_ns),
        "chattering": [_contributor_json(one) for one in every.chattering],
        "fleeting": _pair(every.fleeting),
        "fleeting_acted_on": _pair(every.fleeting_acted_on),
        "fleeting_unfinished": every.fleeting_unfinished,
        "stale": {name: _pair(number) for name, number in every.stale.items()},
        "on_before": list(every.standing),
        "priorities": {name: _pair(number) for name, number in it.by_priority.items()},
        "contributors": [_contributor_json(one) for one in every.contributors],
    }


def _record_json(one: RecordRates, limits: RateLimits) -> dict[str, Any]:
    rates, shift_ns = one.rates, one.utc_shift_ns
    return {
        "record": one.record,
        "begin_ns": rates.span.lo + shift_ns,
        "end_ns": rates.span.hi + shift_ns,
        "observed_ns": rates.observed_ns,
        "points": list(one.points),
        "unobserved": list(one.unobserved),
        "raised": one.raised,
        "doubtful": one.doubtful,
        "activations": _pair(rates.total),
        "windows": [
            {"begin_ns": it.begin + shift_ns, "activations": _pair(it.number), "observed": it.is_observed}
            for it in rates.windows
        ],
        "most": {
            "activations": _pair(rates.most.number),
            "begin_ns": rates.most.until - limits.window_ns + 1 + shift_ns,
        },
        "floods": [_flood_json(it, shift_ns) for it in rates.floods],
    }


def _flood_json(it: Flood, shift_ns: int) -> dict[str, Any]:
    return {
        "begin_ns": it.begin + shift_ns,
        "end_ns": it.end + shift_ns,
        "surely_ns": [[begin + shift_ns, end + shift_ns] for begin, end in it.sure],
        "activations": _pair(it.activations),
    }


def _contributor_json(it: Contributor) -> dict[str, Any]:
    return {"alarm": it.alarm, "activations": _pair(it.number), "most": _pair(it.most)}


def _pair(number: Number) -> list[int]:
    return [number.surely, number.possibly]
