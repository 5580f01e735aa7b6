"""The log book of a judged record, from its events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.core.durations import duration, measured
from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Site, Step, Stimulus
from harness.core.wording import TAKE_FOR_REAL
from harness.correlate.engine import timed_by_reference
from harness.record.corrections import Correction, CorrectionKind
from harness.record.found import ClockCheck, Event
from harness.record.header import HostClock
from harness.report.log_book import Ending, LogBook, LogEntry, LogRemark, LogStep, Remark
from harness.results.interrupting import GATE_STOPPED_EVENT, Why
from harness.results.judging import WATCHED_EVENT, JudgedRecord
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT
from harness.results.steps import (
    AS_LEFT_EVENT,
    INTENT_EVENT,
    INTERRUPTED_EVENT,
    LATE_EVENT,
    PUT_BACK_EVENT,
    RETEST_EVENT,
    STEP_EVENT,
    STILL_SHOWN_EVENT,
    STOPPED_EVENT,
    UNEXPLAINED_EVENT,
    UNSENT_EVENT,
    StepDone,
)

_REMARKS: Final = {
    "note": Remark.NOTE,
    "skipped": Remark.SKIPPED,
    "not-possible": Remark.NOT_POSSIBLE,
    RETEST_EVENT: Remark.RETEST,
    INTERRUPTED_EVENT: Remark.INTERRUPTED,
}
"""Kind of event -> how the log book calls it."""

_WATCHED: Final = "nothing was planned or raised, and no alarm that showed is judged; 'farend rates' counts them"

_OWN_EVENT: Final = (Why.SKIPPED.value, Why.NOT_POSSIBLE.value, Why.AGAIN.value, Why.UNEXPLAINED.value)
"""Interruptions that are entered once more by what came of them."""


def log_book_of(record: JudgedRecord) -> LogBook:
    """What was raised in a record, with every correction in force, and what else was entered."""
    events = record.reader.events()
    entries = tuple(_entries(record, events))
    still = [str(name) for event in record.reader.events(AS_LEFT_EVENT) for name in _list(event.data, "not_cleared")]
    still += [*record.left_raised, *record.left_open, *(it.alarm for it in entries if it.is_open)]
    return LogBook(
        entries=entries,
        remarks=tuple(sorted(_remarks(events), key=lambda it: it.at_ns)),
        not_cleared=tuple(dict.fromkeys(still)),
        clock=tuple(clock_words(record.reader.header.host_clock, record.reader.clock_checks())),
    )


def _list(data: Mapping[str, Any], key: str) -> Sequence[Any]:
    found = data.get(key, ())
    return found if isinstance(found, list | tuple) else ()


def _entries(record: JudgedRecord, events: Sequence[Event]) -> Iterable[LogEntry]:
    """In the order of raising; what was about to be raised when the run was cut off is there too."""
    steps: dict[str, list[StepDone]] = {}
    intended: dict[str, tuple[str, int]] = {}
    stopped: set[str] = set()
    for event in events:
        if event.kind == STEP_EVENT:
            steps.setdefault(str(event.data["stimulus"]), []).append(StepDone.from_data(event.data))
        elif event.kind == INTENT_EVENT:
            intended[str(event.data["stimulus"])] = (str(event.data["alarm"]), event.at_ns)
        elif event.kind == UNSENT_EVENT:
            intended.pop(str(event.data["stimulus"]), None)
        elif event.kind == LATE_EVENT:
            _widen(steps.get(str(event.data["stimulus"]), []), event.data)
        elif event.kind == STOPPED_EVENT:
            stopped.add(str(event.data["stimulus"]))
    alarms = record.corrected.alarms
    timed = _timed(record)
    found = []
    for name in dict.fromkeys((*intended, *steps)):
        done = [_as_timed(it, timed.get(name)) for it in steps.get(name, [])]
        raised = [it for it in done if it.step is Step.RAISE]
        recorded = done[0].alarm if done else intended[name][0]
        alarm = alarms.get(name, recorded)
        ending, ended = _ending(record.site, alarm, done, record.end_ns)
        remarks = ["put back before it had been seen through"] if name in stopped else []
        if not raised and name in intended:
            remarks.append("the run was cut off while it was raised: it may stand in the history")
        remarks += [text for one in record.corrected.standing if (text := _correction(one, name))]
        entry = LogEntry(
            stimulus=name,
            alarm=alarm,
            recorded_alarm=recorded if recorded != alarm else "",
            steps=tuple(_step(it) for it in done),
            along=record.site.brought_along(alarm) if alarm in record.site.alarms else (),
            ending=ending,
            ended=ended,
            remarks=tuple(remarks),
        )
        found.append((min([it.at.lo for it in raised] or [intended.get(name, ("", record.end_ns))[1]]), entry))
    return [entry for _, entry in sorted(found, key=lambda it: (it[0], it[1].stimulus))]


def _widen(steps: list[StepDone], late: Mapping[str, Any]) -> None:
    """The key of a step came late, as the person said afterwards."""
    for number, it in enumerate(steps):
        if it.step is Step(late["step"]):
            steps[number] = it.widened(late)


def _timed(record: JudgedRecord) -> Mapping[str, Stimulus]:
    """By id, the stimuli whose keys only confirm what their reference points say."""
    by_hand = [it for it in record.evidence.stimuli if it.finest_ns]
    sketches = record.outlines if by_hand else {}
    return {name: it for name, it in timed_by_reference(record.site, by_hand, sketches).items() if it.timed_by}


def _as_timed(done: StepDone, timed: Stimulus | None) -> StepDone:
    seen = None
    if timed is not None and done.proven:
        seen = {Step.RAISE: timed.raised, Step.CLEAR: timed.cleared}.get(done.step)
    return done if seen is None else replace(done, at=done.at.meet(seen) or done.at)


def _step(done: StepDone) -> LogStep:
    return LogStep(step=done.step, at=done.at, proven=done.proven, how=done.how, note=done.note)


def _correction(one: Correction, stimulus: str) -> str:
    """A correction of this stimulus in words; '' for one of something else."""
    if one.stimulus != stimulus:
        return ""
    if one.kind is CorrectionKind.ALARM:
        return f"corrected ({one.number}): {one.change}; {one.reason}"
    return f"{one.change} ({one.number}; {one.reason})"


def _ending(site: Site, alarm: str, done: Sequence[StepDone], end_ns: int) -> tuple[Ending, Bounds | None]:
    """How it ended, and when where that is known."""
    raised = [it for it in done if it.step is Step.RAISE]
    if raised and not any(it.is_sent for it in raised):
        return Ending.NOT_RAISED, None
    cleared = [it for it in done if it.step is Step.CLEAR]
    proven = next((it for it in cleared if it.proven), None)
    own = site.alarms[alarm].lasts_ns if alarm in site.alarms else None
    itself = None if own is None or not raised else Bounds(raised[0].at.lo + own.lo, raised[-1].at.hi + own.hi)
    if proven is not None and (itself is None or proven.at.lo < itself.hi):
        return Ending.CLEARED, proven.at
    if itself is not None:
        # Beyond the end of the record nobody looked any more.
        return (Ending.BY_ITSELF, itself) if itself.hi <= end_ns else (Ending.NOT_PROVEN, None)
    return (Ending.NOT_PROVEN if cleared else Ending.NOT_CLEARED), None


def _remarks(events: Iterable[Event]) -> Iterable[LogRemark]:
    for event in events:
        data: Mapping[str, Any] = event.data
        if event.kind == PUT_BACK_EVENT:
            proven = "" if data.get("proven", True) else ", not proven"
            text = f"{data.get('step', '')}{proven}".strip()
            yield LogRemark(kind=Remark.PUT_BACK, at_ns=event.at_ns, alarm=str(data.get("alarm", "")), text=text)
        elif event.kind == UNEXPLAINED_EVENT:
            text = f"{data['names']}, {'gone again' if data['gone'] else 'STILL ON: taken for real'}"
            yield LogRemark(kind=Remark.UNEXPLAINED, at_ns=event.at_ns, alarm=str(data["alarm"]), text=text)
        elif event.kind == STILL_SHOWN_EVENT:
            text = f"{', '.join(map(str, _list(data, 'points')))}: {TAKE_FOR_REAL}"
            yield LogRemark(kind=Remark.STILL_SHOWN, at_ns=event.at_ns, alarm=str(data["alarm"]), text=text)
        elif event.kind == GATE_STOPPED_EVENT:
            yield LogRemark(kind=Remark.STOPPED, at_ns=event.at_ns, text=str(data["why"]))
        elif event.kind == CLEARED_LEFT_OPEN_EVENT:
            became = "cleared" if data["proven"] else "NOT PROVEN to be cleared"
            text = f"stimulus {data['stimulus']} of {data['record']}: {became}"
            yield LogRemark(
                kind=Remark.LEFT_OPEN, at_ns=event.at_ns, alarm=str(data["alarm"]), text=text, by=str(data["by"])
            )
        elif event.kind == WATCHED_EVENT:
            yield LogRemark(kind=Remark.WATCHED, at_ns=event.at_ns, text=_WATCHED)
        elif event.kind in _REMARKS and data.get("why") not in _OWN_EVENT:
            told = [str(data[key]) for key in ("text", "reason") if data.get(key)]
            yield LogRemark(
                kind=_REMARKS[event.kind],
                at_ns=event.at_ns,
                alarm=str(data.get("alarm", "")),
                text="; ".join(told),
                by=str(data.get("by", "")),
            )


def clock_words(host: HostClock, checks: Sequence[ClockCheck]) -> Iterable[str]:
    """How far the times can be trusted: what the kernel said of the clock, and how it moved during the run."""
    if host.synchronised and host.error_ns is not None:
        yield f"The testing machine's clock was synchronised; its own bound on its error was {measured(host.error_ns)}."
    elif host.synchronised is False:
        yield "The testing machine's clock was not synchronised: all times may be wrong by the same unknown amount."
    else:
        yield "Whether the testing machine's clock was synchronised is not known."
    offsets = [it.utc_ns - it.monotonic_ns for it in checks]
    drift = max((abs(it - offsets[0]) for it in offsets), default=0)
    if drift >= NS_PER_S // 10:
        yield f"During the run it moved by up to {measured(drift)} against the run's own clock, which times everything."
    for it in checks:
        if it.is_step:
            sign = "-" if it.moved_ns < 0 else "+"
            yield f"It was set by {sign}{duration(abs(it.moved_ns))} during the run; the times here do not follow."
