"""Foreign clocks against ours, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from harness.core.durations import duration, measured
from harness.core.instants import NS_PER_S, Bounds
from harness.measure.clock_limit import Within
from harness.measure.clock_steps import ClockHistory, ClockStretch
from harness.report import human
from harness.report.clock_document import ASKED, ClockKind, ClocksDocument, ClockTold
from harness.report.clock_words import PPM, clock_at, day_at, drift_words, offset_words, set_words, tenths
from harness.report.columns import Terminal

_LABEL: Final = 16
ZONES_FROM_NS: Final = 900 * NS_PER_S
ZONE_WITHIN_NS: Final = 300 * NS_PER_S
"""Time zones differ by quarters of an hour; a clock that is so near to one may be set to another zone."""


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
        lines += ["", *to.wrapped(_none_told(it), hang=4)]
    return lines


def _none_told(document: ClocksDocument) -> str:
    """Why no clock is told of."""
    if document.link:
        others = f"; {', '.join(document.others)} {'does' if len(document.others) == 1 else 'do'}"
        return f"{document.link} tells of no foreign clock here{others if document.others else ''}"
    return "no link tells of a foreign clock here: no printed time, no time stamp of an event, no time in a message"


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
        why = ""
        if clock.within is Within.UNTOLD and document.own_error_ns is None:
            why = "; how far the testing machine's own clock was off is not known: say it with --own-error"
        elif clock.within is Within.UNTOLD and any(it.one_sided for it in clock.kinds):
            why = "; a time that may have waited leaves open how far behind the clock was then"
        yield word, f"{clock.within.value}: limit {duration(document.within_ns)}{taken}{why}"


def _stretch_facts(stretch: ClockStretch, document: ClocksDocument) -> Iterator[tuple[str, str]]:
    if stretch.lines is None:
        yield "offset", "cannot be told: nothing was certainly read in between"
        return
    for at_ns in dict.fromkeys((stretch.first, stretch.last)):
        day = day_at(at_ns, document)
        told = offset_words(stretch.offset_at(at_ns))
        yield f"at {clock_at(at_ns, document.utc_offset_s)}", f"{told}, {day}" if day else told
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
    if clock.late:
        many = human.count(clock.late, "event came", "events came")
        yield (
            f"{many} later than was declared, by what the clock showed when it was asked: kept until they were "
            "confirmed, unless the clock was set away and back in between; they say one side only"
        )
    if clock.undated:
        yield "its times say no day: a clock that is off by whole days more or less would look the same"
    if history.unexplained:
        many = human.count(len(history.unexplained), "time fits", "times fit")
        yield f"{many} neither side of a setting: told later than was declared, or the clock was set oftener there"
    directions = {it.by.lo > 0 for it in history.settings if it.by.lo > 0 or it.by.hi < 0}
    if len(history.settings) > 1 and len(directions) == 1:
        limit = tenths(document.rate_max * PPM, up=True)
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
