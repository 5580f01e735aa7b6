"""Printed lines that cannot be told apart: each pattern is tried on lines made from every other of its link."""

from __future__ import annotations

import datetime as dt
import re
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

from harness.core.errors import Origin
from harness.core.model import Point, Site
from harness.core.places import TextPlace
from harness.site.forms import Form
from harness.site.link_fields import PATTERN_NAMES
from harness.site.names import plain, shown
from harness.site.patterns import examples, longest_literal
from harness.site.problems import Problems


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One pattern of one point, ready to be tried."""

    point: Point
    event: str
    pattern: str
    literal: str
    lines: tuple[str, ...]

    def matches(self, line: str) -> bool:
        return self.literal in line and re.fullmatch(self.pattern, line) is not None


def check_texts(site: Site, form: Form, problems: Problems) -> None:
    """Same texts of two alarms, printed times that no pattern gives, and patterns that match another's lines."""
    ambiguous = set(_same_texts(form, problems))
    _printed_times(site, form, problems)
    by_link: dict[str, list[_Line]] = {}
    for point in site.points.values():
        if isinstance(point.place, TextPlace):
            by_link.setdefault(point.link, []).extend(_lines(point, point.place))
    for lines in by_link.values():
        _clashes(lines, ambiguous, form, problems)


def _same_texts(form: Form, problems: Problems) -> Iterator[str]:
    seen: dict[str, Form] = {}
    for name, alarm_form in form.forms("alarms").items():
        text = alarm_form.text("text")
        if not text:
            continue
        first = seen.setdefault(plain(text), alarm_form)
        if first is not alarm_form:
            yield name
            yield first.name
            found = f"text={shown(text)}: alarm {first.name} has the same text ({first.at('text')})"
            problems.error(alarm_form.at("text"), "same-text", found, "printed lines cannot tell them apart; mend one")


def _printed_times(site: Site, form: Form, problems: Problems) -> None:
    for point in site.points.values():
        place = point.place
        if not isinstance(place, TextPlace) or place.printed_time is None:
            continue
        link_form = form.forms("links")[point.link]
        is_links = link_form.text("printed time") == place.printed_time
        origin = link_form.at("printed time") if is_links else point.origin
        found = f"printed time={shown(place.printed_time)}"
        if "(?P<time>" not in place.raised:
            remedy = "write (?P<time>...) around the time"
            problems.error(origin, "printed-time", f"{found}: raised has no group (?P<time>...)", remedy)
        elif not _is_time_format(place.printed_time):
            remedy = "for example %d-%m-%Y %H:%M:%S"
            problems.error(origin, "printed-time", f"{found}: expected a format as strptime reads it", remedy)


def _is_time_format(text: str) -> bool:
    """True where a time written in this format can be read again."""
    if not re.fullmatch(r"(?:[^%]|%[A-Za-z%])+", text):
        return False
    at = dt.datetime(2024, 12, 31, 23, 59, 58, tzinfo=dt.UTC)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a printed time without a year is what printers print
        try:
            return "%" in text and time.strptime(at.strftime(text), text) is not None
        except (ValueError, re.error):  # strptime makes a pattern of it, in which each directive may occur once
            return False


def _lines(point: Point, place: TextPlace) -> Iterator[_Line]:
    for event in PATTERN_NAMES:
        pattern = getattr(place, event)
        if pattern is not None:
            yield _Line(
                point=point,
                event=event,
                pattern=pattern,
                literal=longest_literal(pattern),
                lines=examples(pattern),
            )


def _clashes(lines: list[_Line], ambiguous: set[str], form: Form, problems: Problems) -> None:
    told: set[tuple[str, str]] = set()
    for other in lines:
        for line, hit in _hits(other, lines):
            own = other.point is line.point
            pair, reverse = (line.point.name, other.point.name), (other.point.name, line.point.name)
            if pair in told or reverse in told:
                continue
            if not own and _alarm(line) in ambiguous and _alarm(other) in ambiguous:
                continue
            told.add(pair)
            if own:
                _own_clash(line, other, form, problems)
                continue
            origin, found = _where(line, form)
            text = f"{found}: it also matches a line that {other.event} of {other.point.name} "
            text += f"({_where(other, form)[0]}) matches: {shown(hit)}"
            problems.error(origin, "pattern-clash", text, "make the pattern narrower")


def _own_clash(line: _Line, other: _Line, form: Form, problems: Problems) -> None:
    """Two patterns of one point match one line; said once where they come from the link."""
    link_form = form.forms("links")[line.point.link]
    first, second = sorted((line, other), key=lambda item: PATTERN_NAMES.index(item.event))
    is_links = link_form.has(second.event) and "{text}" in link_form.text(second.event)
    origin = link_form.at(second.event) if is_links else second.point.origin
    written = link_form.text(second.event) if is_links else second.pattern
    text = f"{second.event}={shown(written)}: there are lines that both this and {first.event} match"
    problems.error(origin, "pattern-clash", text, "make the pattern narrower")


def _hits(other: _Line, lines: list[_Line]) -> Iterator[tuple[_Line, str]]:
    """The patterns that match a line made from another one, with that line."""
    for example in other.lines:
        for line in [line for line in lines if line.literal in example]:
            if line is not other and line.matches(example):
                yield line, example


def _alarm(line: _Line) -> str:
    return line.point.name.partition(":")[2]


def _where(line: _Line, form: Form) -> tuple[Origin, str]:
    """The line of the user's file to look at: the row's pattern, else the alarm's text that fills the link's."""
    alarm_form = form.forms("alarms").get(_alarm(line))
    if alarm_form is not None and alarm_form.has("text") and form.forms("links")[line.point.link].has(line.event):
        return alarm_form.at("text"), f"text={shown(alarm_form.text('text'))}"
    return line.point.origin, f"{line.event}={shown(line.pattern)}"
