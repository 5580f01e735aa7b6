"""Printed lines that cannot be told apart: each pattern is tried on lines made from every other of its link."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from harness.core.errors import Origin
from harness.core.model import Point, Site
from harness.core.places import TextPlace
from harness.site.fields import PATTERN_NAMES
from harness.site.forms import Form
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
    _printed_times(site, problems)
    by_link: dict[str, list[_Line]] = {}
    for point in site.points.values():
        if isinstance(point.place, TextPlace):
            by_link.setdefault(point.link, []).extend(_lines(point, point.place))
    for lines in by_link.values():
        _clashes(lines, site, ambiguous, form, problems)


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


def _printed_times(site: Site, problems: Problems) -> None:
    for point in site.points.values():
        place = point.place
        if isinstance(place, TextPlace) and place.printed_time is not None and "(?P<time>" not in place.raised:
            text = f"printed time={shown(place.printed_time)}: raised has no group (?P<time>...)"
            problems.error(point.origin, "printed-time", text, "write (?P<time>...) around the time")


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


def _clashes(lines: list[_Line], site: Site, ambiguous: set[str], form: Form, problems: Problems) -> None:
    told: set[tuple[str, str]] = set()
    for line in lines:
        for other in lines:
            if other is line or (other.point.name, line.point.name) in told:
                continue
            own = other.point is line.point
            hit = next((example for example in other.lines if line.matches(example)), None)
            if hit is None or (not own and _alarm(line) in ambiguous and _alarm(other) in ambiguous):
                continue
            told.add((line.point.name, other.point.name))
            origin, found = _where(line, site, form)
            whose = "the same point" if own else f"{other.point.name} ({_where(other, site, form)[0]})"
            text = f"{found}: it also matches a line that {other.event} of {whose} matches: {shown(hit)}"
            problems.error(origin, "pattern-clash", text, "make the pattern narrower")


def _alarm(line: _Line) -> str:
    return line.point.name.partition(":")[2]


def _where(line: _Line, site: Site, form: Form) -> tuple[Origin, str]:
    """The line of the user's file to look at: the row's pattern, else the alarm's text that fills the link's."""
    alarm_form = form.forms("alarms").get(_alarm(line))
    if alarm_form is not None and alarm_form.has("text") and form.forms("links")[line.point.link].has(line.event):
        return alarm_form.at("text"), f"text={shown(alarm_form.text('text'))}"
    return line.point.origin, f"{line.event}={shown(line.pattern)}"
