"""What a report says, as one frozen value; every renderer takes it and nothing else.

A document holds what the record and the judge gave, and nothing of the machine that renders it: no present
time, no time zone, no path. The same document gives the same bytes everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum, unique

from harness.core.instants import Bounds
from harness.core.ledger import LedgerTold
from harness.core.model import Decision, Judgement, Site, Step, Stimulus
from harness.core.sweep import Sweep
from harness.core.verdicts import ExitCode, Verdict
from harness.core.wording import NOT_CONNECTED
from harness.report.log_book import LogBook, Remark, tenths
from harness.report.repeated import Repeated


@unique
class Source(StrEnum):
    """Where a fact about the site comes from: a person typed it, or farend read it from the device."""

    TYPED = "typed"
    READ = "read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One fact about the site, and who says so. An empty value was not stated."""

    value: str
    source: Source = Source.TYPED


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFacts:
    """What the front page says of the site. ``name`` is the site's word in its file."""

    name: str
    title: Fact
    controller: Fact
    firmware: Fact


@unique
class SpanState(StrEnum):
    """What is known of a point over a span of time.

    ``UNKNOWN``: it changed somewhere in here. ``BLIND``: not observed; it may have done anything.
    """

    ON = "on"
    OFF = "off"
    UNKNOWN = "unknown"
    BLIND = "blind"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One state from ``from_ns`` to ``to_ns`` of the run's monotonic clock."""

    state: SpanState
    from_ns: int
    to_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One step of the stimulus, at a time that is known within bounds (ns)."""

    step: Step
    at: Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """What one point did around one stimulus. ``spans`` are in order, touch, and fill ``window``.

    ``expectation`` is the key of the row it belongs to, '' for a point that is shown as evidence only (the
    reference point, another alarm's point, a place of ``link`` that no point maps and that came on instead: its
    address in words). ``due``: by when it had to show; ``gone_by``: by when it had to be
    back to normal; both as bounds, since the stimulus is known within bounds only. ``simplified``: changes too
    quick for a picture were drawn as unknown.
    """

    stimulus: str
    point: str
    window: Bounds
    spans: tuple[Span, ...]
    marks: tuple[Mark, ...]
    due: Bounds | None = None
    gone_by: Bounds | None = None
    expectation: str = ""
    simplified: bool = False
    link: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTime:
    """A time in which a link was not observed, and why."""

    from_ns: int
    to_ns: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFigures:
    """How well one link was observed in one attempt.

    ``watched`` is from the first attempt to observe until the end, in ns. ``polls`` counts answered polls,
    ``lines`` what came in unasked: framed text lines, notifications, messages, reports, as ``told_word`` says in the
    singular; None where that kind of evidence does not exist on the link. ``dropped``: answers and bytes that
    did not fit and were thrown away. ``widest_gap_ns``: from one sample's asked to the next one's told.
    ``wire_ns``: what the answered polls take on the line at the least; None where the line's settings are not known.
    ``conditions``: what else the evidence rests on, in words (subscriptions, declared delays, reaction times).
    ``listened``: False where this attempt did not listen to the link at all.
    """

    link: str
    address: str
    watched: Bounds
    polls: int | None = None
    polls_failed: int = 0
    overruns: int = 0
    lines: int | None = None
    told_word: str = "line"
    dropped: int = 0
    widest_gap_ns: int | None = None
    wire_ns: int | None = None
    conditions: tuple[str, ...] = ()
    listened: bool = True
    blind: tuple[BlindTime, ...] = ()

    @property
    def never_up(self) -> str:
        """Why it was never observed, as it was told; '' where it was, or where nobody listened."""
        at = self.watched
        throughout = (it.reason for it in self.blind if it.from_ns <= at.lo and it.to_ns >= at.hi)
        return next(throughout, "").removeprefix(f"{NOT_CONNECTED}: ") if at.width else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """One side effect reviewed: by whom, when, and what was decided."""

    side_effect: str
    decision: Decision
    by: str
    at_utc_ns: int | None = None
    note: str = ""
    isolated: str = ""
    """What was isolated, and how."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One thing that is not as it was found: where, and both values in words."""

    what: str
    as_found: str
    as_left: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStep:
    """The wall clock jumped by ``step_ns`` at ``at_ns`` of the monotonic clock. No duration was changed by it."""

    at_ns: int
    step_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionNote:
    """One correction that was appended to the record, in words.

    ``about``: what it is about; ``change``: what it says; ``is_in_force``: False where it was withdrawn.
    ``before_sha256``: of the record before it, '' where it was in more than one file then.
    """

    number: int
    about: str
    change: str
    reason: str
    by: str
    at_utc_ns: int
    utc_offset_s: int
    is_in_force: bool = True
    before_sha256: str = ""
    stimulus: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """What corrections made of one result: the verdict as recorded and as corrected, None where there is no result."""

    expectation: str
    stimulus: str
    recorded: Verdict | None
    corrected: Verdict | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptDocument:
    """One record.

    ``anchor_ns`` is the reading of the run's monotonic clock at ``started_utc_ns``; ``utc_offset_s`` is what the
    clock of the machine that ran the test was set to. ``planned``: the keys of the rows that this attempt set out
    to test; one without a result was not reached. ``judged_with``: '' or the point map that replaced the record's
    own, in words. ``as_left`` is None where nothing was compared afterwards, () where nothing differed.
    ``who``: who tested, with the corrections in force; ``recorded_who``: as recorded, where that was another one.
    """

    record: str
    sha256: str
    started_utc_ns: int
    anchor_ns: int
    ended_ns: int
    utc_offset_s: int
    tool_version: str
    who: str
    judgement: Judgement
    seed: int | None = None
    exit_code: ExitCode | None = None
    interrupted: bool = False
    interrupted_why: str = ""
    planned: tuple[str, ...] = ()
    judged_with: str = ""
    stimuli: tuple[Stimulus, ...] = ()
    timelines: tuple[Timeline, ...] = ()
    links: tuple[LinkFigures, ...] = ()
    reviews: tuple[Review, ...] = ()
    reviewed: str = ""
    """What the reviews are bound to, and until when they hold, in words; '' where they were made for this run."""
    standing: tuple[tuple[str, str], ...] = ()
    """Points that were on before anything was raised, each with the reason by which it was known, '' for none."""
    ledger: LedgerTold | None = None
    """Notices and inhibits; None where no ledger was kept."""
    as_left: tuple[Difference, ...] | None = None
    clock_steps: tuple[ClockStep, ...] = ()
    foreign_clocks: tuple[str, ...] = ()
    """How far the clocks are off that the record tells of, in words; they order nothing."""
    notes: tuple[str, ...] = ()
    recorded_who: str = ""
    corrections: tuple[CorrectionNote, ...] = ()
    changed: tuple[Changed, ...] = ()
    log: LogBook = field(default_factory=LogBook)
    sweeps: tuple[Sweep, ...] = ()
    """Alarms that were held for ever shorter times, by output."""

    @property
    def retests(self) -> Mapping[str, tuple[int, ...]]:
        """By alarm, when it was decided to raise it once more."""
        found: dict[str, tuple[int, ...]] = {}
        for one in self.log.remarks:
            if one.kind is Remark.RETEST:
                found[one.alarm] = (*found.get(one.alarm, ()), one.at_ns)
        return found

    def utc_ns(self, at_ns: int) -> int:
        """The UTC time, in ns since 1970, of an instant of this run."""
        return self.started_utc_ns + at_ns - self.anchor_ns

    def local_ends(self, at: Bounds) -> tuple[str, str]:
        """Both ends of bounds by the local time of the machine that ran the test, see ``log_book.tenths``."""
        return tenths(at, self.started_utc_ns - self.anchor_ns, self.utc_offset_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportDocument:
    """One report about one site. ``attempts`` are newest first, one for each record; ``site`` is the newest one's.

    ``repeated``: what was measured of rows that were tried again and again, None where none was.
    """

    facts: SiteFacts
    site: Site
    attempts: tuple[AttemptDocument, ...] = field(default_factory=tuple)
    repeated: Repeated | None = None

    def __post_init__(self) -> None:
        starts = [attempt.started_utc_ns for attempt in self.attempts]
        if starts != sorted(starts, reverse=True):
            raise ValueError(f"ReportDocument: attempts started at {starts}, expected newest first")
        if self.attempts:
            known = {row.key for row in self.site.expectations}
            lost = sorted({r.expectation for r in self.attempts[0].judgement.results} - known)
            if lost:
                raise ValueError(f"ReportDocument: results for rows that the newest point map does not have: {lost}")
