"""A record's simulated alarms against the controller's own alarm history."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from harness.core.errors import UsageError
from harness.core.history_format import HistoryFormat
from harness.core.instants import NS_PER_S, Bounds
from harness.core.links import TextLink
from harness.core.model import Behaviour, Site, Step
from harness.core.places import TextPlace
from harness.measure.alarm_history import Clock, Need, Reconciled, Simulated
from harness.measure.reconcile import reconcile
from harness.report.history import HistoryDocument
from harness.report.log_book import Ending, LogEntry
from harness.results.history_entries import HistoryRead, RunTime, entries_of_lines, entries_of_table, split_lines
from harness.results.judging import JudgedRecord
from harness.results.log_book import log_book_of
from harness.site.sheets import SHEET_BYTES_MAX
from harness.site.written_times import Period

READ_WITHIN_NS: Final = 10 * NS_PER_S
"""A clock that somebody read off beside this computer's is known within so much: common practice, no source."""

_TABLES: Final = (".csv", ".tsv", ".xlsx", ".xlsm")


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryOptions:
    """What the user says of the history. ``file`` is None for the lines of the record itself.

    ``clock_off_ns``: how far the controller's clock is ahead, where somebody read it. ``utc_offset_s``: what it is set
    to, None for that of the machine that ran the test.
    """

    file: Path | None = None
    link: str = ""
    form: HistoryFormat
    clock_off_ns: int | None = None
    utc_offset_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryCompared:
    """The comparison, with what it was made of."""

    source: str
    simulated: tuple[Simulated, ...]
    read: HistoryRead
    clock: Clock
    reconciled: Reconciled
    left_out: tuple[str, ...] = ()
    """Alarms that this history does not show at all, so that it says nothing of them."""

    @property
    def is_certain(self) -> bool:
        """Whether each simulated alarm is there once, and nothing else is."""
        return self.reconciled.is_certain and not self.read.unread


def compare_history(record: JudgedRecord, options: HistoryOptions) -> HistoryCompared:
    """Reconcile. UsageError where the history cannot be read as it is said to be written."""
    link = _link(record.site, options)
    time = _run_time(record, options)
    if options.file is None:
        lines = [(f"line {number} of {link}", it.data) for number, it in enumerate(record.reader.messages(link), 1)]
        read, source = entries_of_lines(lines, record.site, link, options.form, time), f"lines of {link} in the record"
    else:
        data, source = _bytes(options.file), options.file.name
        read = (
            entries_of_lines(split_lines(data, source), record.site, link, options.form, time)
            if link
            else entries_of_table(data, source, record.site, options.form, time)
        )
    simulated, left_out = _shown(simulated_of(record), record, link, is_own=options.file is None)
    clock = _clock(options, (record.start_ns + record.end_ns) // 2)
    run = Bounds(record.start_ns, record.end_ns)
    return HistoryCompared(
        source=source,
        simulated=simulated,
        read=read,
        clock=clock,
        reconciled=reconcile(simulated, read.history, clock, run),
        left_out=left_out,
    )


def _bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > SHEET_BYTES_MAX:
            raise UsageError(f"{path}: is larger than {SHEET_BYTES_MAX} bytes; export the day of the test only")
        return path.read_bytes()
    except OSError as exc:
        raise UsageError(f"{path}: cannot be read: {exc.strerror}; give the exported or printed alarm history") from exc


def _link(site: Site, options: HistoryOptions) -> str:
    """The link whose patterns read the history; '' for a table."""
    if options.file is not None and not options.link and options.file.suffix.lower() in _TABLES:
        return ""
    texts = [
        name
        for name, link in site.links.items()
        if isinstance(link, TextLink) and any(it.link == name for it in site.points.values())
    ]
    if options.link:
        if options.link not in site.links:
            raise UsageError(
                f"--link {options.link}: no such link; links of printed lines: {', '.join(texts) or 'none'}"
            )
        return options.link
    if len(texts) == 1:
        return texts[0]
    what = "the record" if options.file is None else f"{options.file.name} (a table ends in {', '.join(_TABLES)})"
    listed = f"say which with --link: {', '.join(texts)}" if texts else "the site has no link of printed lines"
    raise UsageError(f"{what}: whose patterns read it? {listed}")


def _run_time(record: JudgedRecord, options: HistoryOptions) -> RunTime:
    header = record.reader.header
    offset_s = header.utc_offset_s if options.utc_offset_s is None else options.utc_offset_s
    shift_ns = header.anchor.utc_ns - header.anchor.monotonic_ns + offset_s * NS_PER_S
    period = Period(begin_ns=record.start_ns + shift_ns, end_ns=record.end_ns + shift_ns, utc_offset_s=offset_s)
    return RunTime(period=period, shift_ns=shift_ns)


def _clock(options: HistoryOptions, middle_ns: int) -> Clock:
    off_ns, within_ns = options.clock_off_ns, options.form.clock_within_ns
    if off_ns is not None:
        within = Bounds(off_ns - READ_WITHIN_NS, off_ns + READ_WITHIN_NS)
        return Clock(late_ns=options.form.late_ns, within=within, is_known=True, middle_ns=middle_ns)
    return Clock(late_ns=options.form.late_ns, within=Bounds(-within_ns, within_ns), middle_ns=middle_ns)


def history_document(record: JudgedRecord, compared: HistoryCompared) -> HistoryDocument:
    """What is told of a comparison."""
    header = record.reader.header
    return HistoryDocument(
        site=record.site,
        record=record.path.name,
        source=compared.source,
        total=compared.read.total,
        simulated=compared.simulated,
        history=compared.read.history,
        clock=compared.clock,
        reconciled=compared.reconciled,
        unread=compared.read.unread,
        left_out=compared.left_out,
        is_certain=compared.is_certain,
        utc_shift_ns=header.anchor.utc_ns - header.anchor.monotonic_ns,
        utc_offset_s=header.utc_offset_s,
    )


# --- what should be there ---------------------------------------------------------------------------


def simulated_of(record: JudgedRecord) -> tuple[Simulated, ...]:
    """Every alarm that was raised, as corrected, with those that came along, in the order of raising."""
    found: list[Simulated] = []
    for entry in log_book_of(record).entries:
        if entry.ending is not Ending.NOT_RAISED:
            found += _of_entry(entry, record)
    found.sort(key=lambda it: (it.at.lo, it.stimulus, not it.is_timed))
    return tuple(_unless_up(it, found) for it in found)


def _of_entry(entry: LogEntry, record: JudgedRecord) -> Iterable[Simulated]:
    raised = entry.done(Step.RAISE)
    whole = Bounds(record.start_ns, record.end_ns)
    at = Bounds(raised[0].at.lo, max(it.at.hi for it in raised)) if raised else whole
    is_proven = any(it.proven for it in raised)
    own = Simulated(
        stimulus=entry.stimulus,
        alarm=entry.alarm,
        at=at,
        cleared=entry.ended,
        need=Need.MUST if is_proven else Need.MAY,
        is_timed=bool(raised),
        doubt="" if is_proven else "the raise is not proven",
    )
    yield own
    until = record.end_ns if entry.ended is None else entry.ended.hi
    for name in entry.along:
        yield replace(own, alarm=name, at=Bounds(at.lo, max(at.hi, until)), is_timed=False)


def _unless_up(it: Simulated, others: Sequence[Simulated]) -> Simulated:
    """One that may have been up already, as something else brought it along: then there is nothing new to write."""
    if it.need is not Need.MUST:
        return it
    for other in others:
        held = Bounds(other.at.lo, max(other.at.hi, it.at.hi if other.cleared is None else other.cleared.hi))
        if other is not it and other.alarm == it.alarm and held.touches(it.at):
            return replace(it, need=Need.MAY, doubt=f"it may have been up already ({other.stimulus})")
    return it


def _shown(
    simulated: Sequence[Simulated], record: JudgedRecord, link: str, *, is_own: bool
) -> tuple[tuple[Simulated, ...], tuple[str, ...]]:
    """What a history of this kind has to show of them, and the alarms that it does not show at all."""
    if not link:
        return tuple(simulated), ()
    site = record.site
    rows = [row for row in site.expectations if site.points[row.point].link == link]
    rows = [row for row in rows if isinstance(site.points[row.point].place, TextPlace)]
    loud = {row.alarm for row in rows if row.behaviour is not Behaviour.QUIET}
    quiet = {row.alarm for row in rows} - loud
    blind = [it.span for it in record.evidence.blind if it.link == link] if is_own else []
    found = []
    left_out: dict[str, None] = {}
    for it in simulated:
        if it.alarm not in loud | quiet:
            if is_own:
                left_out[it.alarm] = None
                continue
            it = replace(it, need=Need.MAY, doubt=f"no pattern of link {link} reads it")  # noqa: PLW2901
        elif it.alarm in quiet:
            it = replace(it, need=Need.OPTIONAL)  # noqa: PLW2901
        elif it.need is Need.MUST and any(span.touches(it.at) for span in blind):
            it = replace(it, need=Need.MAY, doubt=f"link {link} was not observed then")  # noqa: PLW2901
        found.append(it)
    return tuple(found), tuple(left_out)
