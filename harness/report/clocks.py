"""Foreign clocks against ours, as lines for a terminal and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from harness.core.durations import bounds, decimal, duration, measured
from harness.core.instants import NS_PER_S, Bounds
from harness.measure.clock_limit import Within
from harness.measure.clock_line import ClockLines
from harness.measure.clock_steps import ClockHistory, ClockSet, ClockStretch
from harness.report import human
from harness.report.columns import Terminal

SCHEMA: Final = "farend-clocks/1"

PRINTED: Final = "printed times"
STAMPED: Final = "event time stamps"
PUBLISHED: Final = "times in messages"
ASKED: Final = "its clock when asked"
"""How the times of a clock were told."""

PPM: Final = 1_000_000
DAY_S: Final = 86_400
_LABEL: Final = 16
_PLAIN_BELOW_NS: Final = 600 * NS_PER_S
"""Longer offsets are told in hours, minutes and seconds."""

ZONES_FROM_NS: Final = 900 * NS_PER_S
ZONE_WITHIN_NS: Final = 300 * NS_PER_S
"""Time zones differ by quarters of an hour; a clock that is so near to one may be set to another zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockKind:
    """Times of a clock that were told in one way. ``step_ns``: the step in which they are written.

    ``widest_ns``: how exactly the least exact one tells the offset by itself, None where none does from both sides;
    ``one_sided``: how many do not.
    """

    name: str
    count: int
    step_ns: int
    widest_ns: int | None
    one_sided: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTold:
    """One foreign clock. ``history`` is None where no time of it could be used.

    ``unread``: times that cannot be read; ``twice``: times in an
    hour that comes twice, not used; ``again``: messages that came again; ``numbered``: sequence numbers in place of
    times; ``undated``: times without a day, taken as of the nearest one.
    """

    link: str
    kinds: Sequence[ClockKind]
    history: ClockHistory | None
    longest_delay_ns: int | None
    unread: int = 0
    twice: int = 0
    again: int = 0
    numbered: int = 0
    undated: int = 0
    within: Within | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClocksDocument:
    """What is told. Instants are UTC by the testing machine, in ns since 1970.

    ``set_to``: what local times are taken as; ``own``: how far the machine's own clock can be trusted, in words;
    ``within_ns``: the limit that was asked about, None where none was.
    """

    site: str
    records: Sequence[str]
    span: Bounds
    utc_offset_s: int
    set_to: str
    has_zone: bool
    own: Sequence[str]
    own_error_ns: int | None
    rate_max: Fraction
    within_ns: int | None = None
    clocks: Sequence[ClockTold] = ()


def clocks_lines(document: ClocksDocument, to: Terminal, *, every_one: bool = False) -> list[str]:
    """All clocks, with ``every_one`` each of their times too; lines of at most the terminal's width."""
    it = document
    lines = to.wrapped(
        f"clocks of {it.site}: {', '.join(it.records)}, from {human.local(it.span.lo, it.utc_offset_s)}, "
        f"{measured(it.span.width)}",
        hang=4,
    )
    for text in it.own:
        lines += to.wrapped(text, hang=4)
    lines += to.wrapped(f"their times are taken as {it.set_to}", hang=4)
    for clock in it.clocks:
        lines += ["", *_clock_lines(it, clock, to)]
        if every_one and clock.history is not None:
            lines += _each(it, clock.history, to)
    if not it.clocks:
        lines += ["", *to.wrapped("no link tells of a foreign clock: no pattern has a group (?P<time>...)", hang=4)]
    return lines


def _clock_lines(document: ClocksDocument, clock: ClockTold, to: Terminal) -> list[str]:
    history = clock.history
    used = 0 if history is None else len(history.readings)
    lines = to.wrapped(f"{clock.link}: {human.count(used, 'time')}", hang=4)
    for label, text in _facts(document, clock):
        first = 2 if label else _LABEL + 2
        lines += to.wrapped(f"{label:<{_LABEL}}{text}" if label else text, first=first, hang=_LABEL + 2)
    return lines


def _facts(document: ClocksDocument, clock: ClockTold) -> Iterator[tuple[str, str]]:
    history = clock.history
    if history is not None:
        common = "none fits all of its times" if history.common is None else offset_words(history.common)
        yield "one offset", common
        for number, stretch in enumerate(history.stretches):
            if number:
                yield "was set", set_words(history.settings[number - 1], document)
            yield from _stretch_facts(stretch, document)
        for kind in clock.kinds:
            yield human.count(kind.count, "time"), _part_words(kind, clock.longest_delay_ns)
        for text in _remarks(document, clock, history):
            yield "", text
    left_out = [
        (clock.unread, "cannot be read"),
        (clock.twice, "of an hour that comes twice, not used"),
        (clock.again, "sent again, not used"),
        (clock.numbered, "a sequence number in place of a time"),
    ]
    told = [f"{number:,} {what}" for number, what in left_out if number]
    if told:
        yield "left out", "; ".join(told)
    if clock.within is not None and document.within_ns is not None:
        word = {Within.YES: "ok", Within.NO: "FAIL", Within.UNTOLD: "UNKNOWN"}[clock.within]
        taken = ", taken as set no oftener than its times need" if clock.within is Within.YES else ""
        yield word, f"{clock.within.value}: limit {duration(document.within_ns)}{taken}"


def _stretch_facts(stretch: ClockStretch, document: ClocksDocument) -> Iterator[tuple[str, str]]:
    if stretch.lines is None:
        yield "offset", "cannot be told: nothing was certainly read in between"
        return
    offset_s = document.utc_offset_s
    yield f"at {_clock(stretch.first, offset_s)}", offset_words(stretch.offset_at(stretch.first))
    if stretch.last > stretch.first:
        yield f"at {_clock(stretch.last, offset_s)}", offset_words(stretch.offset_at(stretch.last))
    yield "drift", drift_words(stretch.lines, document.rate_max)


def _part_words(kind: ClockKind, delay_ns: int | None) -> str:
    """What one time alone tells, and what of it is the step in which it is written."""
    step = f"{kind.name}, in steps of {duration(kind.step_ns)}, cut or rounded"
    if kind.widest_ns is None:
        why = "they may have waited" if delay_ns is not None else "declare the longest delay of the link"
        return f"{step}; they say only how far it is behind at most: {why}"
    own = f"{measured(kind.step_ns + kind.step_ns // 2)} of the {measured(kind.widest_ns)} to which one alone tells it"
    told = f"longest delay {duration(delay_ns)}, as declared" if delay_ns is not None else "no longest delay declared"
    way = "; the rest is the way there and back" if kind.name == ASKED else f"; {told}"
    more = f"; {kind.one_sided:,} may have waited and say one side only" if kind.one_sided else ""
    return f"{step}, which is {own}{way}{more}"


def _remarks(document: ClocksDocument, clock: ClockTold, history: ClockHistory) -> Iterator[str]:
    if any(it.name != ASKED for it in clock.kinds) and any(it.by.lo < 0 for it in history.settings):
        yield "times that came later than the longest delay would look as if the clock had been set back"
    if clock.undated:
        yield "its times say no day: a clock that is off by whole days more or less would look the same"
    if history.unexplained:
        many = human.count(len(history.unexplained), "time fits", "times fit")
        yield f"{many} neither side of a setting: told later than was declared, or the clock was set oftener there"
    directions = {it.by.lo > 0 for it in history.settings if it.by.lo > 0 or it.by.hi < 0}
    if len(history.settings) > 1 and len(directions) == 1:
        limit = _tenths(document.rate_max * PPM, up=True)
        yield f"a clock that drifts by more than {limit} ppm would look as if it had been set so often (--drift-max)"
    for one in history.settings:
        if one.is_hour and not document.has_zone:
            yield "a change to or from daylight-saving time explains the hour; name the time zone (--time-zone)"
            return
    for stretch in history.stretches:
        zone = _other_zone(stretch)
        if zone:
            yield zone
            break


def _other_zone(stretch: ClockStretch) -> str:
    """What other time zone a clock may be set to; '' where the offset is no such thing."""
    if stretch.lines is None:
        return ""
    offset = stretch.offset_at(stretch.first)
    if offset.is_open_below or offset.is_open_above:
        return ""
    middle = (offset.lo + offset.hi) // 2
    nearest = (middle + ZONES_FROM_NS // 2) // ZONES_FROM_NS * ZONES_FROM_NS
    if abs(nearest) < 2 * ZONES_FROM_NS or abs(middle - nearest) > ZONE_WITHIN_NS:
        return ""
    return (
        f"near {offset_words(Bounds.exactly(nearest))}: set to another time zone, or to daylight-saving time? say what "
        "it is set to (--utc-offset, --time-zone)"
    )


def _each(document: ClocksDocument, history: ClockHistory, to: Terminal) -> list[str]:
    lines = []
    for it in history.readings:
        text = f"told {human.local(it.at.hi, document.utc_offset_s)}: {offset_words(it.offset)}"
        lines += to.wrapped(text, first=4, hang=8)
    return lines


def _clock(at_ns: int, utc_offset_s: int) -> str:
    return human.clock(at_ns, utc_offset_s)[:8]


def offset_words(offset: Bounds) -> str:
    """``3.41 to 3.97 s ahead``, ``0.2 s behind to 1.3 s ahead``, ``at most 4 s behind``; rounded outwards."""
    if offset.is_open_below and offset.is_open_above:
        return "cannot be told"
    if offset.is_open_above:
        return f"at least {_size(offset.lo)} ahead" if offset.lo >= 0 else f"at most {_size(-offset.lo)} behind"
    if offset.is_open_below:
        return f"at most {_size(offset.hi)} ahead" if offset.hi >= 0 else f"at least {_size(-offset.hi)} behind"
    if offset.lo >= 0:
        return f"{_sizes(offset)} ahead"
    if offset.hi <= 0:
        return f"{_sizes(Bounds(-offset.hi, -offset.lo))} behind"
    return f"{_size(-offset.lo)} behind to {_size(offset.hi)} ahead"


def _sizes(size: Bounds) -> str:
    if size.hi < _PLAIN_BELOW_NS:
        return bounds(size)
    low, high = _long(size.lo // NS_PER_S), _long(-(-size.hi // NS_PER_S))
    return low if low == high else f"{low} to {high}"


def _size(ns: int) -> str:
    """One end; rounded up."""
    return measured(ns) if ns < _PLAIN_BELOW_NS else _long(-(-ns // NS_PER_S))


def _long(seconds: int) -> str:
    hours, minutes, rest = seconds // 3600, seconds % 3600 // 60, seconds % 60
    return f"{hours} h {minutes} min {rest} s" if hours else f"{minutes} min {rest} s"


def drift_words(lines: ClockLines, rate_max: Fraction) -> str:
    """``-120 to 310 ppm (-10.4 to 26.8 s a day)``, rounded outwards; what only the limit bounds is not told."""
    low, high = lines.rate
    below, above = lines.is_bounded
    if below and above:
        return f"{_ends(low, high, PPM)} ppm ({_ends(low, high, DAY_S)} s a day)"
    if below:
        return f"at least {_tenths(low * PPM, up=False)} ppm ({_tenths(low * DAY_S, up=False)} s a day)"
    if above:
        return f"at most {_tenths(high * PPM, up=True)} ppm ({_tenths(high * DAY_S, up=True)} s a day)"
    return f"cannot be told; taken to be within {_tenths(rate_max * PPM, up=True)} ppm either way"


def _ends(low: Fraction, high: Fraction, scale: int) -> str:
    return f"{_tenths(low * scale, up=False)} to {_tenths(high * scale, up=True)}"


def _tenths(value: Fraction, *, up: bool) -> str:
    """One decimal, rounded down or up; none from 100 on."""
    text = decimal(value.numerator, value.denominator, 0 if abs(value) >= 100 else 1, up=up)
    return text.removesuffix(".0") if text.strip("-") != "0.0" else "0"


def set_words(one: ClockSet, document: ClocksDocument) -> str:
    """``ahead by 16.7 to 18.4 s, between 13:02:11 and 13:05:41``."""
    when = (
        f"between {_clock(one.at.lo, document.utc_offset_s)} and {_clock(one.at.hi + NS_PER_S, document.utc_offset_s)}"
    )
    if one.at.is_open_below:
        when = f"before {_clock(one.at.hi + NS_PER_S, document.utc_offset_s)}"
    by = one.by
    hour = ", an hour" if one.is_hour else ""
    if by.lo >= 0:
        return (
            f"ahead by {_sizes(by)}{hour}, {when}" if not by.is_open_above else f"ahead by {offset_words(by)}, {when}"
        )
    if by.hi <= 0 and not by.is_open_below:
        return f"back by {_sizes(Bounds(-by.hi, -by.lo))}{hour}, {when}"
    return f"by an amount that cannot be told, {when}"


def clock_sentences(document: ClocksDocument) -> tuple[str, ...]:
    """One sentence for each clock of which something is known, for a report."""
    return tuple(_sentence(it, it.history, document) for it in document.clocks if it.history is not None)


def _sentence(clock: ClockTold, history: ClockHistory, document: ClocksDocument) -> str:
    kinds = ", ".join(f"{it.count:,} times: {it.name}" for it in clock.kinds)
    parts = []
    for number, stretch in enumerate(history.stretches):
        if number:
            parts.append(f"it was set {set_words(history.settings[number - 1], document)}")
        if stretch.lines is not None:
            ends = dict.fromkeys((stretch.first, stretch.last))
            parts += [f"{offset_words(stretch.offset_at(it))} at {_clock(it, document.utc_offset_s)}" for it in ends]
            if any(stretch.lines.is_bounded):
                parts.append(f"drift {drift_words(stretch.lines, document.rate_max)}")
    return f"{clock.link} ({kinds}), taken as set to {document.set_to}: {'; '.join(parts)}"


def is_hour_ambiguous(history: ClockHistory, *, has_zone: bool) -> bool:
    """Whether an offset may be right after all, because nobody said when the zone goes to daylight-saving time."""
    return not has_zone and any(it.is_hour for it in history.settings)


# --- for programs -----------------------------------------------------------------------------------


def clocks_json(document: ClocksDocument) -> dict[str, Any]:
    """The same for programs; instants in ns since 1970 UTC, offsets in ns, positive where ahead; null: not bounded."""
    it = document
    return {
        "schema": SCHEMA,
        "site": it.site,
        "records": list(it.records),
        "set_to": it.set_to,
        "own_error_ns": it.own_error_ns,
        "drift_max_ppm": _plain(it.rate_max),
        "within_ns": it.within_ns,
        "clocks": [_clock_json(clock) for clock in it.clocks],
    }


def _clock_json(clock: ClockTold) -> dict[str, Any]:
    history = clock.history
    readings = () if history is None else history.readings
    return {
        "link": clock.link,
        "kinds": [
            {"name": it.name, "times": it.count, "step_ns": it.step_ns, "widest_ns": it.widest_ns} for it in clock.kinds
        ],
        "times": len(readings),
        "longest_delay_ns": clock.longest_delay_ns,
        "left_out": {
            "unread": clock.unread, "twice": clock.twice, "again": clock.again, "numbered": clock.numbered,
        },
        "undated": clock.undated,
        "within": None if clock.within is None else clock.within.value,
        "common_offset_ns": None if history is None or history.common is None else _pair(history.common),
        "stretches": [] if history is None else [_stretch_json(one) for one in history.stretches],
        "settings": [] if history is None else [
            {"at_ns": _pair(one.at), "by_ns": _pair(one.by), "daylight_saving": one.is_hour}
            for one in history.settings
        ],
        "unexplained": [] if history is None else [one.at.hi for one in history.unexplained],
        "readings": [{"told_ns": one.at.hi, "offset_ns": _pair(one.offset)} for one in readings],
    }  # fmt: skip


def _stretch_json(stretch: ClockStretch) -> dict[str, Any]:
    lines = stretch.lines
    if lines is None:
        return {"times": 0, "first_ns": None, "last_ns": None, "first_offset_ns": None, "last_offset_ns": None,
                "drift_ppm": [None, None]}  # fmt: skip
    ends = [_plain(rate) if told else None for rate, told in zip(lines.rate, lines.is_bounded, strict=True)]
    return {
        "times": stretch.count,
        "first_ns": stretch.first,
        "last_ns": stretch.last,
        "first_offset_ns": _pair(stretch.offset_at(stretch.first)),
        "last_offset_ns": _pair(stretch.offset_at(stretch.last)),
        "drift_ppm": ends,
    }


def _plain(rate: Fraction) -> float:
    return float(rate * PPM)


def _pair(one: Bounds) -> list[int | None]:
    return [None if one.is_open_below else one.lo, None if one.is_open_above else one.hi]
