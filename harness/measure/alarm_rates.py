"""Rates of alarms as alarm management counts them: per 10 minutes, floods, chattering, fleeting, stale. Pure.

An activation is known within bounds only, so every count comes as what is surely and what is possibly so. Windows are
half-open: of activations 60 s apart, ten are in 10 minutes. An activation at x is in the last W at t where
t - W < x <= t; so it surely is from its latest instant on until W after its earliest, and possibly is from its earliest
until W after its latest. The true number lies between the two sums at every instant. A flood begins where the number
exceeds one limit and ends where it falls below another; more activations never end it sooner, so what is a flood by
the lower sum surely is one, and what is none by the upper sum surely is none.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, unique
from itertools import groupby
from typing import Final

from harness.core.instants import NS_PER_S, Bounds, elapsed
from harness.measure.spans import Span, is_free, joined, length_without

MINUTE_NS: Final = 60 * NS_PER_S
HOUR_NS: Final = 60 * MINUTE_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class RateLimits:
    """From when on something counts as what. All from memory, but for ``fleeting_ns``: common practice, no source.

    A flood begins with more than ``flood_above`` activations in ``window_ns`` and ends with fewer than
    ``flood_below`` (EEMUA 191, ISA-18.2-2009). An alarm chatters with ``chatter_least`` or more in ``chatter_ns``. It
    was fleeting where it cleared by itself in no more than ``fleeting_ns``, and stale where it was active for longer
    than ``stale_ns``; for exactly so long is not stale.
    """

    window_ns: int = 10 * MINUTE_NS
    flood_above: int = 10
    flood_below: int = 5
    chatter_least: int = 3
    chatter_ns: int = MINUTE_NS
    fleeting_ns: int = MINUTE_NS
    stale_ns: int = 24 * HOUR_NS

    def __post_init__(self) -> None:
        for name in ("window_ns", "flood_above", "flood_below", "chatter_least", "chatter_ns", "stale_ns"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name}={getattr(self, name)}: expected 1 or more")
        if self.flood_below > self.flood_above + 1:
            raise ValueError(
                f"flood_below={self.flood_below}: expected at most {self.flood_above + 1}, or a flood ends as it begins"
            )


@unique
class ActedOn(IntEnum):
    """Whether somebody silenced, acknowledged, reset or cleared an alarm while it was active."""

    NO = 0
    MAYBE = 1
    YES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Activation:
    """One alarm became active within ``onset``, and returned to normal within ``end``, open above while it is active.

    ``onset`` is open below where it was active before anybody looked: then it is no activation of this time.
    ``is_whole``: it surely was active all the time.
    """

    alarm: str
    onset: Bounds
    end: Bounds
    is_whole: bool = True
    acted_on: ActedOn = ActedOn.NO

    @property
    def is_counted(self) -> bool:
        """Whether it began while somebody looked."""
        return not self.onset.is_open_below


@dataclass(frozen=True, slots=True, order=True)
class Number:
    """So many surely, and so many possibly."""

    surely: int
    possibly: int

    def __add__(self, other: Number) -> Number:
        return Number(self.surely + other.surely, self.possibly + other.possibly)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The activations of a half-open time [begin, end); ``is_observed``: no blind time is in it, and it is whole."""

    begin: int
    end: int
    number: Number
    is_observed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Most:
    """The most activations in any half-open window of a length. ``until``: the end of one that possibly has them."""

    number: Number
    until: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """A time in which there possibly was a flood, half-open, and the parts of it in which there surely was one.

    ``activations``: how many began in it, or just before and set it off. ``most``: how many floods it may have been,
    one after the other, where it may have ended in between.
    """

    begin: int
    end: int
    sure: tuple[tuple[int, int], ...]
    activations: Number
    most: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Contributor:
    """One alarm: its activations, and the most of them in the time in which an alarm chatters."""

    alarm: str
    number: Number
    most: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What is to say of one unbroken record. Instants in ns of its clock; times in ns.

    ``observed_ns``: without blind times; ``seen``: how many activations began in it, and not in a blind time, of which
    some are only known by what was on behind it. ``flood_ns``: surely and possibly in a flood, blind times left out.
    ``fleeting_acted_on``: what was as short as a fleeting alarm, but somebody acted on it meanwhile; so it is none.
    ``fleeting_unfinished``: so many were active at the end, and not for longer than that yet. ``standing``: alarms that
    were active before anybody looked.
    """

    span: Bounds
    observed_ns: int
    total: Number
    seen: Number
    windows: tuple[Window, ...]
    most: Most
    floods: tuple[Flood, ...]
    flood_ns: tuple[int, int]
    contributors: tuple[Contributor, ...]
    chattering: tuple[Contributor, ...]
    fleeting: Number
    fleeting_acted_on: Number
    fleeting_unfinished: int
    stale: Mapping[str, Number]
    standing: tuple[str, ...]


def rates_of(activations: Sequence[Activation], span: Bounds, blind: Iterable[Bounds], limits: RateLimits) -> Rates:
    """The rates of one record. ``blind``: when not all that is counted was observed; in any order, they may overlap."""
    counted = [it for it in activations if it.is_counted]
    gaps = joined(it for one in blind if (it := one.meet(span)) is not None)
    floods = tuple(_floods([it.onset for it in counted], span, limits))
    contributors = _contributors(counted, span, limits)
    return Rates(
        span=span,
        observed_ns=span.width - sum(hi - lo for lo, hi in gaps),
        total=_within([it.onset for it in counted], span.lo, span.hi + 1),
        seen=_sum(_seen(it.onset, span, gaps) for it in counted),
        windows=tuple(fixed_windows([it.onset for it in counted], span, gaps, limits.window_ns)),
        most=most_within([it.onset for it in counted], limits.window_ns),
        floods=floods,
        flood_ns=(
            length_without((part for it in floods for part in it.sure), gaps),
            length_without(((it.begin, it.end) for it in floods), gaps),
        ),
        contributors=contributors,
        chattering=tuple(it for it in contributors if it.most.possibly >= limits.chatter_least),
        fleeting=_sum(is_fleeting(it, limits) for it in counted),
        fleeting_acted_on=_sum(_is_acted_on(it, limits) for it in counted),
        fleeting_unfinished=sum(it.end.is_open_above and span.hi - it.onset.hi <= limits.fleeting_ns for it in counted),
        stale=_stale(activations, span, limits),
        standing=tuple(dict.fromkeys(it.alarm for it in activations if not it.is_counted)),
    )


# --- windows --------------------------------------------------------------------------------------


def fixed_windows(onsets: Sequence[Bounds], span: Bounds, gaps: Sequence[Span], window_ns: int) -> Iterator[Window]:
    """One half-open window after the other from the beginning of the span; the last one may be cut off by its end."""
    begins = range(span.lo, max(span.hi, span.lo + 1), window_ns)
    surely = [0] * len(begins)
    possibly = [0] * len(begins)
    for onset in onsets:
        first, last = ((instant - span.lo) // window_ns for instant in (onset.lo, onset.hi))
        if first == last and 0 <= first < len(begins):
            surely[first] += 1
        for number in range(max(first, 0), min(last, len(begins) - 1) + 1):
            possibly[number] += 1
    for number, begin in enumerate(begins):
        end = begin + window_ns
        is_observed = end <= span.hi and is_free((begin, end), gaps)
        yield Window(begin=begin, end=end, number=Number(surely[number], possibly[number]), is_observed=is_observed)


def most_within(onsets: Iterable[Bounds], window_ns: int) -> Most:
    """The most in any half-open window, wherever it begins. With the lower number some window surely has as many."""
    surely = possibly = until = 0
    for instant, number in _running(onsets, window_ns):
        surely = max(surely, number.surely)
        if number.possibly > possibly:
            possibly, until = number.possibly, instant
    return Most(number=Number(surely, possibly), until=until)


def _running(onsets: Iterable[Bounds], window_ns: int) -> Iterator[tuple[int, Number]]:
    """(instant from which on it holds, number in the last ``window_ns``), wherever one of the two sums changes."""
    changes: list[tuple[int, int, int]] = []
    for onset in onsets:
        changes += [(onset.lo, 0, 1), (onset.hi + window_ns, 0, -1)]
        if onset.width < window_ns:
            changes += [(onset.hi, 1, 0), (onset.lo + window_ns, -1, 0)]
    surely = possibly = 0
    for instant, together in groupby(sorted(changes), key=lambda it: it[0]):
        for _, sure, possible in together:
            surely, possibly = surely + sure, possibly + possible
        yield instant, Number(surely, possibly)


def _within(onsets: Iterable[Bounds], begin: int, end: int) -> Number:
    """How many lie in [begin, end)."""
    return _sum(Number(int(begin <= it.lo and it.hi < end), int(it.lo < end and it.hi >= begin)) for it in onsets)


def _seen(onset: Bounds, span: Bounds, gaps: Sequence[Span]) -> Number:
    """Whether it began in the span, and not in a gap."""
    in_span = _within([onset], span.lo, span.hi + 1)
    return Number(in_span.surely * is_free((onset.lo, onset.hi + 1), gaps), in_span.possibly)


# --- floods ---------------------------------------------------------------------------------------


def _floods(onsets: Sequence[Bounds], span: Bounds, limits: RateLimits) -> Iterator[Flood]:
    running = list(_running(onsets, limits.window_ns))
    sure = list(_in_flood([(instant, number.surely) for instant, number in running], span, limits))
    for begin, end in _in_flood([(instant, number.possibly) for instant, number in running], span, limits):
        mine = [it for it in onsets if it.lo < end and it.hi > begin - limits.window_ns]
        yield Flood(
            begin=begin,
            end=end,
            sure=tuple(it for it in sure if it[0] >= begin and it[1] <= end),
            activations=_within(mine, begin - limits.window_ns + 1, end),
            most=1 + _begun_anew(running, mine, (begin, end), limits),
        )


def _begun_anew(
    running: Sequence[tuple[int, Number]], mine: Sequence[Bounds], flood: tuple[int, int], limits: RateLimits
) -> int:
    """How often at the most a flood may have ended and begun anew where there may have been one throughout.

    It can end only where the lower sum is below one limit, and once where the upper one is not above the other. Each
    time so many activations have to leave the window first, and as many to come in after it.
    """
    anew = limits.flood_above - limits.flood_below + 2
    first, last = sorted(it.lo for it in mine), sorted(it.hi for it in mine)
    spare = max(0, len(mine) - limits.flood_above - 1) // anew
    found = 0
    for begin, end, may_begin in _low_times(running, flood, limits):
        left, coming = bisect_left(first, end - limits.window_ns), len(last) - bisect_left(last, begin)
        times = min(left, coming) // anew
        found += times if may_begin else min(1, times)
    return min(spare, found)


def _low_times(
    running: Sequence[tuple[int, Number]], flood: tuple[int, int], limits: RateLimits
) -> Iterator[tuple[int, int, bool]]:
    """The times of a flood in which it may have ended, and whether one may have begun in them."""
    begin, end = flood
    at = bisect_left(running, begin, key=lambda it: it[0])
    until = bisect_left(running, end, key=lambda it: it[0])
    ends = [*(instant for instant, _ in running[at + 1 : until]), end]
    parts = ((*it, until_) for it, until_ in zip(running[at:until], ends, strict=True))
    for is_low, together in groupby(parts, key=lambda it: it[1].surely < limits.flood_below):
        mine = list(together)
        if is_low:
            yield mine[0][0], mine[-1][2], any(number.possibly > limits.flood_above for _, number, _ in mine)


def _in_flood(running: Iterable[tuple[int, int]], span: Bounds, limits: RateLimits) -> Iterator[tuple[int, int]]:
    """The half-open times in a flood, up to the end of the span."""
    since: int | None = None
    for instant, number in running:
        if since is None and number > limits.flood_above:
            since = instant
        elif since is not None and number < limits.flood_below:
            if since < span.hi:
                yield since, min(instant, span.hi)
            since = None
    if since is not None and since < span.hi:
        yield since, span.hi


# --- single alarms --------------------------------------------------------------------------------


def _contributors(counted: Iterable[Activation], span: Bounds, limits: RateLimits) -> tuple[Contributor, ...]:
    """Every alarm that became active, the most frequent first."""
    by_alarm: dict[str, list[Bounds]] = defaultdict(list)
    for it in counted:
        by_alarm[it.alarm].append(it.onset)
    found = [
        Contributor(
            alarm=alarm,
            number=_within(onsets, span.lo, span.hi + 1),
            most=most_within(onsets, limits.chatter_ns).number,
        )
        for alarm, onsets in by_alarm.items()
    ]
    return tuple(sorted(found, key=lambda it: (-it.number.possibly, -it.number.surely, it.alarm)))


def is_fleeting(it: Activation, limits: RateLimits) -> Number:
    """Whether it cleared by itself in no more than the time of a fleeting alarm."""
    short = _is_short(it, limits)
    return Number(short.surely * (it.acted_on is ActedOn.NO), short.possibly * (it.acted_on is not ActedOn.YES))


def _is_acted_on(it: Activation, limits: RateLimits) -> Number:
    """Whether it was as short as a fleeting alarm, and somebody acted on it before it ended."""
    short = _is_short(it, limits)
    return Number(short.surely * (it.acted_on is ActedOn.YES), short.possibly * (it.acted_on is not ActedOn.NO))


def _is_short(it: Activation, limits: RateLimits) -> Number:
    if it.end.is_open_above:
        return Number(0, 0)
    active = elapsed(it.onset, it.end)
    return Number(int(active.hi <= limits.fleeting_ns), int(active.lo <= limits.fleeting_ns))


def is_stale(it: Activation, until: int, limits: RateLimits) -> Number:
    """Whether it was active for longer than the time of a stale alarm, as far as anybody looked.

    What was active before anybody looked may have been for ever; what may have been off unseen may not be stale.
    """
    ended = Bounds(min(it.end.lo, until), min(it.end.hi, until))
    active = elapsed(it.onset, ended)
    return Number(int(active.lo > limits.stale_ns and it.is_whole), int(active.hi > limits.stale_ns))


def _stale(activations: Iterable[Activation], span: Bounds, limits: RateLimits) -> dict[str, Number]:
    """By alarm, its stale activations; only alarms that possibly have one."""
    found: dict[str, Number] = {}
    for it in activations:
        number = is_stale(it, span.hi, limits)
        if number.possibly:
            found[it.alarm] = found.get(it.alarm, Number(0, 0)) + number
    return found


def _sum(numbers: Iterable[Number]) -> Number:
    surely = possibly = 0
    for it in numbers:
        surely, possibly = surely + it.surely, possibly + it.possibly
    return Number(surely, possibly)
