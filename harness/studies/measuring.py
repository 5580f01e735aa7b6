"""From records to what was measured in them, as the renderers take it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from harness.core.errors import FarendError, RecordError, UsageError
from harness.core.model import Behaviour
from harness.core.verdicts import VerdictClass
from harness.correlate.sweeps import Try, tries_of
from harness.measure.claims import decide
from harness.measure.poll_period import trials_to_name
from harness.measure.trials import DESCRIBED_MIN, Asked, RowTrials, summarise
from harness.report.measured import ClaimTold, Measured, MeasuredRecord, SearchTold
from harness.results.fitting import fits
from harness.results.judging import PLAN_EVENT, JudgedRecord
from harness.results.steps import SWEEP_EVENT
from harness.run.steering import outcome_of
from harness.run.trials import CLAIM_EVENT, SEARCH_EVENT, Claim, Search
from harness.studies.grounds import unproven, unproven_way
from harness.studies.row_trials import row_trials

T = TypeVar("T")


def measured(records: Sequence[JudgedRecord], asked: Asked, only: Sequence[str] = ()) -> Measured:
    """Everything that the records tell of the rows whose alarm, point or key fits one of ``only`` (all, where empty).

    UsageError where the records are of different sites, one is named twice, or nothing fits; RecordError where one
    asks for what nobody can decide.
    """
    names = sorted({record.site.name for record in records})
    if len(names) > 1:
        raise UsageError(
            f"the records are of {len(names)} sites ({', '.join(names)}); measure those of one site at a time"
        )
    rows = [row for row in row_trials(records) if not only or fits((row.alarm, row.point, row.key), only)]
    if only and not rows and not any(record.reader.events(SEARCH_EVENT) for record in records):
        raise UsageError(
            f"--only {' '.join(only)}: no output that was tested fits; give an alarm, a point or a pattern"
        )
    why = unproven(records, rows, _proving(records, rows, asked))
    rows = [replace(row, unproven=why.get(row.key, ())) for row in rows]
    many = [row for row in rows if len(row.trials) >= DESCRIBED_MIN]
    newest = records[-1]
    return Measured(
        site=newest.site.name,
        title=newest.site.title,
        records=tuple(
            MeasuredRecord(name=it.path.name, sha256=it.sha256, firmware=it.site.firmware, seed=it.reader.header.seed)
            for it in records
        ),
        asked=asked,
        rows=tuple(summarise(row, asked) for row in many),
        single=len(rows) - len(many),
        claims=tuple(
            replace(it, record=record.path.name if len(records) > 1 else "")
            for number, record in enumerate(records)
            for it in _claims(record, number, rows)
        ),
        searches=tuple(
            replace(it, record=record.path.name if len(records) > 1 else "")
            for record in records
            for it in _searches(record, only)
        ),
        notes=tuple(_notes(records)),
    )


def _proving(records: Sequence[JudgedRecord], rows: Sequence[RowTrials], asked: Asked) -> set[str]:
    """The rows of which something may be called proven: those of a claim, and those that may name a poll period."""
    claimed = {number for number, record in enumerate(records) if record.reader.events(CLAIM_EVENT)}
    needed = trials_to_name(asked.share, confidence=asked.confidence)
    return {
        row.key
        for row in rows
        if (row.ends_by_itself and len(row.visible) >= needed) or any(it.record in claimed for it in row.trials)
    }


def _notes(records: Sequence[JudgedRecord]) -> Iterator[str]:
    """In what the records differ that makes a mixture of what is told of all of them."""
    sites = [record.site for record in records]
    rows = [
        (row.key, (row.behaviour, row.limits, row.released_by, site.points[row.point].place))
        for site in sites
        for row in site.expectations
    ]
    first = dict(reversed(rows))
    if any(first[key] != it for key, it in rows):
        yield (
            "the records differ in their point maps: rows of one name may have other limits in them, or be other "
            "outputs; measure each by itself, too"
        )
    firmware = list(dict.fromkeys(site.firmware or "not stated" for site in sites))
    if len(firmware) > 1:
        yield f"the records are of {len(firmware)} firmwares ({', '.join(firmware)}), and are measured as one"


def _asked_of(record: JudgedRecord, kind: str, made: Callable[[Mapping[str, Any]], T]) -> Iterator[T]:
    """What the record was made for."""
    for event in record.reader.events(kind):
        try:
            yield made(event.data)
        except (FarendError, KeyError, TypeError, ValueError) as exc:
            raise RecordError(
                f"{record.path}: event '{kind}': {exc}; expected what this version of farend enters there"
            ) from exc


def _claim_of(data: Mapping[str, Any]) -> Claim:
    claim = Claim.of(data)
    if not 0.0 < claim.share < 1.0 or not 0.0 < claim.confidence < 1.0:
        raise ValueError(f"share={claim.share}, confidence={claim.confidence}: expected both between 0 and 1")
    _ = claim.rule
    return claim


def _claims(record: JudgedRecord, number: int, rows: Sequence[RowTrials]) -> Iterator[ClaimTold]:
    """What the trials of a record decide of the claim that it was made for, by what was judged in the end.

    Every trial counts, and one that a retest superseded as it was judged: a claim that drops what somebody would
    rather have again proves nothing.
    """
    for claim in _asked_of(record, CLAIM_EVENT, _claim_of):
        at_claim = claim.rule.rates(1.0 - claim.share)
        at_good = claim.rule.rates(0.0 if claim.good is None else 1.0 - claim.good)
        for row in rows:
            classes = [it.verdict.verdict_class for it in row.trials if it.record == number]
            if classes:
                yield ClaimTold(
                    alarm=row.alarm,
                    point=row.point,
                    share=claim.share,
                    confidence=claim.confidence,
                    decided=decide(claim.rule, classes),
                    trials=len(classes),
                    failed=classes.count(VerdictClass.FAIL),
                    unproven=row.unproven,
                    at_claim=at_claim,
                    at_good=at_good,
                )


def _searches(record: JudgedRecord, only: Sequence[str]) -> Iterator[SearchTold]:
    """Each output by the tries that were made for it, in their order."""
    asked = [(str(it.data.get("asking", "")), str(it.data["stimulus"])) for it in record.reader.events(SWEEP_EVENT)]
    for search in _asked_of(record, SEARCH_EVENT, lambda data: Search.of(data).search):
        tries: dict[str, list[Try]] = defaultdict(list)
        for one in tries_of(record.site, record.evidence):
            tries[one.stimulus].append(one)
        held = {it.id: it for it in record.evidence.stimuli if it.held_for_ns is not None}
        points = _searched(record) | {point: "" for point, _ in asked if point}
        for point, planned in points.items():
            mine = [held[stimulus] for at, stimulus in asked if at == point and stimulus in held]
            outcomes = [outcome_of(it.held_for_ns or 0, tries[it.id], point) for it in mine]
            alarm = mine[0].alarm if mine else planned
            if not only or fits((alarm, point), only):
                yield SearchTold(
                    alarm=alarm,
                    point=point,
                    finding=search.finding(outcomes),
                    unproven=unproven_way(record.site, point),
                )


def _searched(record: JudgedRecord) -> dict[str, str]:
    """The points that a search set out for, and their alarm, whether or not it came to them."""
    planned: set[tuple[str, str]] = set()
    for event in record.reader.events(PLAN_EVENT):
        data: Mapping[str, Any] = event.data  # as our own run wrote it
        planned.update((alarm, link) for alarm, links in data["links"].items() for link in links)
    return {
        row.point: row.alarm
        for row in record.site.expectations
        if row.behaviour is not Behaviour.QUIET and (row.alarm, record.site.points[row.point].link) in planned
    }
