"""Judging a record: the same results from the record alone, on any machine, as often as wanted."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from harness.core.errors import RecordError
from harness.core.ledger import LedgerTold
from harness.core.model import Judgement, Result, Site, Stimulus
from harness.core.verdicts import ExitCode, Verdict, exit_code
from harness.correlate.engine import correlate, outlines_of, timed_by_reference
from harness.correlate.evidence import Evidence
from harness.correlate.outline import Outline
from harness.record.found import Event
from harness.record.reader import RecordReader
from harness.report.retests import raised_of, split_by_retest
from harness.results.corrected import Corrected
from harness.results.evidence import evidence_of
from harness.results.interrupting import GATE_STOPPED_EVENT
from harness.results.ledger_told import ledger_told
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT, open_stimuli
from harness.results.steps import AS_LEFT_EVENT, INTENT_EVENT, RETEST_EVENT, stimuli_of
from harness.site.reading import inline_map_name, read_site

PLAN_EVENT: Final = "plan"
END_EVENT: Final = "end"
WATCHED_EVENT: Final = "watched"
"""At the start of a record of which nothing was planned: it was only listened, so that nothing is judged."""
ENTRY_KEY: Final = "site_file"
MAP_KEY: Final = "point_map"
RESUMES_KEY: Final = "resumes"
"""In the header: names of the records that a record goes on from."""


@dataclass(frozen=True, kw_only=True)  # no slots, so that what is worked out of it is kept
class JudgedRecord:
    """One record, judged. ``planned``: keys of the rows that the run set out to test.

    ``judged_with``: '' for the record's own point map, else the file that replaced it and its SHA-256.
    ``corrected``: the corrections that were appended to it; ``as_recorded``: what it would be without them, None where
    none of them changes a result.
    """

    path: Path
    sha256: str
    reader: RecordReader
    site: Site
    evidence: Evidence
    judgement: Judgement
    planned: tuple[str, ...]
    judged_with: str
    start_ns: int
    end_ns: int
    corrected: Corrected = field(default_factory=Corrected)
    as_recorded: Judgement | None = None
    retests: Mapping[str, Sequence[int]] = field(default_factory=dict)
    """By alarm, when it was decided to raise it once more."""
    ledger: LedgerTold | None = None
    """Notices and inhibits, as last known; None where no ledger was kept."""

    @cached_property
    def outlines(self) -> Mapping[str, Outline]:
        """Of every point, what was seen there and when."""
        return outlines_of(self.site, self.evidence)

    @cached_property
    def timed(self) -> Mapping[str, Stimulus]:
        """The stimuli by id, as their reference points timed them."""
        stimuli = sorted(self.evidence.stimuli, key=lambda it: (it.raised.lo, it.raised.hi, it.id))
        return timed_by_reference(self.site, stimuli, self.outlines)

    @property
    def exit_code(self) -> ExitCode:
        """What this record alone amounts to. A planned row without a result is unknown.

        Where all passed, it is not all good before everybody was told that it is over and every bypass is released.
        A run that the safety gate stopped was stopped, whatever had failed or passed until then.
        """
        code = ExitCode.REFUSED if self.gate_stopped else exit_code(self.verdicts())
        open_after_pass = code is ExitCode.ALL_PASS and not self.is_settled
        return ExitCode.NOT_RESTORED if self.is_changed or open_after_pass else code

    @property
    def has_been(self) -> frozenset[str]:
        """The SHA-256 of its file, and of what that was before each correction: a copy from then is of the same run."""
        return frozenset({self.sha256, *(it.before_sha256 for it in self.corrected.made)} - {""})

    @property
    def gate_stopped(self) -> str:
        """Why the run had to end for the sake of safety; '' where it did not."""
        return "\n".join(str(event.data["why"]) for event in self.reader.events(GATE_STOPPED_EVENT))

    @property
    def is_settled(self) -> bool:
        """False while a notice or an inhibit is open, or nobody knows."""
        return self.ledger is None or self.ledger.is_settled

    @property
    def is_changed(self) -> bool:
        """True where something is not as it was found, as far as it was looked at."""
        differs = [
            event.data
            for event in self.reader.events(AS_LEFT_EVENT)
            if event.data.get("differs") or event.data.get("not_cleared") or event.data.get("changed")
        ]
        return bool(differs or self.left_raised or self.left_open)

    @property
    def left_raised(self) -> tuple[str, ...]:
        """Alarms that were raised and of which nothing says that they were cleared, in a run that was cut off."""
        events = self.reader.events()
        compared = max((at for at, it in enumerate(events) if it.kind == AS_LEFT_EVENT), default=-1)
        if compared >= 0 and not any(it.kind == INTENT_EVENT for it in events[compared:]):
            return ()  # it says itself what could not be cleared
        alarms = self.site.alarms
        open_now = open_stimuli(events)
        names = (self.corrected.alarms.get(it.stimulus, it.alarm) for it in open_now)
        hanging = (name for name in names if name not in alarms or alarms[name].lasts_ns is None)
        return tuple(dict.fromkeys(hanging))

    @property
    def left_open(self) -> tuple[str, ...]:
        """Alarms that an earlier run left raised, and that this one could not clear."""
        events = self.reader.events(CLEARED_LEFT_OPEN_EVENT)
        return tuple(dict.fromkeys(str(it.data["alarm"]) for it in events if not it.data["proven"]))

    @property
    def standing_results(self) -> tuple[Result, ...]:
        """The results without those that a retest in this record superseded."""
        return tuple(split_by_retest(self.judgement.results, raised_of(self.evidence.stimuli), self.retests)[0])

    def verdicts(self) -> Iterable[Verdict]:
        """Every verdict that stands, strays included; ``not-run`` for what was planned and not reached."""
        reached = set()
        for result in self.standing_results:
            reached.add(result.expectation)
            yield result.verdict
        for stray in self.judgement.strays:
            yield stray.verdict
        for key in self.planned:
            if key not in reached:
                yield Verdict.NOT_RUN


def judge_record(path: Path, map_file: Path | None = None, ledger_file: Path | None = None) -> JudgedRecord:
    """Read a record and judge it; with ``map_file``, by a corrected point map instead of its own.

    ``ledger_file``: a ledger of later, which says what became of the notices and inhibits that were open.

    Raises RecordError or SiteError with what is wrong. The caller closes ``reader``.
    """
    reader = RecordReader.open(path)
    try:
        documents, judged_with, instead = documents_of(reader, map_file)
        site, _ = read_site(documents, str(reader.header.extra[ENTRY_KEY]), point_map=instead)
        start_ns = reader.header.anchor.monotonic_ns
        end_ns = max(reader.last_ns, start_ns)
        events = reader.events()
        corrected, planned = Corrected.of(events), _planned(reader, site)
        stimuli = stimuli_of(events, site)
        evidence = evidence_of(reader, site, stimuli, start_ns, end_ns)
        judgement, as_recorded = correlate(site, evidence, planned or None), None
        if corrected.changes_results:
            as_recorded = judgement
            planned = corrected.more_planned(planned, site)
            stimuli = corrected.stimuli(stimuli_of(corrected.events(events), site))
            evidence = evidence_of(corrected.source(reader), site, stimuli, start_ns, end_ns)
            judgement = corrected.judgement(correlate(site, evidence, planned or None), site)
        if next(iter(reader.events(WATCHED_EVENT)), None) is not None:
            # A site that is only watched may raise alarms of its own; none of them is a fault of its outputs.
            judgement, as_recorded = replace(judgement, strays=()), None
        ledger = ledger_told(reader, ledger_file)
    except BaseException:
        reader.close()
        raise
    return JudgedRecord(
        path=path,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        reader=reader,
        site=site,
        evidence=evidence,
        judgement=judgement,
        planned=planned,
        judged_with=judged_with,
        start_ns=start_ns,
        end_ns=end_ns,
        retests=_retests(events),
        corrected=corrected,
        as_recorded=as_recorded,
        ledger=ledger,
    )


def _retests(events: Iterable[Event]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for event in events:
        if event.kind == RETEST_EVENT:
            found.setdefault(str(event.data["alarm"]), []).append(event.at_ns)
    return found


def recorded_site(reader: RecordReader) -> Site:
    """The site as the record's own documents describe it."""
    return read_site(reader.documents, str(reader.header.extra[ENTRY_KEY]))[0]


def documents_of(reader: RecordReader, map_file: Path | None) -> tuple[Mapping[str, bytes], str, str]:
    """The record's documents, with ``map_file`` in place of its point map; what that makes of the judgement; and the
    name of the document that stands in place of rows in the site file itself, '' where there is none.
    """
    if map_file is None:
        return reader.documents, "", ""
    try:
        data = map_file.read_bytes()
    except OSError as exc:
        raise RecordError(f"{map_file}: cannot be read: {exc.strerror}; give the corrected point map") from exc
    digest = hashlib.sha256(data).hexdigest()
    entry, name = str(reader.header.extra[ENTRY_KEY]), str(reader.header.extra.get(MAP_KEY) or "")
    replaced = name or inline_map_name(entry, map_file.name)
    what = name or f"the rows in {entry}"
    judged_with = f"{map_file.name} (SHA-256 {digest}) in place of {what}"
    return {**reader.documents, replaced: data}, judged_with, "" if name else replaced


def _planned(reader: RecordReader, site: Site) -> tuple[str, ...]:
    """The rows that the run set out to test. A row of a corrected map for a planned alarm and link belongs to it."""
    own = {row.key for row in site.expectations}
    keys: set[str] = set()
    places: set[tuple[str, str]] = set()
    for event in reader.events(PLAN_EVENT):
        data: Mapping[str, Any] = event.data  # as our own run wrote it
        keys.update(data["rows"])
        places.update((alarm, link) for alarm, links in data["links"].items() for link in links)
    is_corrected = not keys <= own
    return tuple(
        row.key
        for row in site.expectations
        if row.key in keys or (is_corrected and (row.alarm, site.points[row.point].link) in places)
    )
