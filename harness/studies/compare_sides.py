"""One side of a comparison, from its judged records: what it has of each expectation, and what came on in order."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.durations import bounds, duration
from harness.core.errors import UsageError
from harness.core.instants import FOREVER, Bounds
from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink, PersonLink
from harness.core.model import Behaviour, Expectation, Result, Site, Stimulus
from harness.core.paths import is_told, told_delay_ns
from harness.core.release import release_of
from harness.core.verdicts import Verdict
from harness.correlate.outline import Outline
from harness.measure.compare_order import Onsets
from harness.measure.phase_lock import Locking, phase_lock
from harness.measure.run_comparison import Side
from harness.measure.trials import RowTrials, Shown, beat_of
from harness.results.judging import RESUMES_KEY, JudgedRecord
from harness.studies.row_trials import row_trials

LOCKED_LEVEL: Final = 0.001
"""So unlikely must the phases be before a test is no longer taken for one at random: it is asked of every row."""
NOT_HERE: Final = (Verdict.MISSED, Verdict.CROSSED)
"""Of these the onset is none, or that at another point."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """The records of one side. ``name``, ``note``: of the baseline that they are, else ''."""

    records: tuple[JudgedRecord, ...]
    name: str = ""
    note: str = ""

    @property
    def newest(self) -> JudgedRecord:
        """Its site file and point map stand for the whole side."""
        return max(self.records, key=lambda it: it.reader.header.anchor.utc_ns)

    @property
    def site(self) -> Site:
        """As the newest record has it."""
        return self.newest.site

    @property
    def raised(self) -> frozenset[str]:
        """The alarms that were raised in it."""
        return frozenset(it.alarm for record in self.records for it in record.evidence.stimuli)


def sides_of(run: Run) -> dict[str, Side]:
    """By key, what a run has of every expectation of its site; one that was not to be tested has no verdicts.

    Where one record goes on from another one, its verdicts take the place of those there, as in a report: a fail that
    was put right and tested again must not excuse a fail of the other run.
    """
    found: dict[str, _Seen] = defaultdict(_Seen)
    told_later = _told_later(run)
    for number, record in enumerate(run.records):
        timed = record.timed
        rows = {row.key: row for row in record.site.expectations}
        for result in record.standing_results:
            seen, stimulus = found[result.expectation], timed[result.stimulus]
            if result.expectation not in told_later[number]:
                seen.verdicts.append(result.verdict)
            time = _gone(result, stimulus, rows[result.expectation])
            if time is not None:
                seen.gone.append(time)
            if result.onset is not None and not result.is_doubted and result.verdict not in NOT_HERE:
                seen.widths_ns.append(min(FOREVER, result.onset.width + stimulus.raised.width))
    for key in dict.fromkeys(key for record in run.records for key in record.planned):
        if not found[key].verdicts:
            found[key].verdicts.append(Verdict.NOT_RUN)  # no record got to it
    trials = {it.key: it for it in row_trials(run.records)}
    site = run.site
    return {row.key: _side(site, row, found[row.key], trials.get(row.key)) for row in site.expectations}


def _told_later(run: Run) -> list[frozenset[str]]:
    """Of each record, the keys of which a later one of the run that goes on from it has results.

    UsageError where nobody can tell from which of two records one goes on, since it names them by their file's name.
    """
    names = Counter(it.path.name for it in run.records)
    for record in run.records:
        for name in (it for it in _resumed(record) if names[it] > 1):
            raise UsageError(
                f"{record.path}: it goes on from {name}, and {names[name]} records of its side have that name; give "
                "the one that is not meant another name"
            )
    keys = [(record, {it.expectation for it in record.standing_results}) for record in run.records]
    return [frozenset(key for later, mine in keys if _goes_on(later, record) for key in mine) for record in run.records]


def _goes_on(later: JudgedRecord, record: JudgedRecord) -> bool:
    is_later = later.reader.header.anchor.utc_ns > record.reader.header.anchor.utc_ns
    return is_later and record.path.name in _resumed(later)


def _resumed(record: JudgedRecord) -> Sequence[str]:
    names = record.reader.header.extra.get(RESUMES_KEY)
    return [str(it) for it in names] if isinstance(names, list) else ()


@dataclass(slots=True)
class _Seen:
    """What is gathered of one expectation, over all records."""

    verdicts: list[Verdict] = field(default_factory=list)
    gone: list[Bounds] = field(default_factory=list)
    widths_ns: list[int] = field(default_factory=list)


def _side(site: Site, row: Expectation, seen: _Seen, trials: RowTrials | None) -> Side:
    if trials is None:
        return Side(verdicts=tuple(seen.verdicts), read=reading_words(site, row))
    looked = phase_lock(trials.phases) if trials.phases else None
    beat = beat_of(trials)
    is_timed = [it.visible is not None for it in trials.trials]
    return Side(
        verdicts=tuple(seen.verdicts),
        missed=trials.count(Shown.MISSED),
        unseen=trials.count(Shown.UNSEEN),
        measured=len(trials.measured),
        latencies=trials.latencies if any(is_timed) else (),
        visible=trials.visible if trials.ends_by_itself else (),
        gone=() if trials.ends_by_itself or not any(is_timed) else tuple(seen.gone),
        at_random=looked is None or looked.finding is Locking.NOT_SHOWN,
        locked=looked is not None and looked.chance <= LOCKED_LEVEL,
        widths_ns=tuple(seen.widths_ns),
        read=reading_words(site, row),
        is_in_step=beat is not None and beat.finding is Locking.LOCKED,
        is_polled=not is_told(site.links[site.points[row.point].link], site.points[row.point].place),
    )


def reading_words(site: Site, row: Expectation) -> str:
    """How a row is read and timed, as the site file has it: the same words in two runs, the same kind of brackets."""
    told = _link_words(site, row.point)
    reference = site.alarms[row.alarm].reference
    return (
        told
        if reference is None or reference not in site.points
        else f"{told}; timed by {_link_words(site, reference)}"
    )


def _link_words(site: Site, point: str) -> str:
    link = site.points[point].link
    spec, declared = site.links[link], site.times_of(link).output_delay
    delay_ns = told_delay_ns(spec, site.points[point].place)
    told = "" if declared is None else f", declared output delay {bounds(declared)}"
    if delay_ns is not None:
        return f"told within {duration(delay_ns)}{told}"
    match spec:
        case ModbusTcpLink() | ModbusRtuLink() | BacnetLink():
            return (f"read every {duration(spec.poll_period_ns)}" if spec.poll_period_ns else "overheard") + told
        case PersonLink():
            return f"seen by a person within {duration(spec.reaction_max_ns)}{told}"
        case _:
            return told


def _gone(result: Result, stimulus: Stimulus, row: Expectation) -> Bounds | None:
    """How long after its release an output went off; below 0 where it went before. None where it is not known."""
    if result.end is None or result.is_doubted or result.verdict in NOT_HERE or row.behaviour is Behaviour.QUIET:
        return None
    release = release_of(stimulus, row)
    if release is None or release.is_open_above or result.end.is_open_below:
        return None
    high = FOREVER if result.end.is_open_above else result.end.hi - release.lo
    return Bounds(result.end.lo - release.hi, high)


# --- order ----------------------------------------------------------------------------------------


def onsets_of(run: Run) -> dict[str, list[Onsets]]:
    """By alarm, of each trial when each of its outputs came on; and, by alarm and link, when that of each alarm came on
    that it brings along.
    """
    found: dict[str, list[Onsets]] = defaultdict(list)
    for record in run.records:
        points = _own_points(record.site)
        own: dict[str, dict[str, Bounds]] = defaultdict(dict)
        for result in record.standing_results:
            if result.onset is not None and not result.is_doubted and result.verdict not in NOT_HERE:
                own[result.stimulus][result.point] = result.onset
        starts = sorted(it.raised.lo for it in record.evidence.stimuli)
        for stimulus in record.evidence.stimuli:
            if stimulus.held_for_ns is not None or stimulus.together or stimulus.alarm not in record.site.alarms:
                continue
            mine = own.get(stimulus.id, {})
            found[stimulus.alarm].append(mine)
            following = bisect_right(starts, stimulus.raised.hi)
            later = starts[following] if following < len(starts) else FOREVER
            for link, along in _along(record, points, stimulus, mine, later):
                found[f"{stimulus.alarm}, on {link}"].append(along)
    return dict(found)


def _along(
    record: JudgedRecord,
    points: Mapping[str, frozenset[str]],
    stimulus: Stimulus,
    own: Mapping[str, Bounds],
    later: int,
) -> Iterator[tuple[str, Onsets]]:
    """On each link, the onset of the alarm and of those that come along, where each has one of ``points`` there."""
    site = record.site
    until = later - 1 if stimulus.cleared is None else min(later - 1, stimulus.cleared.lo)
    by_link: dict[str, dict[str, Bounds]] = defaultdict(dict)
    for point, onset in own.items():
        if point in points:
            by_link[site.points[point].link][point] = onset
    for name in site.brought_along(stimulus.alarm):
        for row in site.expectations_of(name):
            if row.point in points and row.behaviour is not Behaviour.QUIET:
                came = _single_onset(record.outlines[row.point], stimulus.raised.lo, until)
                if came is not None:
                    by_link[site.points[row.point].link][row.point] = came
    for link, onsets in by_link.items():
        if len({site_alarm for point in onsets for site_alarm in points[point]}) > 1:
            yield link, onsets


def _own_points(site: Site) -> dict[str, frozenset[str]]:
    """The points at which one alarm alone has to show, with that alarm."""
    alarms: dict[str, set[str]] = defaultdict(set)
    for row in site.expectations:
        if row.behaviour is not Behaviour.QUIET:
            alarms[row.point].add(row.alarm)
    return {point: frozenset(names) for point, names in alarms.items() if len(names) == 1}


def _single_onset(sketch: Outline, since: int, until: int) -> Bounds | None:
    """The one onset in a time; None where there is none, or more than one."""
    found = [
        Bounds(sketch.onset_lo[number], sketch.onset_hi[number])
        for number in sketch.sightings_touching(since, until)
        if since <= sketch.onset_lo[number] and sketch.onset_hi[number] <= until
    ]
    return found[0] if len(found) == 1 else None
