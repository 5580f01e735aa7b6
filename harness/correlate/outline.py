"""From samples to sightings: the outline of a point's trace, and what may hide in its gaps.

An outline is computed once per point; judging a stimulus then touches only the sightings and wide gaps of its
window, so the cost of a quiet million polls is paid once and in numpy.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Hold, Sighting
from harness.core.trace import Flags, Indices, Trace


@dataclass(frozen=True, slots=True)
class Gap:
    """The gap between samples ``index`` and ``index + 1``: open ends are ±FOREVER, states None beyond the samples.

    A change in it happens at lo + 1 or later and at hi or earlier.
    """

    index: int
    lo: int
    hi: int
    on_before: bool | None
    on_after: bool | None


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The sightings of one trace, as parallel lists, and its gaps. Build with :func:`outline`.

    Lists of length s (one entry a sampled sighting, in order): ``onset_lo``, ``onset_hi``, ``end_lo``, ``end_hi`` in
    ns (±FOREVER where open), ``first``, ``last`` sample indices. ``is_ended_by_edge``: its end is a
    message of its own. ``is_contradictory``: two samples exclude each other, so no world is consistent with the trace.
    """

    trace: Trace
    hold: Hold
    onset_lo: list[int]
    onset_hi: list[int]
    end_lo: list[int]
    end_hi: list[int]
    first: list[int]
    last: list[int]
    is_ended_by_edge: list[bool]
    is_contradictory: bool
    _starts: list[int]
    blurred: Flags | None = None
    """(n + 1,) or None for all False: blurred[i] says that another alarm held the point between samples i-1 and i (n:
    behind the last one). The hold is one of the point: what one alarm did there may be shorter."""
    by_others: tuple[Indices, Indices] | None = None
    """Bounds (k,), (k,) in ns of the times in which the point was on, taken out of the trace since another alarm may
    have done that, in the order of both; None for none."""
    is_told: bool = False
    """Its changes are told once, and not read again and again: no poll period settles what is open."""
    _wide: dict[int, Indices] = field(default_factory=dict)

    def sighting(self, number: int) -> Sighting:
        """Sighting ``number`` as a value of its own."""
        first, last = self.first[number], self.last[number]
        trace = self.trace
        widest = int((trace.hi[first + 1 : last + 1] - trace.lo[first:last]).max()) if last > first else 0
        return Sighting(
            point=trace.point,
            onset=Bounds(self.onset_lo[number], self.onset_hi[number]),
            end=Bounds(self.end_lo[number], self.end_hi[number]),
            first=first,
            last=last,
            widest_gap_ns=widest,
        )

    def with_hold(self, hold: Hold) -> Outline:
        """The same sightings under another hold."""
        return self if hold == self.hold else replace(self, hold=hold)

    def sightings_touching(self, start: int, stop: int) -> range:
        """Numbers of the sightings that can be on at or after ``start`` and can begin at or before ``stop``."""
        return range(bisect_right(self.end_hi, start), bisect_right(self.onset_lo, stop))

    def state_at(self, index: int) -> bool | None:
        """The state of sample ``index``; None outside the samples."""
        if not 0 <= index < len(self.trace):
            return None
        return self.trace.run_is_on(bisect_right(self._starts, index) - 1)

    def last_before(self, instant: int) -> int:
        """The index of the last sample that was told before ``instant``; -1 where there is none."""
        return int(np.searchsorted(self.trace.hi, instant, side="left")) - 1

    def samples_within(self, start: int, stop: int) -> range:
        """Indices of the samples asked at or after ``start`` and told at or before ``stop``."""
        first = int(np.searchsorted(self.trace.lo, start, side="left"))
        return range(first, max(first, int(np.searchsorted(self.trace.hi, stop, side="right"))))

    def is_blurred(self, index: int) -> bool:
        """Whether another alarm held the point between samples ``index`` and ``index + 1``: no hold rules there."""
        return self.blurred is not None and bool(self.blurred[index + 1])

    def was_on_by_others(self, start: int, stop: int) -> bool:
        """Whether what was taken out of the trace had the point on at some instant that may lie in [start, stop]."""
        if self.by_others is None:
            return False
        lo, hi = self.by_others
        return bool(np.any((hi >= start) & (lo <= stop)))

    def wide_gaps(self, hold_ns: int, start: int, stop: int, *, blurred: bool = False) -> Iterator[Gap]:
        """Gaps in which a state that lasts ``hold_ns`` can hide, among those that touch ]start, stop[ with changes.

        ``blurred``: and those in which another alarm held the point, so that a shorter one can hide.

        A gap of lo to hi leaves room for at most hi - lo - 1 ns between two changes; "a state that lasts h or longer
        cannot hide in a gap of h or less". The unbounded gaps before the first and after the last sample count.
        """
        trace = self.trace
        n = len(trace)
        lowest = int(np.searchsorted(trace.hi, start, side="right")) - 1
        highest = int(np.searchsorted(trace.lo, stop, side="left")) - 1
        if lowest < 0:
            yield Gap(-1, -FOREVER, int(trace.hi[0]) if n else FOREVER, None, self.state_at(0))
        low, high = max(lowest, 0), min(highest, n - 2)
        if low <= high:
            room = trace.hi[low + 1 : high + 2] - trace.lo[low : high + 1] > hold_ns
            if trace.sealed is not None:
                room &= ~trace.sealed[low + 1 : high + 2]
            if blurred and self.blurred is not None:
                room |= self.blurred[low + 1 : high + 2]
            for at in (np.flatnonzero(room) + low).tolist():
                yield Gap(at, int(trace.lo[at]), int(trace.hi[at + 1]), self.state_at(at), self.state_at(at + 1))
        if n and highest >= n - 1:
            yield Gap(n - 1, int(trace.lo[n - 1]), FOREVER, self.state_at(n - 1), None)

    def splits(self, number: int) -> list[int]:
        """Indices of the samples in sighting ``number`` behind which the point may have been off unseen."""
        wide = self._wide_indices(self.hold.off_ns)
        first, last = self.first[number], self.last[number]
        found: list[int] = wide[np.searchsorted(wide, first) : np.searchsorted(wide, last, side="left")].tolist()
        return found

    def hides_before_end(self, number: int) -> bool:
        """True where the message that ended a sighting may tell the end of another one, which came on unseen.

        Behind the last on-sample there must be room for both the shortest off and the shortest on time.
        """
        last = self.last[number]
        if not self.is_ended_by_edge[number]:
            return False
        trace = self.trace
        if trace.sealed is not None and bool(trace.sealed[last + 1]):
            return False
        return int(trace.hi[last + 1]) - int(trace.lo[last]) > self.hold.off_ns + max(self.hold.on_ns, 1)

    def widest_gap(self, start: int, stop: int) -> int | None:
        """The widest gap that touches [start, stop]; None where it is not bounded."""
        trace = self.trace
        lowest = int(np.searchsorted(trace.hi, start, side="left")) - 1
        highest = int(np.searchsorted(trace.lo, stop, side="right")) - 1
        if lowest < 0 or highest >= len(trace) - 1:
            return None
        if highest < lowest:
            return 0
        return int((trace.hi[lowest + 1 : highest + 2] - trace.lo[lowest : highest + 1]).max())

    def _wide_indices(self, hold_ns: int) -> Indices:
        found = self._wide.get(hold_ns)
        if found is None:
            trace = self.trace
            open_gaps = trace.hi[1:] - trace.lo[:-1] > hold_ns
            if trace.sealed is not None:
                open_gaps &= ~trace.sealed[1:]
            if self.blurred is not None:
                open_gaps |= self.blurred[1:-1]
            found = np.flatnonzero(open_gaps)
            self._wide[hold_ns] = found
        return found


def outline(trace: Trace, hold: Hold) -> Outline:
    """The sightings of ``trace``. Off at [a0, .] and on at [., t1]: the onset lies in (a0, t1], the end likewise.

    Where a run begins with the change itself (``edges``), the change lies in that sample's own bounds.
    """
    n, m = len(trace), len(trace.starts)
    runs = np.arange(0 if trace.first_on else 1, m, 2)
    starts = trace.starts
    lasts = np.append(starts[1:], n) - 1
    begin_lo, begin_hi = _change_bounds(trace)
    first, last = starts[runs], lasts[runs]
    next_run = runs + 1
    has_next = next_run < m
    end_lo = np.where(has_next, begin_lo[np.minimum(next_run, m - 1)], trace.lo[last] + 1) if m else runs
    end_hi = np.where(has_next, begin_hi[np.minimum(next_run, m - 1)], FOREVER) if m else runs
    return Outline(
        trace,
        hold,
        begin_lo[runs].tolist(),
        begin_hi[runs].tolist(),
        end_lo.tolist(),
        end_hi.tolist(),
        first.tolist(),
        last.tolist(),
        (has_next & trace.edges[np.minimum(next_run, m - 1)]).tolist() if m else [],
        _is_contradictory(trace),
        starts.tolist(),
    )


def _is_contradictory(trace: Trace) -> bool:
    """True where no world is consistent with the samples.

    Either their states cannot follow each other in whole nanoseconds within their bounds (the earliest instants m_j of
    the runs are m_j = max(lo of its first sample, lo of the last sample before + 1, m_(j-1) + 1)), or a point came on
    in a time of which its path says that nothing came on.
    """
    starts = trace.starts
    if len(starts) < 2:
        return False
    number = np.arange(len(starts))
    earliest = trace.lo[starts]
    earliest = np.maximum(earliest, np.concatenate((earliest[:1], trace.lo[starts[1:] - 1] + 1)))
    earliest = np.maximum.accumulate(earliest - number) + number
    if np.any(earliest > trace.hi[starts]):
        return True
    if trace.sealed is None:
        return False
    on = (number % 2 == 1) ^ trace.first_on
    return bool(np.any(on[1:] & ~trace.edges[1:] & trace.sealed[starts[1:]]))


def _change_bounds(trace: Trace) -> tuple[Indices, Indices]:
    """Bounds (m,), (m,) of the change with which each run begins; the first run's is open below."""
    starts = trace.starts
    if not len(starts):
        return starts, starts
    after_before = np.empty(len(starts), dtype=np.int64)
    after_before[0] = -FOREVER
    after_before[1:] = trace.lo[starts[1:] - 1] + 1
    lo = np.where(trace.edges, np.maximum(after_before, trace.lo[starts]), after_before)
    return lo, trace.hi[starts]
