"""From judged records to the trials of every expectation, as the statistics of ``measure`` take them.

What is measured is what the judge saw, with the same bounds; nothing is matched anew. A trial that nobody saw is given
the bounds of its onset that are known without that output (``Unseen``): by the output delay that the link declares,
else from the raise on for as long as the output was ever seen to take, or may take by its row where it was never seen.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.core.errors import UsageError
from harness.core.instants import FOREVER, Bounds
from harness.core.model import Behaviour, Expectation, Result, Step, Stimulus
from harness.core.paths import is_told
from harness.core.trace import Trace
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.phase_lock import phases
from harness.measure.trials import RowTrial, RowTrials, Shown
from harness.measure.visible_time import Seen, Trial, Unseen
from harness.report.retests import replaced_by_retest
from harness.results.judging import JudgedRecord
from harness.run.order import beat_ns

NOT_SHOWN = (Verdict.MISSED, Verdict.CROSSED)
NO_TRIAL = (Verdict.NOT_RUN, Verdict.MASKED, Verdict.NOT_OBSERVED)
"""Nothing was raised, or nobody looked, or another alarm held the point: nothing can be measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Raised:
    """One result with what was read around it."""

    record: int
    result: Result
    stimulus: Stimulus
    trace: Trace | None
    is_told: bool
    delay: Bounds | None
    """From the raise until the output shows it, as the site file declares it; None where it does not."""
    is_superseded: bool = False
    """It was raised once more in its place."""
    is_voided: bool = False
    """A correction says that it was no test, or one of another alarm. ``result`` is as recorded then."""
    poll_ns: int = 0
    """How often farend polls it; 0 where it is told."""
    beat_ns: int = 0
    """How often the slowest device on the way polls another one; 0 where none is declared."""

    @property
    def is_set_aside(self) -> bool:
        """Somebody did not want it as it was."""
        return self.is_superseded or self.is_voided

    @property
    def onset(self) -> Bounds | None:
        """When it came on, by what is declared and nothing that this output was read for."""
        raised = self.stimulus.raised
        return None if self.delay is None else Bounds(raised.lo + self.delay.lo, raised.hi + self.delay.hi)


def row_trials(records: Sequence[JudgedRecord]) -> tuple[RowTrials, ...]:
    """The trials of every expectation that must react, over all records, in the order of the first record's point map.

    The records are of one site; an expectation of a later map comes behind. Rows of which nothing was raised are left
    out. Of what a retest superseded no time is taken, and a miss is in doubt: whoever asks for one may have seen what
    came of it, so to leave it out would choose among the results. The same holds of what was voided, or said to have
    been another alarm: nothing else is taken of it, and it counts as not run. UsageError where a record is named twice.
    """
    _refuse_twice(records)
    rows: dict[str, Expectation] = {}
    raised: dict[str, list[_Raised]] = defaultdict(list)
    for number, record in enumerate(records):
        rows |= {row.key: row for row in record.site.expectations if row.key not in rows}
        stimuli, superseded = record.timed, _superseded(record)
        for result, is_voided in _results(record):
            point = record.site.points[result.point]
            raised[result.expectation].append(
                _Raised(
                    record=number,
                    result=result,
                    stimulus=stimuli[result.stimulus],
                    trace=record.evidence.traces.get(result.point),
                    is_told=is_told(record.site.links[point.link], point.place),
                    delay=None if point.link in record.site.behind else record.site.times_of(point.link).output_delay,
                    is_superseded=result.stimulus in superseded,
                    is_voided=is_voided,
                    poll_ns=getattr(record.site.links[point.link], "poll_period_ns", 0) or 0,
                    beat_ns=beat_ns(record.site, point.link),
                )
            )
    alarms = [alarm for record in records for alarm in record.site.alarms.values()]
    lasting = {it.name for it in alarms} - {it.name for it in alarms if it.lasts_ns is None}
    return tuple(
        _row(row, raised[key], ends_by_itself=_ends_by_itself(row, lasting))
        for key, row in rows.items()
        if key in raised and row.behaviour is not Behaviour.QUIET
    )


def _results(record: JudgedRecord) -> list[tuple[Result, bool]]:
    """The results, and, with True, those as recorded of stimuli that were voided or said to have been another alarm, in
    the order of raising.
    """
    found = [(it, False) for it in record.judgement.results]
    recorded = () if record.as_recorded is None else record.as_recorded.results
    voided, alarms = record.corrected.voided, record.corrected.alarms
    found += [(it, True) for it in recorded if it.stimulus in voided or alarms.get(it.stimulus, it.alarm) != it.alarm]
    begun = {it.id: (it.raised.lo, it.raised.hi, it.id) for it in record.evidence.stimuli}
    return sorted(found, key=lambda it: begun[it[0].stimulus])


def _ends_by_itself(row: Expectation, lasting: Collection[str]) -> bool:
    """``lasting``: the alarms that clear by themselves."""
    follows = row.behaviour is Behaviour.FOLLOWS and row.released_by is not Step.SILENCE
    return row.behaviour is Behaviour.PULSE or (follows and row.alarm in lasting)


def _refuse_twice(records: Sequence[JudgedRecord]) -> None:
    """Trials that count twice prove what nobody tried."""
    seen: dict[str, JudgedRecord] = {}
    for record in records:
        for digest in sorted(record.has_been & seen.keys()):
            raise UsageError(f"{record.path}: it is the same record as {seen[digest].path}; name each record once")
        seen |= dict.fromkeys(record.has_been, record)


def _superseded(record: JudgedRecord) -> frozenset[str]:
    """The stimuli in whose place others were raised."""
    found: set[str] = set()
    for alarm, decided in record.retests.items():
        raised = (it for it in record.evidence.stimuli if it.alarm == alarm and it.id not in record.corrected.voided)
        mine = {it.id: it.raised.lo for it in raised}
        found |= replaced_by_retest(mine, decided)
    return frozenset(found)


def _row(row: Expectation, raised: Sequence[_Raised], *, ends_by_itself: bool) -> RowTrials:
    is_delay_declared = any(it.delay is not None for it in raised)
    shown = [_shown(it) for it in raised]
    if any(_is_denied(it) for it, how in zip(raised, shown, strict=True) if how is Shown.SHOWN):
        raised = [replace(it, delay=None) for it in raised]
    reach_ns = _reach_ns(row, [it.result for it, how in zip(raised, shown, strict=True) if how is Shown.SHOWN])
    trials = []
    for it, how in zip(raised, shown, strict=True):
        visible = _visible(it, how, reach_ns)
        trials.append(
            RowTrial(
                record=it.record,
                stimulus=it.result.stimulus,
                verdict=Verdict.NOT_RUN if it.is_voided else it.result.verdict,
                shown=how,
                raised=it.stimulus.raised,
                latency=it.result.latency if how is Shown.SHOWN and not it.is_set_aside else None,
                visible=visible,
                is_set_aside=it.is_set_aside,
            )
        )
    return RowTrials(
        key=row.key,
        alarm=row.alarm,
        point=row.point,
        trials=tuple(trials),
        ends_by_itself=ends_by_itself,
        is_delay_declared=is_delay_declared,
        phases=_phases(raised),
        beats=_beats(raised),
        poll_ns=max((it.poll_ns for it in raised if not it.is_told), default=0),
    )


def _is_denied(it: _Raised) -> bool:
    """Whether what was seen denies the declared delay: then it is believed of no trial, of none unseen either."""
    return it.onset is not None and it.result.onset is not None and it.onset.meet(it.result.onset) is None


def _shown(it: _Raised) -> Shown:
    result = it.result
    if result.verdict in NO_TRIAL or result.is_doubted or not (it.stimulus.proven or it.is_voided):
        return Shown.LEFT_OUT
    if result.verdict in NOT_SHOWN:
        return Shown.UNSEEN if it.is_set_aside else Shown.MISSED
    if result.onset is not None:
        return Shown.LEFT_OUT if it.is_voided else Shown.SHOWN
    is_unseen = it.trace is not None and len(it.trace) and result.verdict.verdict_class is VerdictClass.UNKNOWN
    return Shown.UNSEEN if is_unseen else Shown.LEFT_OUT


def _reach_ns(row: Expectation, seen: Sequence[Result]) -> int:
    """How long after its raise an alarm may come on at this output, as far as that is known."""
    slowest = [it.latency.hi for it in seen if it.latency is not None and it.latency.hi < FOREVER]
    declared = row.limits.search_ns if row.limits.appears_within_ns is None else row.limits.appears_within_ns
    return max(slowest, default=declared)


def _visible(it: _Raised, how: Shown, reach_ns: int) -> Trial | None:
    result, trace = it.result, it.trace
    is_cut = it.stimulus.stopped  # put back early: how long it would have shown nobody knows
    if how is Shown.LEFT_OUT or is_cut or it.is_set_aside or trace is None or not trace.timed:
        return None
    if how is Shown.SHOWN:
        if result.onset is None or result.end is None or result.onset.is_open_below:
            return None
        known = None if it.onset is None else it.onset.meet(result.onset)
        return Seen(onset=known or result.onset, end=result.end)
    if it.is_told:  # proven not to have shown: on for no time at all; what was not told and not promised says nothing
        at = Bounds.exactly(it.stimulus.raised.hi)
        return Seen(onset=at, end=at) if how is Shown.MISSED else None
    return _unseen(trace, it.onset or Bounds(it.stimulus.raised.lo, it.stimulus.raised.hi + reach_ns))


def _unseen(trace: Trace, onset: Bounds) -> Unseen | None:
    """None where the output was not read on both sides."""
    first = int(np.searchsorted(trace.hi, onset.lo, side="right")) - 1
    last = int(np.searchsorted(trace.lo, onset.hi, side="left"))
    if first < 0 or last >= len(trace):
        return None
    asked, told = trace.lo[first : last + 1], trace.hi[first : last + 1]
    return Unseen(onset=onset, samples_ns=tuple(np.unique(asked).tolist()), blur_ns=int((told - asked).max()))


def _phases(raised: Sequence[_Raised]) -> tuple[float, ...]:
    """Where in the gap between two readings each raise fell, by the middle of its bounds."""
    found: list[float] = []
    for it in raised:
        if it.is_told or it.trace is None or not it.stimulus.proven:
            continue
        at = (it.stimulus.raised.lo + it.stimulus.raised.hi) // 2
        near = int(np.searchsorted(it.trace.lo, at, side="right"))
        found += phases([at], it.trace.lo[max(0, near - 1) : near + 1].tolist())
    return tuple(found)


def _beats(raised: Sequence[_Raised]) -> tuple[tuple[float, ...], ...]:
    """Where in the period of a device that polls another one each raise fell, by the middle of its bounds."""
    found: dict[int, list[float]] = defaultdict(list)
    for it in raised:
        if it.beat_ns and it.stimulus.proven:
            at = (it.stimulus.raised.lo + it.stimulus.raised.hi) // 2
            found[it.record].append(at % it.beat_ns / it.beat_ns)
    return tuple(map(tuple, found.values()))
