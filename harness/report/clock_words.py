"""Offsets, drifts and settings of foreign clocks as people read them; rounded outwards."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from harness.core.durations import bounds, decimal, measured
from harness.core.instants import FOREVER, NS_PER_S, Bounds
from harness.measure.clock_line import ClockLines
from harness.measure.clock_steps import ClockHistory, ClockSet
from harness.report import human
from harness.report.clock_document import ClocksDocument, ClockTold

PPM: Final = 1_000_000
DAY_S: Final = 86_400
_PLAIN_BELOW_NS: Final = 600 * NS_PER_S
"""Longer offsets are told in hours, minutes and seconds."""


def clock_at(at_ns: int, utc_offset_s: int) -> str:
    return human.clock(at_ns, utc_offset_s)[:8]


def day_at(at_ns: int, document: ClocksDocument) -> str:
    """``2026-11-24`` where the records reach over a day or more, so that a time alone would not say which; else ''."""
    is_long = document.span.width >= DAY_S * NS_PER_S
    return human.local(at_ns, document.utc_offset_s).split(" ", 1)[0] if is_long else ""


def _moment(at_ns: int, document: ClocksDocument) -> str:
    return f"{day_at(at_ns, document)} {clock_at(at_ns, document.utc_offset_s)}".lstrip()


def offset_words(offset: Bounds) -> str:
    """``3.41 to 3.97 s ahead``, ``0.2 s behind to 1.3 s ahead``, ``at most 4 s behind``; rounded outwards."""
    if offset.is_open_below and offset.is_open_above:
        return "cannot be told"
    if offset.is_open_above:
        return f"{_at_least(offset.lo)} ahead" if offset.lo >= 0 else f"at most {_size(-offset.lo)} behind"
    if offset.is_open_below:
        return f"at most {_size(offset.hi)} ahead" if offset.hi >= 0 else f"{_at_least(-offset.hi)} behind"
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


def _at_least(ns: int) -> str:
    """A lower end alone; rounded down."""
    return bounds(Bounds(ns, FOREVER)) if ns < _PLAIN_BELOW_NS else f"at least {_long(ns // NS_PER_S)}"


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
        return f"at least {tenths(low * PPM, up=False)} ppm ({tenths(low * DAY_S, up=False)} s a day)"
    if above:
        return f"at most {tenths(high * PPM, up=True)} ppm ({tenths(high * DAY_S, up=True)} s a day)"
    return f"cannot be told; taken to be within {tenths(rate_max * PPM, up=True)} ppm either way"


def _ends(low: Fraction, high: Fraction, scale: int) -> str:
    return f"{tenths(low * scale, up=False)} to {tenths(high * scale, up=True)}"


def tenths(value: Fraction, *, up: bool) -> str:
    """One decimal, rounded down or up; none from 100 on."""
    text = decimal(value.numerator, value.denominator, 0 if abs(value) >= 100 else 1, up=up)
    return text.removesuffix(".0") if text.strip("-") != "0.0" else "0"


def set_words(one: ClockSet, document: ClocksDocument) -> str:
    """``ahead by 16.7 to 18.4 s, between 13:02:11 and 13:05:41``."""
    begin, end = (_moment(instant, document) for instant in (one.at.lo, one.at.hi + NS_PER_S))
    when = f"before {end}" if one.at.is_open_below else f"between {begin} and {end}"
    by, hour = one.by, ", an hour" if one.is_hour else ""
    if by.lo >= 0:
        return f"ahead by {_at_least(by.lo) if by.is_open_above else _sizes(by)}{hour}, {when}"
    if by.hi <= 0 and not by.is_open_below:
        return f"back by {_sizes(Bounds(-by.hi, -by.lo))}{hour}, {when}"
    return f"by an amount that cannot be told, {when}"


def clock_sentences(document: ClocksDocument) -> tuple[str, ...]:
    """One sentence for each clock of which something is known, for a report."""
    return tuple(_sentence(it, it.history, document) for it in document.clocks if it.history is not None)


def _sentence(clock: ClockTold, history: ClockHistory, document: ClocksDocument) -> str:
    kinds = ", ".join(f"{human.count(it.count, 'time')}: {it.name}" for it in clock.kinds)
    parts = []
    for number, stretch in enumerate(history.stretches):
        if number:
            parts.append(f"it was set {set_words(history.settings[number - 1], document)}")
        if stretch.lines is not None:
            ends = dict.fromkeys((stretch.first, stretch.last))
            parts += [f"{offset_words(stretch.offset_at(it))} at {_moment(it, document)}" for it in ends]
            if any(stretch.lines.is_bounded):
                parts.append(f"drift {drift_words(stretch.lines, document.rate_max)}")
    return f"{clock.link} ({kinds}), taken as set to {document.set_to}: {'; '.join(parts)}"
