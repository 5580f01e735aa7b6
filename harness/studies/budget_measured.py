"""Puts what records measured beside what was predicted, and says what a value outside could come from.

A prediction holds a measured latency where the two intervals have an instant in common: the true one may be there. It
holds a share where the exact bounds of the share reach the predicted chances; the chances of single trials may differ
with how long the alarm was up, and bounds for a common one hold for their mean too (Hoeffding, *Ann. Math. Statist.* 27
(1956) 713: the sum of unlike trials is no wider than the binomial of their mean).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil
from pathlib import Path
from typing import Final

from harness.core.durations import at_most, bounds
from harness.core.errors import UsageError
from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.core.model import Behaviour, Site, Step, Stimulus
from harness.core.verdicts import Verdict
from harness.measure.budget import Watcher, chance_of, stages
from harness.measure.budget_damping import Damping
from harness.measure.budget_steps import Case, Dwell, OnDelay
from harness.measure.phase_lock import Locking, phase_lock
from harness.measure.proportions import CONFIDENCE, clopper_pearson
from harness.measure.trials import RowTrial, RowTrials, Shown
from harness.measure.visible_time import Seen
from harness.report.budget_document import Budget, Measured, RowMeasured, WayGroup
from harness.report.budget_words import seconds_words
from harness.results.judging import JudgedRecord, judge_record
from harness.studies.row_trials import row_trials

STAYS: Final = Fraction(10**6)
"""Of an alarm that was not cleared: longer than any poll."""


def with_measured(budget: Budget, site: Site, paths: Sequence[Path]) -> Budget:
    """The same budget with what the records measured. Raises RecordError, SiteError for the site of a
    record, and UsageError where it is another site, or a record is named twice.
    """
    judged: list[JudgedRecord] = []
    try:
        judged += (judge_record(path) for path in paths)
        return replace(budget, measured=measured_of(budget, site, judged))
    finally:
        for record in judged:
            record.reader.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """One row with what is needed to compare it."""

    row: RowTrials
    group: WayGroup
    watcher: Watcher
    stimuli: Sequence[dict[str, Stimulus]]
    behaviour: Behaviour
    released_by: Step = Step.CLEAR
    timed: Sequence[Mapping[str, Stimulus]] = ()
    """The same stimuli, as their reference points timed them."""
    lasts_ns: Bounds | None = None
    """Of an alarm that clears by itself."""


def measured_of(budget: Budget, site: Site, records: Sequence[JudgedRecord]) -> Measured:
    """What the records measured of the rows of a budget, beside it. UsageError where a record is of another site."""
    for record in records:
        if record.site.name != site.name:
            raise UsageError(
                f"--record {record.path}: site={record.site.name}: this site file is site={site.name}; what was "
                "measured at one site says nothing of another"
            )
    ways = {row.key: group for group in budget.groups for row in group.rows}
    behaviours = {row.key: row.behaviour for row in site.expectations}
    released = {row.key: row.released_by for row in site.expectations}
    stimuli = [{it.id: it for it in record.evidence.stimuli} for record in records]
    found = [
        _Compared(
            row=_without_voided(row),
            group=ways[row.key],
            watcher=ways[row.key].way.watchers[0],
            stimuli=stimuli,
            behaviour=behaviours[row.key],
            released_by=released[row.key],
            timed=[record.timed for record in records],
            lasts_ns=site.alarms[row.alarm].lasts_ns,
        )
        for row in row_trials(records)
        if row.key in ways
    ]
    measured = [it for it in found if it.row.measured]
    # All rows are looked at: so that one of many is not outside by chance alone (Bonferroni).
    confidence = 1 - (1 - CONFIDENCE) / max(1, len(measured))
    rows = [_row(it, confidence, records) for it in measured]
    return Measured(
        records=tuple(record.path.name for record in records),
        rows=tuple(rows),
        confidence=CONFIDENCE,
        left_out=sum(it.row.count(Shown.LEFT_OUT) for it in found),
        notes=tuple(_notes(site, records)),
    )


def _without_voided(row: RowTrials) -> RowTrials:
    """What was voided was no alarm of which anything was predicted: it is left out, and counted so."""
    left_out = (
        replace(it, shown=Shown.LEFT_OUT) if it.is_set_aside and it.verdict is Verdict.NOT_RUN else it
        for it in row.trials
    )
    return replace(row, trials=tuple(left_out))


def _row(it: _Compared, confidence: float, records: Sequence[JudgedRecord]) -> RowMeasured:
    predicted = predicted_latency(it.group, it.watcher)
    latencies = tuple(one for one in it.row.latencies if one.lo < FOREVER)
    trials, shown = it.row.measured, it.row.count(Shown.SHOWN)
    share = clopper_pearson(shown, len(trials), confidence=confidence)
    slowest, quickest = _mean_chances(it, trials)
    outside: list[str] = []
    could_be: list[str] = []
    late = [one for one in latencies if one.lo > predicted.hi]
    early = [one for one in latencies if one.hi < predicted.lo]
    if late:
        outside.append(_latency_words(late, len(latencies), "after", predicted))
        could_be += _why_late(it)
    if early:
        outside.append(_latency_words(early, len(latencies), "before", predicted))
        could_be += _why_early(it)
    gone = _gone_late(it, predicted)
    if gone:
        outside.append(gone)
        could_be += [*_why_late(it), "an output that holds on for longer than the alarm: a dwell that nobody declared"]
    against = list(outside)
    if share.high < float(slowest):
        outside.append(f"seen {shown} of {len(trials)}, where {_share_words(slowest, 'at least')} predicted")
        could_be += _why_seldom(it)
    elif share.low > float(quickest):
        outside.append(f"seen {shown} of {len(trials)}, where {_share_words(quickest, 'at most')} predicted")
        could_be += _why_often(it)
        against.append(outside[-1])
    if outside:
        could_be += _of_the_run(it, records)
    return RowMeasured(
        key=it.row.key,
        link=it.group.link,
        trials=len(trials),
        shown=shown,
        latencies=latencies,
        predicted=predicted,
        share=(share.low, share.high),
        chance=(slowest, quickest),
        outside=tuple(outside),
        against_proof=tuple(against),
        could_be=tuple(dict.fromkeys(could_be)),
    )


def _gone_late(it: _Compared, predicted: Bounds) -> str:
    """What goes off with its alarm, and later than a change may take on its way and what holds on is declared to; ''
    where nothing does. Of damping it is not known, since a loop may fall more slowly than it rises.
    """
    hops = [hop.step for hop in (*it.group.way.hops, *it.watcher.hops)]
    if (
        it.behaviour is not Behaviour.FOLLOWS
        or it.released_by is Step.SILENCE
        or any(isinstance(step, Damping) for step in hops)
    ):
        return ""
    holds = sum((step.time for step in hops if isinstance(step, Dwell)), Fraction(0))
    holds += sum((step.off for step in hops if isinstance(step, OnDelay)), Fraction(0))
    most_ns = predicted.hi + ceil(holds * NS_PER_S)
    took = []
    for trial in it.row.measured:
        cleared = _cleared(it, trial)
        if cleared is not None and isinstance(trial.visible, Seen) and trial.visible.end.hi < FOREVER:
            took.append(Bounds(max(0, trial.visible.end.lo - cleared.hi), max(0, trial.visible.end.hi - cleared.lo)))
    late = [one for one in took if one.lo > most_ns]
    if not late:
        return ""
    worst = bounds(max(late, key=lambda one: one.lo), against_ns=most_ns)
    return f"{len(late)} of {len(took)} gone after the longest predicted {at_most(most_ns)} from the clear: {worst}"


def _cleared(it: _Compared, trial: RowTrial) -> Bounds | None:
    """When the alarm was cleared, or cleared by itself."""
    stimulus = it.timed[trial.record].get(trial.stimulus)
    if stimulus is None or stimulus.cleared is not None:
        return None if stimulus is None else stimulus.cleared
    lasts_ns = it.lasts_ns
    return None if lasts_ns is None else Bounds(stimulus.raised.lo + lasts_ns.lo, stimulus.raised.hi + lasts_ns.hi)


def predicted_latency(group: WayGroup, watcher: Watcher) -> Bounds:
    """From the raise to the point, in ns, rounded outwards: as the judge measures it, without the poll that sees it.

    A failure current counts from the instant on at which it has lasted.
    """
    lasting = [hop.step for hop in watcher.hops if isinstance(hop.step, OnDelay)]
    found = stages((*group.way.steps(), *lasting), ())
    if not found:
        return Bounds(0, 0)
    least, most = found[-1].latency.least, found[-1].latency.most
    return Bounds(int(least * NS_PER_S // 1), int(-(-most * NS_PER_S // 1)))


def _mean_chances(it: _Compared, trials: Sequence[RowTrial]) -> tuple[Fraction, Fraction]:
    """Over all trials, each with the length for which its alarm was up: the slowest case of the shortest that it can
    have been, and the quickest of the longest.
    """
    steps = it.group.way.steps(it.watcher)
    cases: dict[tuple[Fraction, Fraction], tuple[Fraction, Fraction]] = {}
    low, high = Fraction(0), Fraction(0)
    for trial in trials:
        span = _length(it.stimuli[trial.record][trial.stimulus])
        if span not in cases:
            least = [chance_of(steps, span[0], case) for case in Case] if span[0] > 0 else [Fraction(0)]
            most = [chance_of(steps, span[1], case) for case in Case]
            cases[span] = (min(*least, *most), max(*least, *most))
        low, high = low + cases[span][0], high + cases[span][1]
    return low / len(trials), high / len(trials)


def _length(stimulus: Stimulus) -> tuple[Fraction, Fraction]:
    """For how long the alarm was up, at the least and at the most."""
    if stimulus.cleared is None:
        return STAYS, STAYS
    least = max(0, stimulus.cleared.lo - stimulus.raised.hi)
    most = max(1, stimulus.cleared.hi - stimulus.raised.lo)
    return Fraction(least, NS_PER_S), Fraction(most, NS_PER_S)


def _latency_words(outside: Sequence[Bounds], total: int, side: str, predicted: Bounds) -> str:
    worst = max(outside, key=lambda it: it.lo) if side == "after" else min(outside, key=lambda it: it.hi)
    return (
        f"{len(outside)} of {total} shown {side} the predicted {bounds(predicted)}: "
        f"{bounds(worst, against_ns=predicted.hi if side == 'after' else predicted.lo)}"
    )


def _share_words(chance: Fraction, which: str) -> str:
    if chance in (0, 1):
        return "all were" if chance else "none was"
    return f"{which} a share of {float(chance):.3g} was"


# --- what it could be -----------------------------------------------------------------------------


def _why_late(it: _Compared) -> Iterable[str]:
    yield from (f"not declared: {text}" for text in it.group.way.assumed if "taken as 0" in text)
    yield from _dead_unit(it)
    yield "a device on the way takes longer than declared: measure its output delay, and its own poll"


def _why_early(it: _Compared) -> Iterable[str]:
    if it.group.way.hops:
        yield f"a time declared too long: {', '.join(hop.words for hop in it.group.way.hops)}"
    yield "the raise came before its bounds: whose clock or key timed it?"


def _why_seldom(it: _Compared) -> Iterable[str]:
    yield from (f"not declared: {text}" for text in it.group.way.assumed if "optimistic" in text)
    yield from _dead_unit(it)
    yield from _locked(it)
    yield "an output that shows it for less time than the alarm lasts, or not at all: see what 'farend explain' finds"


def _why_often(it: _Compared) -> Iterable[str]:
    polls = [hop.words for hop in (*it.group.way.hops, *it.watcher.hops) if " every " in hop.words]
    if polls:
        yield f"a poll that is faster than declared: {', '.join(polls)}"
    if it.behaviour is Behaviour.FOLLOWS:
        yield "an output that holds on for longer than the alarm: a dwell or a latch that nobody declared"
    yield from _locked(it)


def _dead_unit(it: _Compared) -> Iterable[str]:
    if not it.group.way.has_bus(it.watcher):
        return
    alive, worst = (stages(it.group.way.steps(it.watcher, dead=one), ())[-1].latency.most for one in (False, True))
    if worst > alive:
        yield f"a unit of the bus that did not answer: then it may be seen up to {seconds_words(worst)} after the raise"


def _locked(it: _Compared) -> Iterable[str]:
    if it.row.phases and phase_lock(it.row.phases).finding is Locking.LOCKED:
        yield "raises in step with the polls: their phases were not random, which the chances take for granted"


def _of_the_run(it: _Compared, records: Sequence[JudgedRecord]) -> Iterable[str]:
    """Late polls and blind times of the link while the row's own alarm was up."""
    link, late, blind = it.group.link, 0, 0
    for number, record in enumerate(records):
        mine = [it.stimuli[number][one.stimulus] for one in it.row.measured if one.record == number]
        spans = [Bounds(one.raised.lo, _over_ns(one)) for one in mine]
        polls = (Bounds(one.due_ns, one.begun_ns) for one in record.reader.overruns(link))
        late += sum(any(span.touches(poll) for span in spans) for poll in polls)
        blind += sum(any(span.touches(one.span) for span in spans) for one in record.evidence.blind if one.link == link)
    if late:
        yield f"{late} late poll{'s' * (late != 1)} of {link} meanwhile"
    if blind:
        yield f"{link} was not observed for {blind} time{'s' * (blind != 1)} meanwhile"


def _over_ns(stimulus: Stimulus) -> int:
    """Until when an alarm was up, at the latest."""
    return max(stimulus.raised.hi, *(step.hi for step in stimulus.later)) if stimulus.later else stimulus.raised.hi


def _notes(site: Site, records: Sequence[JudgedRecord]) -> Iterable[str]:
    for record in records:
        polled = [
            name
            for name, spec in record.site.links.items()
            if name in site.links
            and getattr(spec, "poll_period_ns", None) != getattr(site.links[name], "poll_period_ns", None)
        ]
        if polled:
            text = f"{record.path.name} was made with another poll of {', '.join(polled)} than this site file has"
            yield f"{text}: predict from the site file that it was made with"
