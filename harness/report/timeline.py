"""From samples to the picture of one point around one stimulus: what is known to be on, off, changing, or not seen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Hold, Sighting, Step, Stimulus
from harness.core.release import release_of
from harness.core.trace import Trace
from harness.report.document import Mark, Span, SpanState, Timeline

SPANS_MAX: Final = 400
"""A picture is about 700 units wide; more spans than this cannot be told apart in it."""


def timeline_of(
    trace: Trace,
    sightings: Sequence[Sighting],
    stimulus: Stimulus,
    window: Bounds,
    *,
    expectation: Expectation | None = None,
    hold: Hold | None = None,
) -> Timeline:
    """What ``trace`` says of its point in ``window`` (ns, closed, both ends finite).

    Between two equal samples the state counts as known where the gap (from one's lo to the next one's hi) is at most
    the hold of the opposite state, or the trace says so itself (``sealed``); otherwise that time is blind. Between
    two different ones it is unknown, or blind where nothing could have hidden in a gap that wide. ``sightings``
    narrow the unknown spans where they know more than the trace. Gaps are as in DESIGN.md, rule 5.

    Raises ValueError for a window that is open or empty.
    """
    if window.is_open_above or window.is_open_below or window.width == 0:
        raise ValueError(f"timeline_of: window={window}, expected two different finite ends")
    spans = _merged(_clipped(_spans(trace, sightings, window, hold or Hold()), window))
    simplified = len(spans) > SPANS_MAX
    return Timeline(
        stimulus=stimulus.id,
        point=trace.point,
        window=window,
        spans=tuple(_simplified(spans, window) if simplified else spans),
        marks=_marks(stimulus),
        due=_due(stimulus, expectation),
        gone_by=_gone_by(stimulus, expectation),
        expectation=expectation.key if expectation else "",
        simplified=simplified,
    )


def _spans(trace: Trace, sightings: Sequence[Sighting], window: Bounds, hold: Hold) -> list[Span]:
    """Spans in order, touching, from before the window to after it; they may stick out of it."""
    if not len(trace):
        return [Span(state=SpanState.BLIND, from_ns=window.lo, to_ns=window.hi)]
    onsets = {sighting.first: sighting.onset for sighting in sightings if sighting.point == trace.point}
    ends = {sighting.last: sighting.end for sighting in sightings if sighting.point == trace.point}
    first = max(0, int(np.searchsorted(trace.hi, window.lo, side="left")) - 1)
    last = min(len(trace) - 1, int(np.searchsorted(trace.lo, window.hi, side="right")))
    changes = set(trace.starts[np.searchsorted(trace.starts, first, side="right") :].tolist())
    run = int(np.searchsorted(trace.starts, first, side="right")) - 1
    is_on = trace.run_is_on(run)
    begin = int(trace.lo[first])
    at = min(begin, window.lo)
    spans = [Span(state=SpanState.BLIND, from_ns=at, to_ns=begin)] if begin > at else []
    at = begin
    run_lo = begin
    for index in _stops(trace, first, last, hold):
        until = int(trace.hi[index - 1])
        if index in changes:
            run += 1
            is_wide = _is_wide(trace, index, max(hold.on_ns, hold.off_ns))
            change = _change(trace, run, index, onsets.get(index) if not is_on else ends.get(index - 1))
        else:
            is_wide, change = True, None
        blind = Bounds(until, max(until, int(trace.lo[index])))
        between = blind if is_wide or change is None else change
        at = _show(spans, _known(on=is_on), at, between.lo, Bounds(run_lo, until))
        state = SpanState.BLIND if is_wide else SpanState.UNKNOWN
        spans.append(Span(state=state, from_ns=at, to_ns=max(at, between.hi)))
        at = max(at, between.hi)
        is_on ^= change is not None
        is_edge = change is not None and bool(trace.edges[run])
        run_lo = int(trace.hi[index]) - 1 if is_edge else int(trace.lo[index])
    end = int(trace.hi[last])
    at = _show(spans, _known(on=is_on), at, end, Bounds(run_lo, end))
    spans.append(Span(state=SpanState.BLIND, from_ns=at, to_ns=max(at, window.hi)))
    return spans


def _show(spans: list[Span], state: SpanState, from_ns: int, to_ns: int, seen: Bounds) -> int:
    """Append a known state, and return where it ends.

    Where the bounds of the changes around it leave no instant at which it is certain, the samples that saw it
    (``seen``, from the first one's lo to the last one's hi) are shown instead: what was seen must not vanish. A pushed
    message is shown as the last nanosecond of its bounds.
    """
    if to_ns <= from_ns and spans:
        before = spans.pop()
        from_ns = max(before.from_ns, min(seen.lo, before.to_ns))
        spans.append(Span(state=before.state, from_ns=before.from_ns, to_ns=from_ns))
        to_ns = max(from_ns, seen.hi)
    spans.append(Span(state=state, from_ns=from_ns, to_ns=to_ns))
    return max(from_ns, to_ns)


def _stops(trace: Trace, first: int, last: int, hold: Hold) -> list[int]:
    """Indices in (first, last] at which a run begins or before which a gap is too wide to know the state."""
    if last <= first:
        return []
    indices = np.arange(first + 1, last + 1)
    gaps = trace.hi[first + 1 : last + 1] - trace.lo[first:last]
    on = trace.first_on ^ ((np.searchsorted(trace.starts, indices, side="right") - 1) % 2 == 1)
    wide = gaps > np.where(on, hold.off_ns, hold.on_ns)
    if trace.sealed is not None:
        wide &= ~trace.sealed[first + 1 : last + 1]
    starts = trace.starts[(trace.starts > first) & (trace.starts <= last)]
    return sorted({*indices[wide].tolist(), *starts.tolist()})


def _change(trace: Trace, run: int, index: int, seen: Bounds | None) -> Bounds:
    """Bounds of the change with which ``run`` begins at sample ``index``."""
    hi = int(trace.hi[index])
    lo = int(trace.lo[index]) if bool(trace.edges[run]) else int(trace.lo[index - 1]) + 1
    known = Bounds(min(lo, hi), hi)
    return known if seen is None else known.meet(seen) or known


def _is_wide(trace: Trace, index: int, most_ns: int) -> bool:
    if trace.sealed is not None and bool(trace.sealed[index]):
        return False
    return int(trace.hi[index]) - int(trace.lo[index - 1]) > most_ns


def _known(*, on: bool) -> SpanState:
    return SpanState.ON if on else SpanState.OFF


def _clipped(spans: list[Span], window: Bounds) -> list[Span]:
    clipped = []
    for span in spans:
        from_ns, to_ns = max(span.from_ns, window.lo), min(span.to_ns, window.hi)
        if from_ns < to_ns:
            clipped.append(Span(state=span.state, from_ns=from_ns, to_ns=to_ns))
    return clipped


def _merged(spans: list[Span]) -> list[Span]:
    merged: list[Span] = []
    for span in spans:
        if merged and merged[-1].state is span.state:
            merged[-1] = Span(state=span.state, from_ns=merged[-1].from_ns, to_ns=span.to_ns)
        else:
            merged.append(span)
    return merged


def _simplified(spans: list[Span], window: Bounds) -> list[Span]:
    """Spans too narrow to draw become unknown: never on, off, or a claim of any kind."""
    narrow = window.width // SPANS_MAX * 2
    return _merged(
        [
            span
            if span.to_ns - span.from_ns > narrow
            else Span(state=SpanState.UNKNOWN, from_ns=span.from_ns, to_ns=span.to_ns)
            for span in spans
        ]
    )


def _marks(stimulus: Stimulus) -> tuple[Mark, ...]:
    steps = (
        (Step.RAISE, stimulus.raised),
        (Step.SILENCE, stimulus.silenced),
        (Step.ACKNOWLEDGE, stimulus.acknowledged),
        (Step.CLEAR, stimulus.cleared),
        (Step.RESET, stimulus.reset),
    )
    return tuple(Mark(step=step, at=at) for step, at in steps if at is not None)


def _due(stimulus: Stimulus, expectation: Expectation | None) -> Bounds | None:
    if expectation is None or expectation.behaviour is Behaviour.QUIET or expectation.limits.appears_within_ns is None:
        return None
    return stimulus.raised.shifted(expectation.limits.appears_within_ns)


def _gone_by(stimulus: Stimulus, expectation: Expectation | None) -> Bounds | None:
    """q + d + G (DESIGN.md, Correlating); None where a step is missing, for a pulse, and where no limit was set."""
    if expectation is None or expectation.limits.gone_within_ns is None or expectation.behaviour is Behaviour.QUIET:
        return None
    release = release_of(stimulus, expectation)
    return release and release.shifted(expectation.limits.dwell_ns + expectation.limits.gone_within_ns)
