"""Canonical JSON of a report: sorted keys, whole nanoseconds, null for an end that is not bounded, ASCII only.

The same document gives the same bytes on every machine. Instants are on the run's monotonic clock;
``started_utc_ns`` and ``anchor_ns`` place them in UTC. Texts are as recorded: a reader that shows them has to
make them safe.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any, Final

from harness.core.instants import Bounds
from harness.core.model import Expectation, Point, Result, Site, Stray
from harness.core.proved import proof_of
from harness.core.verdicts import VerdictClass
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.standing import Row, Standing, standing_of
from harness.report.words import CAUTIONS, NOT_TESTED

SCHEMA: Final = "farend-report/1"

Json = Any  # what json.dumps takes


def render_json(document: ReportDocument) -> str:
    """The whole report as canonical JSON, ended by a line feed."""
    standing = standing_of(document)
    total = len(document.attempts)
    whole = {
        "schema": SCHEMA,
        "facts": plain(document.facts),
        "cautions": [NOT_TESTED, *CAUTIONS],
        "site": _site(document.site),
        "counts": _counts(standing),
        "rows": [_row(row) for row in standing.rows],
        "strays": [{"attempt": one.attempt} | _stray(one.stray) for one in standing.strays],
        "attempts": [_attempt(total - index, attempt) for index, attempt in enumerate(document.attempts)],
    }
    return json.dumps(whole, sort_keys=True, indent=1, ensure_ascii=True, allow_nan=False) + "\n"


def _counts(standing: Standing) -> Json:
    verdicts: dict[str, int] = {}
    for verdict in standing.verdicts:
        verdicts[verdict.value] = verdicts.get(verdict.value, 0) + 1
    classes = {one.value: standing.count(one) for one in VerdictClass}
    return {"rows": len(standing.rows), "not_planned": len(standing.of_class(None)), **classes, "verdicts": verdicts}


def _row(row: Row) -> Json:
    return {
        "expectation": row.expectation.key,
        "alarm": row.alarm.name,
        "point": row.point.name,
        "link": row.point.link,
        "attempt": row.attempt,
        "verdict": row.verdict.value if row.verdict else None,
        "class": row.verdict_class.value if row.verdict_class else None,
        "earlier": [{"attempt": one.attempt, "verdict": one.result.verdict.value} for one in row.earlier],
        "retest": row.retest,
        "left_out": row.left_out,
    }


def _attempt(number: int, attempt: AttemptDocument) -> Json:
    told = plain(attempt, leave_out=("judgement", "timelines"))
    return told | {
        "attempt": number,
        "results": [_result(result) for result in attempt.judgement.results],
        "strays": [_stray(stray) for stray in attempt.judgement.strays],
        "causes": plain(attempt.judgement.causes),
        "failures_of_checkers": list(attempt.judgement.failures_of_checkers),
    }


def _result(result: Result) -> Json:
    return plain(result, leave_out=("is_doubted",)) | {"class": result.verdict.verdict_class.value}


def _stray(stray: Stray) -> Json:
    return plain(stray) | {"verdict": stray.verdict.value, "class": stray.verdict.verdict_class.value}


def _site(site: Site) -> Json:
    return {
        "points": {name: _point(site, point) for name, point in site.points.items()},
        "alarms": {name: plain(alarm, leave_out=("name", "origin", "writes")) for name, alarm in site.alarms.items()},
        "expectations": [_expectation(row) for row in site.expectations],
        "side_effects": {
            name: plain(effect, leave_out=("name", "origin")) for name, effect in site.side_effects.items()
        },
        "notes": list(site.notes),
    }


def _point(site: Site, point: Point) -> Json:
    proof = plain(proof_of(site, point))
    return {"link": point.link, "written": point.written, "hold": plain(point.hold), "a_pass_proves": proof}


def _expectation(row: Expectation) -> Json:
    return plain(row, leave_out=("origin",))


def plain(value: Any, leave_out: tuple[str, ...] = ()) -> Json:
    """Dataclasses to objects, enums to their words (exit codes to numbers), bounds to [lo, hi] with null for open."""
    if isinstance(value, Bounds):
        return [None if value.is_open_below else value.lo, None if value.is_open_above else value.hi]
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value):
        named = (field.name for field in fields(value) if field.name not in leave_out)
        return {name: plain(getattr(value, name)) for name in named}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if value is None or isinstance(value, str | int):
        return value
    raise TypeError(f"{type(value).__name__} in a report: expected text, whole numbers, bounds and values made of them")
