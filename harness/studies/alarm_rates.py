"""Alarm rates of records: every activation that the chosen points showed, and the time in which they were observed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Final

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Point, Site
from harness.core.places import ModbusPlace
from harness.correlate.evidence import BlindTime, Evidence
from harness.correlate.outline import outline
from harness.measure.alarm_rates import ActedOn, Activation, RateLimits, rates_of
from harness.measure.rates_together import together
from harness.record.reader import RecordReader
from harness.report.rates_document import RatesDocument, RecordRates
from harness.results.corrected import Corrected
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from harness.studies.acted import Act, acts_of
from harness.studies.clocks import site_of
from harness.studies.counted_points import CountedPoints, counted_points

OVERLAP_MAX_NS: Final = 60 * NS_PER_S
"""So far two records of one machine may seem to overlap, whose clock was set back in between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RateOptions:
    """What is asked. ``link``: only its points, '' for all. ``points``: patterns of points, () for one an alarm."""

    link: str = ""
    points: tuple[str, ...] = ()
    limits: RateLimits = field(default_factory=RateLimits)


def alarm_rates(paths: Sequence[Path], options: RateOptions) -> RatesDocument:
    """The rates of one or more records of a site. RecordError or UsageError where they cannot be read together."""
    _refuse_twice(paths)
    with ExitStack() as stack:
        readers = [stack.enter_context(RecordReader.open(path)) for path in paths]
        sites = [site_of(reader) for reader in readers]
        names = list(dict.fromkeys(site.name for site in sites))
        if len(names) > 1:
            raise UsageError(f"{', '.join(names)}: these are records of different sites; give those of one site")
        records = [_record(reader, site, options) for reader, site in zip(readers, sites, strict=True)]
    _refuse_overlapping(paths, records)
    site = sites[-1]
    chosen = counted_points(site, options.link, options.points)
    return RatesDocument(
        site=site.name,
        records=records,
        limits=options.limits,
        all=together([it.rates for it in records], options.limits),
        chosen=chosen.words,
        shared=chosen.shared,
        held=[it for it in dict.fromkeys(point for one in records for point in one.points) if it in chosen.held],
        priorities=_priorities(site, chosen),
    )


def _refuse_twice(paths: Sequence[Path]) -> None:
    """The alarms of one record counted twice would be twice as many as there were."""
    seen: dict[str, Path] = {}
    for path in paths if len(paths) > 1 else ():
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError:
            continue  # what is wrong with it is said when it is opened
        if digest in seen:
            raise UsageError(f"{path}: it is the same record as {seen[digest]}; name each record once")
        seen[digest] = path


def _refuse_overlapping(paths: Sequence[Path], records: Sequence[RecordRates]) -> None:
    """What two records of the same time both show would count twice."""
    spans = [
        (it.rates.span.lo + it.utc_shift_ns, it.rates.span.hi + it.utc_shift_ns, path, set(it.shown))
        for path, it in zip(paths, records, strict=True)
    ]
    for (_, end, one, shown), (begin, other_end, other, also_shown) in combinations(sorted(spans), 2):
        both = sorted(shown & also_shown)
        if min(end, other_end) - begin > OVERLAP_MAX_NS and both:
            more = f" and {len(both) - 1} more" if both[1:] else ""
            raise UsageError(
                f"{other}: it was recorded while {one.name} was, and both show {both[0]}{more}, which would count "
                "twice; give one of them at a time"
            )


def _priorities(site: Site, chosen: CountedPoints) -> Mapping[str, str]:
    """By what is counted, its priority; its class where the site gives no alarm a priority."""
    has_any = any(alarm.priority is not None for alarm in site.alarms.values())
    found = {}
    for name in chosen.candidates:
        alarm = site.alarms.get(chosen.alarm_of.get(name, ""))
        if alarm is None:
            found[name] = "of several alarms"
        elif not has_any:
            found[name] = alarm.alarm_class.value
        else:
            found[name] = "none" if alarm.priority is None else str(alarm.priority)
    return found


def _record(reader: RecordReader, site: Site, options: RateOptions) -> RecordRates:
    chosen = counted_points(site, options.link, options.points)
    header = reader.header
    start_ns = header.anchor.monotonic_ns
    end_ns = max(reader.last_ns, start_ns)
    corrected = Corrected.of(reader.events())
    events = list(corrected.events(reader.events()))
    stimuli = stimuli_of(events, site)
    evidence = evidence_of(corrected.source(reader), site, stimuli, start_ns, end_ns, chosen.points)
    observed = evidence.traces.keys() - evidence.not_run.keys()
    first = {name: next((it for it in points if it in observed), None) for name, points in chosen.candidates.items()}
    taken = {name: point for name, point in first.items() if point is not None}
    span = Bounds(start_ns, end_ns)
    blind = list(_blind(evidence.blind, [site.points[point] for point in taken.values()]))
    acts = acts_of(events, site)
    activations = [
        it for name, point in taken.items()
        for it in _activations(
            site.points[point], name, evidence, acts.get(chosen.alarm_of.get(name, ""), ()),
            is_held=point in chosen.held,
        )
    ]  # fmt: skip
    return RecordRates(
        record=reader.path.name,
        utc_shift_ns=header.anchor.utc_ns - start_ns,
        utc_offset_s=header.utc_offset_s,
        rates=rates_of(activations, span, [it.span for it in blind], options.limits),
        points=tuple(taken.values()),
        shown=tuple(taken),
        unobserved=tuple(name for name in chosen.candidates if name not in taken),
        blind_links=tuple(dict.fromkeys(it.link for it in blind)),
        raised=len(stimuli),
        doubtful=sum(not it.is_whole for it in activations),
    )


def _activations(
    point: Point, name: str, evidence: Evidence, acts: Sequence[Act], *, is_held: bool
) -> Iterator[Activation]:
    sketch = outline(evidence.traces[point.name], point.hold)
    for number, bounds in enumerate(zip(sketch.onset_lo, sketch.onset_hi, sketch.end_lo, sketch.end_hi, strict=True)):
        onset, end = Bounds(*bounds[:2]), Bounds(*bounds[2:])
        yield Activation(
            alarm=name,
            onset=onset,
            end=end,
            is_whole=not sketch.splits(number),
            acted_on=max((it.on(onset, end, is_held=is_held) for it in acts), default=ActedOn.NO),
        )


def _blind(blind: Iterable[BlindTime], points: Sequence[Point]) -> Iterator[BlindTime]:
    """The blind times that concern any of the points: of a bus with many units, only those of theirs."""
    for it in blind:
        if any(_concerns(it, point) for point in points):
            yield it


def _concerns(it: BlindTime, point: Point) -> bool:
    if it.link != point.link:
        return False
    place = point.place
    if it.unit is None or not isinstance(place, ModbusPlace):
        return True
    return place.unit == it.unit and it.table in ("", place.table.value)
