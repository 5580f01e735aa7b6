"""Holds the results of a finished test against the truth: bounds, no wrong pass or fail, definite where it can be."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from harness.core.instants import Bounds
from harness.core.links import PersonLink, PushLink
from harness.core.model import Point, Result, Site, Stimulus
from harness.core.places import PersonPlace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate, outlines_of, timed_by_reference
from harness.links.decoding import message_reader
from harness.links.person_messages import is_of, standing
from harness.links.person_trace import report_bounds
from harness.record.reader import RecordReader
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from tests.peers.all_links import HOLD, Run, kind_of
from tests.peers.truth import (
    STAMPS_NS,
    Instant,
    Interval,
    failing_loop,
    first_truth,
    holds,
    margins,
    true_intervals,
    true_step,
)

Within = Callable[[Bounds], bool]
"""Whether the bounds of a change are no wider than what was asked or told allows."""


@dataclass(slots=True)
class Score:
    """What came of the trials of one kind of link.

    ``far``: those of which a definite verdict is owed. ``seen``: those with a sighting, whose bounds held the truth;
    ``narrow``: those of them whose bounds are no wider than what was asked or told allows. ``told_late``: those whose
    change was told later than the longest delay that was declared, as a busy computer does it; nothing follows then.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    far: int = 0
    definite: int = 0
    seen: int = 0
    narrow: int = 0
    told_late: int = 0
    open_ones: list[str] = field(default_factory=list)
    wide_ones: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Count another run's too."""
        self.verdicts += other.verdicts
        for name in ("far", "definite", "seen", "narrow", "told_late"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.open_ones += other.open_ones
        self.wide_ones += other.wide_ones

    def __str__(self) -> str:
        return (
            f"{self.trials} trials, {self.seen} seen, {self.narrow} narrow, {self.told_late} told late, {self.far} far "
            f"from every limit, {self.definite} definite; {dict(self.verdicts)}"
        )

    @property
    def trials(self) -> int:
        """How many results there are."""
        return sum(self.verdicts.values())


def scores_of(run: Run, *, blind: bool = False) -> dict[str, Score]:
    """Check every result of a run, and count by the kind of link.

    ``blind``: links were lost in the middle of it, so that strays, and raises that were not proven or are not timed by
    their reference, are no fault.
    """
    site, truth = run.site, run.truth
    with RecordReader.open(run.record) as reader:
        stimuli = stimuli_of(reader.events(), site)
        evidence = evidence_of(reader, site, stimuli, reader.header.anchor.monotonic_ns, reader.last_ns)
        spans = {name: _spans(reader, site, point) for name, point in site.points.items()}
        within = {name: _narrow(reader, point, spans[name]) for name, point in site.points.items()}
    judgement = correlate(site, evidence)
    assert not judgement.failures_of_checkers, judgement.failures_of_checkers
    assert blind or not judgement.strays, judgement.strays
    timed = timed_by_reference(site, stimuli, outlines_of(site, evidence))
    rows = {row.key: row for row in site.expectations}
    known = {
        name: true_intervals(truth, site, name) for name in {rows[it.expectation].point for it in judgement.results}
    }
    scores: dict[str, Score] = defaultdict(Score)
    for result in judgement.results:
        score = scores[kind_of(run, result.point)]
        score.verdicts[result.verdict.value] += 1
        row, stimulus = rows[result.expectation], timed[result.stimulus]
        if result.verdict is Verdict.NOT_RUN:
            assert blind, result
            continue
        assert blind or stimulus.timed_by, stimulus
        r, c, k, s = _true_steps(run, stimulus)
        latest = r[1] + row.limits.search_ns
        near = (it for it in known[row.point] if it.end is None or it.end[1] > r[0])
        own = next((it for it in near if it.begin[0] <= latest), None)
        stamps = STAMPS_NS + (0 if own is None else own.spread_ns)
        if not _told_in_time(own, spans[row.point]):
            score.told_late += 1
            continue
        if _bounds_hold(result, own, r):
            score.seen += 1
            is_narrow = _is_narrow(result, within[row.point])
            score.narrow += is_narrow
            if not is_narrow:
                score.wide_ones.append(
                    f"{run.bus.value} {result.expectation} {result.stimulus}: {result.onset} {result.end}"
                )
        left = margins(row, own, r[1], k, c[1], s)
        what = (result, left, own, stimulus)
        # Dropped early is an offence, which counts only where the bounds prove it.
        early = 0 if result.end is None else width_of(result, stimulus, stamps)
        broken = [name for name, margin in left.items() if margin < -max(stamps, early if name == "early" else 0)]
        met = all(margin > stamps for margin in left.values())
        assert result.verdict.verdict_class is not VerdictClass.PASS or not broken, what
        assert result.verdict.verdict_class is not VerdictClass.FAIL or not met, what
        # An offence counts only when proven, so its absence needs no room around the limit.
        owed = [margin for name, margin in left.items() if name != "early" or margin < 0]
        # Where another alarm really held the shared point, no measurement, however fine, could tell whose it was.
        # And between polls that are further apart than the shortest off time, it may have been off unseen.
        is_dense = (result.widest_gap_ns or 0) <= HOLD.off_ns
        is_owed = result.verdict is not Verdict.MASKED and is_dense
        if is_owed and all(abs(it) > width_of(result, stimulus, stamps) for it in owed):
            score.far += 1
            score.definite += result.verdict.verdict_class is not VerdictClass.UNKNOWN
            if result.verdict.verdict_class is VerdictClass.UNKNOWN:
                score.open_ones.append(f"{run.bus.value} {result.expectation} {result.stimulus}: {result.reason}")
    return scores


def _true_steps(run: Run, stimulus: Stimulus) -> tuple[Instant, Instant, int | None, int | None]:
    """When it was really raised, cleared, acknowledged and silenced; the bounds of each step must contain it."""
    r, c = true_step(run.truth, run.site, stimulus, 1), true_step(run.truth, run.site, stimulus, 0)
    assert r is not None
    assert c is not None
    assert holds(stimulus.raised, r), (stimulus, r)
    assert stimulus.cleared is None or holds(stimulus.cleared, c), (stimulus, c)
    later = []
    for step, action in ((stimulus.acknowledged, "acknowledge"), (stimulus.silenced, "silence")):
        at = None if step is None else first_truth(run.truth, "stimulus", r[1], alarm=stimulus.alarm, action=action)
        assert (at is None) == (step is None), (stimulus, action)
        assert at is None or step is None or holds(step, at), (stimulus, at)
        later.append(None if at is None else at[1])
    return r, c, later[0], later[1]


def _bounds_hold(result: Result, own: Interval | None, r: Instant) -> bool:
    """Onset, end, latency and visible time contain the truth. False where there is no sighting."""
    if result.onset is None or own is None or result.verdict is Verdict.CROSSED:
        return False
    assert holds(result.onset, own.begin), (result, own)
    assert result.end is not None
    if own.end is not None:
        assert holds(result.end, own.end), (result, own)
    if result.latency is not None:
        true_latency = (max(0, own.begin[0] - r[1]), max(0, own.begin[1] - r[0]))
        assert result.latency.lo <= true_latency[1], (result, own, r)
        assert true_latency[0] <= result.latency.hi, (result, own, r)
    if result.visible is not None and own.end is not None:
        assert result.visible.lo <= own.end[1] - own.begin[0], (result, own)
        assert own.end[0] - own.begin[1] <= result.visible.hi, (result, own)
    return True


def _is_narrow(result: Result, within: Within) -> bool:
    assert result.onset is not None
    assert result.end is not None
    return within(result.onset) and (result.end.is_open_above or within(result.end))


def width_of(result: Result, stimulus: Stimulus, stamps: int) -> int:
    """How far the truth must be from every limit for the verdict to be owed: what was asked of the measurement."""
    gap = result.widest_gap_ns or 0
    onset = gap if result.onset is None else result.onset.width
    end = gap if result.end is None or result.end.is_open_above else result.end.width
    steps = (stimulus.raised, stimulus.silenced, stimulus.acknowledged, stimulus.cleared)
    return onset + end + max(step.width for step in steps if step is not None) + stamps


# --- how wide bounds may be ----------------------------------------------------------------------------------


Spans = list[tuple[int, int]]


def _spans(reader: RecordReader, site: Site, point: Point) -> Spans | None:
    """Told: from the longest delay before each arrival to the arrival. None where a point is polled."""
    spec = site.links[point.link]
    if isinstance(spec, PersonLink):
        assert isinstance(point.place, PersonPlace)
        said = standing(reader.messages(point.link))
        return sorted(report_bounds(spec, message, it) for message, it in said if is_of(it, point.place))
    if not isinstance(spec, PushLink) or not _is_told(point):
        return None
    delay_ns = spec.longest_delay_ns
    assert delay_ns is not None
    reads = message_reader(point.place, spec)
    assert reads is not None
    mine = (it for it in reader.messages(point.link) if reads(it.data) is not None)
    return sorted((it.first_ns - delay_ns, it.last_ns) for it in mine)


def _told_in_time(own: Interval | None, spans: Spans | None) -> bool:
    if own is None or spans is None:
        return True
    changes = [own.begin] if own.end is None else [own.begin, own.end]
    return all(any(lo <= at[1] and at[0] <= hi for lo, hi in spans) for at in changes)


def _narrow(reader: RecordReader, point: Point, spans: Spans | None) -> Within:
    """Polled: one gap between polls. Told: within what one message tells, to the nanosecond that keeps two apart."""
    if spans is not None:
        known = spans
        return lambda bounds: any(lo <= bounds.lo and bounds.hi <= hi + 1 for lo, hi in known)
    gaps: set[tuple[int, int]] = set()
    for block in reader.blocks():
        if block.link == point.link and block.holds(point.place):
            polls = reader.polls(block.id)
            gaps |= {(int(lo) + 1, int(hi)) for lo, hi in zip(polls.asked[:-1], polls.told[1:], strict=True)}
    loop = failing_loop(point)
    if loop is None:
        return lambda bounds: (bounds.lo, bounds.hi) in gaps
    # On once the current has been there for the persistence, and off as soon as it is not.
    later = {(lo + loop.persistence_ns, hi + loop.persistence_ns) for lo, hi in gaps}
    return lambda bounds: (bounds.lo, bounds.hi) in gaps | later


def _is_told(point: Point) -> bool:
    arrives = getattr(point.place, "arrives", None)
    return arrives is None or arrives.value != "poll"
