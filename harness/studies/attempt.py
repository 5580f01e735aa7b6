"""From judged records to the document that the renderers take."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.core.errors import UsageError
from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.core.model import Decision, Hold, Result, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.spots import spot_of, spot_text
from harness.correlate.evidence import Neighbour
from harness.correlate.outline import Outline, outline
from harness.correlate.sweeps import sweeps_of
from harness.links.bacnet_assumed import assumed_alive
from harness.report.document import (
    AttemptDocument,
    ClockStep,
    Fact,
    ReportDocument,
    Review,
    SiteFacts,
    Timeline,
)
from harness.report.timeline import timeline_of
from harness.results.corrections_told import changed_by_corrections, correction_notes
from harness.results.figures import link_figures
from harness.results.judging import END_EVENT, JudgedRecord
from harness.results.log_book import log_book_of
from harness.results.steps import STANDING_EVENT
from harness.results.untested import untested_steps
from harness.studies.as_left import as_left
from harness.studies.clocks import clock_words_of
from harness.studies.earlier_events import with_stamps_told

BEFORE_NS: Final = 1 * NS_PER_S
AFTER_NS: Final = 2 * NS_PER_S
"""What a picture shows before the raise and after the last thing that matters."""


def report_document(records: Sequence[JudgedRecord]) -> ReportDocument:
    """One document of several records of one site, newest first. UsageError where they are of different sites."""
    if not records:
        raise UsageError("no record was given; name the records that the report is about")
    ordered = sorted(records, key=lambda it: it.reader.header.anchor.utc_ns, reverse=True)
    newest = ordered[0].site
    for record in ordered:
        if record.site.name != newest.name:
            raise UsageError(
                f"{record.path}: site={record.site.name}: a report is about one site, and {ordered[0].path} is of "
                f"site={newest.name}; make one report for each"
            )
    facts = SiteFacts(
        name=newest.name,
        title=Fact(value=newest.title),
        controller=Fact(value=newest.controller),
        firmware=Fact(value=newest.firmware),
    )
    return ReportDocument(facts=facts, site=newest, attempts=tuple(attempt_document(record) for record in ordered))


UNMAPPED_MAX: Final = 2
"""So many places of a link that no point maps are drawn beside one stimulus; more would tell nothing."""


def attempt_document(record: JudgedRecord) -> AttemptDocument:
    """One record as the report shows it."""
    header = record.reader.header
    end = next(iter(record.reader.events(END_EVENT)), None)
    interrupted_why = "" if end is None else str(end.data.get("why", ""))
    if end is None:
        interrupted_why = "the record ends without an end: the run was cut off"
    return AttemptDocument(
        record=record.path.name,
        sha256=record.sha256,
        started_utc_ns=header.anchor.utc_ns,
        anchor_ns=header.anchor.monotonic_ns,
        ended_ns=record.end_ns,
        utc_offset_s=header.utc_offset_s,
        tool_version=header.tool.removeprefix("farend "),
        who=record.corrected.who or header.operator,
        recorded_who=header.operator if record.corrected.who else "",
        judgement=with_stamps_told(record),
        seed=header.seed,
        exit_code=record.exit_code,
        interrupted=bool(interrupted_why),
        interrupted_why=interrupted_why,
        planned=record.planned,
        judged_with=record.judged_with,
        stimuli=record.evidence.stimuli,
        timelines=tuple(_timelines(record)),
        links=tuple(link_figures(record, name) for name in record.site.links),
        reviews=_reviews(record),
        reviewed=_reviewed(record),
        standing=_standing(record),
        sweeps=sweeps_of(record.site, record.evidence),
        ledger=record.ledger,
        as_left=as_left(record),
        clock_steps=tuple(
            ClockStep(at_ns=it.monotonic_ns, step_ns=it.moved_ns) for it in record.reader.clock_checks() if it.is_step
        ),
        foreign_clocks=clock_words_of(record),
        notes=(
            *record.site.notes,
            *untested_steps(record.site, record.evidence.stimuli, record.judgement.results),
            *assumed_alive(record.reader, record.site.links, record.site.points.values()),
        ),
        corrections=correction_notes(record),
        changed=changed_by_corrections(record),
        log=log_book_of(record),
    )


def _timelines(record: JudgedRecord) -> list[Timeline]:
    """A picture of every point of an alarm for each of its stimuli of which a result is not a pass.

    Where it appeared at another alarm's point, that one is shown too, and so is the reference point; where it was
    missed, the places of its link that no point maps and that came on instead.
    """
    shown = [it for it in record.judgement.results if it.verdict.verdict_class is not VerdictClass.PASS]
    if not shown:
        return []
    sketches = record.outlines
    stimuli = {it.id: it for it in record.evidence.stimuli}
    rows = {row.key: row for row in record.site.expectations}
    by_stimulus: dict[str, list[Result]] = defaultdict(list)
    for result in record.judgement.results:
        by_stimulus[result.stimulus].append(result)
    beside_points = [(it, outline(it.trace, Hold())) for it in record.evidence.neighbours]
    found: list[Timeline] = []
    for name in dict.fromkeys(it.stimulus for it in shown):
        stimulus, results = stimuli[name], by_stimulus[name]
        window = _window(stimulus, results)
        for result in results:
            row = rows[result.expectation]
            sketch = sketches[row.point]
            sightings = _sightings(sketch, window)
            found.append(timeline_of(sketch.trace, sightings, stimulus, window, expectation=row, hold=sketch.hold))
        beside = [record.site.alarms[stimulus.alarm].reference, *(result.elsewhere for result in results)]
        own = {result.point for result in results}
        for point in dict.fromkeys(it for it in beside if it and it in sketches and it not in own):
            sketch = sketches[point]
            sightings = _sightings(sketch, window)
            found.append(timeline_of(sketch.trace, sightings, stimulus, window, hold=sketch.hold))
        found += _unmapped(record, stimulus, results, window, beside_points)
    return found


def _unmapped(
    record: JudgedRecord,
    stimulus: Stimulus,
    results: Sequence[Result],
    window: Bounds,
    neighbours: Sequence[tuple[Neighbour, Outline]],
) -> Iterator[Timeline]:
    """What came on in the window of a stimulus at places that no point maps, on links where it was missed."""
    links = {record.site.points[it.point].link for it in results if it.verdict is Verdict.MISSED}
    shown = Counter[str]()
    for one, sketch in neighbours if links else ():
        sightings = _sightings(sketch, window)
        came_on = any(stimulus.raised.lo <= it.onset.hi and it.onset.lo <= window.hi for it in sightings)
        if came_on and one.link in links and shown[one.link] < UNMAPPED_MAX:
            shown[one.link] += 1
            drawn = timeline_of(one.trace, sightings, stimulus, window)
            place = spot_text(record.site, spot_of(one.link, one.place))
            yield replace(drawn, point=f"{one.link}: {place}", link=one.link)


def _sightings(sketch: Outline, window: Bounds) -> list[Any]:
    return [sketch.sighting(number) for number in sketch.sightings_touching(window.lo, window.hi)]


def _window(stimulus: Stimulus, results: Sequence[Result]) -> Bounds:
    """From a little before the raise to a little after the last step and the last thing seen of it."""
    last = [stimulus.raised.hi, *(step.hi for step in stimulus.later if step.hi < FOREVER)]
    last += [it.onset.hi for it in results if it.onset is not None]
    last += [min(it.end.hi, max(last) + 5 * AFTER_NS) for it in results if it.end is not None]
    return Bounds(stimulus.raised.lo - BEFORE_NS, max(stimulus.raised.lo + AFTER_NS, max(last) + AFTER_NS))


def _reviews(record: JudgedRecord) -> tuple[Review, ...]:
    found: list[Review] = []
    for event in record.reader.events("reviews"):
        decisions: Mapping[str, Any] = event.data["decisions"]  # type: ignore[assignment]  # written by our own run
        details: Mapping[str, Any] = event.data.get("details") or {}  # type: ignore[assignment]
        at_utc_ns = record.reader.header.anchor.utc_ns + event.at_ns - record.start_ns
        for name, word in decisions.items():
            detail: Mapping[str, Any] = details.get(name) or {}
            at: int | None = detail.get("at_utc_ns")
            found.append(
                Review(
                    side_effect=name,
                    decision=Decision(word),
                    by=str(detail.get("by") or event.data["by"]),
                    at_utc_ns=at_utc_ns if at is None else at,
                    note=str(detail.get("note", "")),
                    isolated=str(detail.get("isolated", "")),
                )
            )
    return tuple(found)


def _reviewed(record: JudgedRecord) -> str:
    """What the reviews rest on, where they come from a file."""
    told = (event.data for event in record.reader.events("reviews") if event.data.get("file"))
    return "; ".join(
        f"{it['file']}, valid through {it.get('expires') or 'no day'}, bound to {it.get('bound_to') or 'no site file'}"
        for it in told
    )


def _standing(record: JudgedRecord) -> tuple[tuple[str, str], ...]:
    """What was on before anything was raised, and why it was known; '' where nobody said so."""
    found: dict[str, str] = {}
    for event in record.reader.events(STANDING_EVENT):
        points: Mapping[str, Any] = event.data["points"]  # type: ignore[assignment]  # written by our own run
        found |= {name: str(reason) for name, reason in points.items()}
    return tuple(found.items())
