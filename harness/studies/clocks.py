"""Every foreign clock that records tell of, in bounds against the testing machine's own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from harness.core.errors import UsageError
from harness.core.instants import Bounds
from harness.core.model import Site
from harness.measure.clock_late import from_one_side, told_late
from harness.measure.clock_limit import Within, stays_within
from harness.measure.clock_line import RATE_MAX_DEFAULT, ClockReading
from harness.measure.clock_steps import clock_history
from harness.record.reader import RecordReader
from harness.report.clock_document import ASKED, ClockKind, ClocksDocument, ClockTold
from harness.report.clock_words import clock_sentences
from harness.results.judging import ENTRY_KEY, JudgedRecord, recorded_site
from harness.results.log_book import clock_words
from harness.studies.clock_readings import clock_times
from harness.studies.clock_times import ClockTimes
from harness.studies.local_clock import LocalClock


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockOptions:
    """What is asked. ``set_to``: what the foreign clocks are set to, None for what the testing machine was set to in
    each record.

    ``within_ns``: how far they may be off, None where nobody asks. ``own_error_ns``: how far the clock of the testing
    machine was off at most, None for what its records say. ``link``: only its clock, '' for all.
    """

    link: str = ""
    set_to: LocalClock | None = None
    rate_max: Fraction = RATE_MAX_DEFAULT
    within_ns: int | None = None
    own_error_ns: int | None = None

    @property
    def has_zone(self) -> bool:
        """Whether the clocks are said to follow the time of a place."""
        return self.set_to is not None and self.set_to.zone is not None


def clocks_of(paths: Sequence[Path], options: ClockOptions) -> ClocksDocument:
    """The clocks of one or more records of a site. RecordError or UsageError where they cannot be read together."""
    with ExitStack() as stack:
        readers = [stack.enter_context(RecordReader.open(path)) for path in paths]
        return _document(readers, [site_of(reader) for reader in readers], options)


def clock_words_of(record: JudgedRecord) -> tuple[str, ...]:
    """What a judged record tells of foreign clocks, a sentence for each; they are taken as set as the machine was."""
    return clock_sentences(_document([record.reader], [record.site], ClockOptions()))


def site_of(reader: RecordReader) -> Site:
    """The site that a record was made with. UsageError where it was made without one."""
    if not reader.header.extra.get(ENTRY_KEY):
        raise UsageError(f"{reader.path}: holds no site file, so nothing says what its links tell of; record with one")
    return recorded_site(reader)


def _document(readers: Sequence[RecordReader], sites: Sequence[Site], options: ClockOptions) -> ClocksDocument:
    names = list(dict.fromkeys(site.name for site in sites))
    if len(names) > 1:
        raise UsageError(f"{', '.join(names)}: these are records of different sites; give those of one site")
    if options.link and not any(options.link in site.links for site in sites):
        raise UsageError(f"--link {options.link}: no such link; links are {', '.join(sites[0].links)}")
    header = readers[0].header
    set_to = [options.set_to or LocalClock(utc_offset_s=it.header.utc_offset_s) for it in readers]
    errors = [_error_ns(reader) for reader in readers]
    error_ns = options.own_error_ns
    if error_ns is None and None not in errors:
        error_ns = max(it for it in errors if it is not None)
    gathered = _gathered(readers, sites, set_to)
    # In one record an error of our own clock is the same for all; in several it is another one each time.
    widened_ns = error_ns or 0 if len(readers) > 1 else 0
    clocks = [_told(it, options, widened_ns, error_ns) for it in gathered.values()
              if options.link in ("", it.link)]  # fmt: skip
    return ClocksDocument(
        site=names[0],
        records=[reader.path.name for reader in readers],
        span=_span(readers),
        utc_offset_s=header.utc_offset_s,
        set_to=", ".join(dict.fromkeys(it.words for it in set_to)),
        has_zone=options.has_zone,
        own=list(dict.fromkeys(text for it in readers for text in _own(it))),
        own_error_ns=error_ns,
        rate_max=options.rate_max,
        within_ns=options.within_ns,
        clocks=clocks,
        link=options.link,
        others=[name for name in gathered if options.link not in ("", name)],
    )


def _own(reader: RecordReader) -> Iterable[str]:
    return clock_words(reader.header.host_clock, reader.clock_checks())


def _error_ns(reader: RecordReader) -> int | None:
    """How far the machine's clock was off at most, None where nobody knows: what the kernel said as the run began, and
    as far as the clock was moved since. If it was put right then, all times of the run are wrong by so much.
    """
    said_ns = reader.header.host_clock.error_ns
    if said_ns is None:
        return None
    shift_ns = _shift_ns(reader)
    return said_ns + max((abs(it.utc_ns - it.monotonic_ns - shift_ns) for it in reader.clock_checks()), default=0)


def _shift_ns(reader: RecordReader) -> int:
    """From the run's clock to UTC, by the machine's own clock at the start of the run."""
    return reader.header.anchor.utc_ns - reader.header.anchor.monotonic_ns


def _span(readers: Iterable[RecordReader]) -> Bounds:
    starts, ends = zip(*((it.header.anchor.utc_ns, it.last_ns + _shift_ns(it)) for it in readers), strict=True)
    return Bounds(min(starts), max(*ends, min(starts)))


def _gathered(
    readers: Iterable[RecordReader], sites: Iterable[Site], set_to: Iterable[LocalClock]
) -> Mapping[str, ClockTimes]:
    """By link, the times of all records together. ``set_to``: what the clocks were set to in each."""
    found: dict[str, ClockTimes] = {}
    for reader, site, local in zip(readers, sites, set_to, strict=True):
        for name, times in clock_times(reader, site, _shift_ns(reader), local).items():
            if name in found:
                found[name].join(times)
            else:
                found[name] = times
    return found


def _told(times: ClockTimes, options: ClockOptions, widened_ns: int, error_ns: int | None) -> ClockTold:
    by_kind = {kind: times.readings(kind, widened_ns) for kind in times.written}
    late = 0
    for kind, found in by_kind.items():
        waited = _waited(times, kind, by_kind, options.rate_max)
        by_kind[kind] = [from_one_side(it) if is_late else it for it, is_late in zip(found, waited, strict=True)]
        late += sum(waited)
    readings = [it for found in by_kind.values() for it in found]
    history = clock_history(readings, options.rate_max) if readings else None
    within = None
    if options.within_ns is not None:
        is_open = history is not None and not options.has_zone and any(it.is_hour for it in history.settings)
        within = stays_within(history, options.within_ns, error_ns, hours_apart=is_open)
        if within is Within.YES and times.unread:
            within = Within.UNTOLD  # what it said then is no time at all, and nobody knows how far off it was
    return ClockTold(
        link=times.link,
        kinds=tuple(_kind(kind, times.step_ns(kind), found) for kind, found in by_kind.items()),
        history=history,
        longest_delay_ns=times.longest_delay_ns,
        unread=times.unread,
        twice=times.twice,
        again=times.again,
        numbered=times.numbered,
        undated=times.undated,
        late=late,
        within=within,
    )


def _waited(
    times: ClockTimes, kind: str, by_kind: Mapping[str, Sequence[ClockReading]], rate_max: Fraction
) -> list[bool]:
    """Which times of one kind came later than was declared, as far as a clock that was asked besides shows it."""
    may_wait = times.waiting[kind]
    if not any(may_wait):
        return [False] * len(may_wait)
    late = told_late(by_kind.get(ASKED, ()), by_kind[kind], times.longest_delay_ns, rate_max)
    return [may and is_late for may, is_late in zip(may_wait, late, strict=True)]


def _kind(name: str, step_ns: int, readings: Sequence[ClockReading]) -> ClockKind:
    widths = [it.offset.width for it in readings if not it.at.is_open_below]
    return ClockKind(
        name=name,
        count=len(readings),
        step_ns=step_ns,
        widest_ns=max(widths, default=None),
        one_sided=len(readings) - len(widths),
    )
