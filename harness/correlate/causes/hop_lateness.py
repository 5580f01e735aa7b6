"""Late behind a hop, or along with another alarm: what a device read was late itself, or what comes along came late."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.core.instants import Bounds, elapsed
from harness.core.model import Cause, CauseKind, Equal, Expectation, Stimulus
from harness.core.places import ModbusPlace
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.delays import known_delays
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.words import listed, point, series
from harness.correlate.demand import demand_of
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """What one point did after a raise. ``row``: the row by which its alarm, or one that comes along, shows there."""

    point: str
    stimulus: Stimulus
    row: Expectation
    onset: Bounds
    end: Bounds

    @property
    def latency(self) -> Bounds:
        return from_zero(elapsed(self.stimulus.raised, self.onset))


def late_before_hops(case: Case) -> Iterator[Finding]:
    """Late, missed with a stray too late for it, or gone too late, and so was what this device reads. One cause a link.

    Not where the device before was in time, nor where the hop alone takes longer than the row allows.
    """
    results: dict[tuple[str, str], list[int]] = defaultdict(list)
    late: dict[tuple[str, str], list[int]] = defaultdict(list)
    told: dict[tuple[str, str], list[str]] = defaultdict(list)
    for link in case.site.links:
        for before in case.site.before(link):
            for number in case.opened(Verdict.LATE, Verdict.STUCK):
                shown = _of_result(case, number) if case.link_of(case.results[number].point) == link else None
                sources = [] if shown is None else _late_sources(case, shown, before, number)
                if shown is not None and sources:
                    results[link, before].append(number)
                    told[link, before] += [_passed_text(case, it, shown) for it in sources]
            for at in sorted(case.open_strays):
                shown = _of_stray(case, at) if case.link_of(case.strays[at].point) == link else None
                sources = [] if shown is None else _late_sources(case, shown, before, None)
                if shown is not None and sources:
                    late[link, before].append(at)
                    results[link, before] += _missed(case, shown)
                    told[link, before] += [_passed_text(case, it, shown) for it in sources]
    for link, before in dict.fromkeys((*results, *late)):
        both = (link, before)
        names = [case.results[n].point for n in results[both]] + [case.strays[at].point for at in late[both]]
        yield Finding(
            cause=Cause(
                kind=CauseKind.TRANSPORT,
                code="passed-on-by-hop",
                text=f"what it read was late itself: link {link} is behind {before} and passes on what comes late "
                f"there: {listed(point(case, name) for name in names)}",
                evidence=series(told[both]),
                next_check=f"look at {before} first; judge {link} again once that is mended",
            ),
            results=tuple(sorted(results[both])),
            strays=tuple(late[both]),
        )


def late_along(case: Case) -> Iterator[Finding]:
    """What came on too late after an alarm that brings it along: late, as its own would be, and nobody else's.

    Where it is known how late that point is, what comes at another delay is not claimed.
    """
    for at in sorted(case.open_strays):
        shown = _of_stray(case, at)
        if shown is None or shown.stimulus.alarm == shown.row.alarm or known_delays(case, shown.point):
            continue
        before = case.site.before(case.link_of(shown.point))
        yield Finding(cause=_along(case, shown, before), strays=(at,))


def _along(case: Case, shown: _Shown, before: Sequence[str]) -> Cause:
    by, alarm = shown.stimulus, shown.row.alarm
    slow_hop = [
        Equal(
            kind=CauseKind.TIME,
            code="hop-polls-slowly",
            text=f"this hop polls {name} too seldom, so that what it serves is that much older",
        )
        for name in before[:1]
    ]
    real = Equal(
        kind=CauseKind.STIMULUS, code="not-raised-here", text=f"a real alarm ({alarm}), or somebody else's test"
    )
    return Cause(
        kind=CauseKind.TIME,
        code="later-than-search",
        text=f"it came along late: {by.alarm} brings {alarm} along, and {point(case, shown.point)} came on "
        f"{span_text(shown.latency)} after the raise of {by.alarm}, beyond the search limit of "
        f"{time_text(shown.row.limits.search_ns)}",
        evidence=f"{shown.point} {span_text(shown.latency)} after {by.id}, and nothing else was raised between; the "
        f"site file says that {by.alarm} also raises {alarm}",
        next_check=f"raise {alarm} alone: late again by as much is a time delay set for this output; if it does not "
        "come late, ask the controller's own event log what came up here",
        equals=(*slow_hop, real),
        deciding="the controller's own event log",
    )


def _of_result(case: Case, number: int) -> _Shown | None:
    """What the point of a result did; None where that was not seen, or another alarm may have done it."""
    result = case.results[number]
    if result.onset is None or result.end is None or case.shown_at[result.point] != (result.alarm,):
        return None
    return _Shown(
        point=result.point,
        stimulus=case.stimulus(number),
        row=case.rows[result.expectation],
        onset=result.onset,
        end=result.end,
    )


def _of_stray(case: Case, at: int) -> _Shown | None:
    """A stray that follows the last raise before it: of the one alarm that shows there, or one that brings it along.

    None where it came within the search limit, or where two raises cannot be put in order.
    """
    stray = case.strays[at]
    alarms, newest = case.shown_at[stray.point], case.raises.latest(stray.onset)
    if len(alarms) != 1 or len(newest) != 1 or not newest[0].proven:
        return None
    (alarm,), (by,) = alarms, newest
    if alarm != by.alarm and alarm not in case.raises.brings(by.alarm):
        return None
    row = _row_of(case, alarm, stray.point)
    if row is None or stray.onset.lo <= by.raised.hi + row.limits.search_ns:
        return None
    return _Shown(point=stray.point, stimulus=by, row=row, onset=stray.onset, end=stray.end)


def _row_of(case: Case, alarm: str, name: str) -> Expectation | None:
    return next((row for row in case.rows.values() if (row.alarm, row.point) == (alarm, name)), None)


def _missed(case: Case, shown: _Shown) -> list[int]:
    """The open miss of the alarm itself at the point of a stray."""
    return [
        n
        for n in case.by_point.get(shown.point, ())
        if n in case.open
        and case.results[n].verdict is Verdict.MISSED
        and case.results[n].stimulus == shown.stimulus.id
        and case.results[n].alarm == shown.row.alarm
    ]


def _late_sources(case: Case, shown: _Shown, link: str, number: int | None) -> list[_Shown]:
    """What this point may be read from at ``link``, all of it proven late in the way that this point is; else none.

    The same place of both devices, where there is one, is what is read; else every point of this alarm alone.
    """
    is_stuck = number is not None and case.results[number].verdict is Verdict.STUCK
    names = [name for name, alarms in case.shown_at.items()
             if alarms == (shown.row.alarm,) and case.link_of(name) == link]  # fmt: skip
    same = [name for name in names if _is_same_place(case, name, shown.point)]
    found: list[_Shown] = []
    for name in same or names:
        row = _row_of(case, shown.row.alarm, name)
        source = None if row is None or row.behaviour is not shown.row.behaviour else _first_at(case, shown, row)
        if source is None or not (_went_late(source, shown) if is_stuck else _came_late(source, shown)):
            return []
        found.append(source)
    return found


def _is_same_place(case: Case, one: str, other: str) -> bool:
    places = [case.site.points[name].place for name in (one, other)]
    spots = [(it.table, it.address, it.bit) for it in places if isinstance(it, ModbusPlace)]
    return len(spots) == len(places) and spots[0] == spots[1]


def _first_at(case: Case, shown: _Shown, row: Expectation) -> _Shown | None:
    """The last sighting at the point of ``row`` that began by the onset of another point, and after the raise."""
    sketch = case.sketches[row.point]
    numbers = sketch.sightings_touching(shown.stimulus.raised.lo, shown.onset.hi)
    for it in reversed([sketch.sighting(n) for n in numbers]):
        if it.onset.lo >= shown.stimulus.raised.hi:
            return _Shown(point=row.point, stimulus=shown.stimulus, row=row, onset=it.onset, end=it.end)
    return None


def _came_late(source: _Shown, shown: _Shown) -> bool:
    """True where the source was late for certain, and the hop added no more than its row allows."""
    lag = elapsed(source.onset, shown.onset)
    return elapsed(source.stimulus.raised, source.onset).lo > _reach(source.row) and lag.lo <= _reach(shown.row)


def _went_late(source: _Shown, shown: _Shown) -> bool:
    """The same of its end."""
    release, gone = demand_of(source.stimulus, source.row).release, source.row.limits.gone_within_ns
    allowed = shown.row.limits.gone_within_ns
    if release is None or gone is None or allowed is None or source.end.is_open_above:
        return False
    is_late = elapsed(release, source.end).lo > source.row.limits.dwell_ns + gone
    return is_late and elapsed(source.end, shown.end).lo <= allowed


def _reach(row: Expectation) -> int:
    limits = row.limits
    return limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns


def _passed_text(case: Case, source: _Shown, shown: _Shown) -> str:
    by, alarm = source.stimulus, source.row.alarm
    of = f"{by.alarm} ({by.id})" + ("" if by.alarm == alarm else f", which brings {alarm} along")
    told = (
        f"{point(case, source.point)} came on {span_text(source.latency)} after the raise of {of}, "
        f"and {shown.point} {span_text(from_zero(elapsed(source.onset, shown.onset)))} after that"
    )
    release = demand_of(by, source.row).release
    if release is None or source.end.is_open_above or shown.end.is_open_above:
        return told
    return (
        f"{told}; they went off {span_text(from_zero(elapsed(release, source.end)))} after its release, and "
        f"{span_text(from_zero(elapsed(source.end, shown.end)))} after that"
    )
