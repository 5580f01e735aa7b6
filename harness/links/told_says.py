"""What was told and tells nothing: messages lost by their numbers, broken payloads, odd lines. Pure functions."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import LinkSpec, MqttLink, TextLink
from harness.core.model import Point
from harness.core.places import MqttPlace, TextPlace
from harness.core.unreadable import Unreadable
from harness.links.heard import heard_of
from harness.links.seen import Message
from harness.links.source import Source
from harness.links.text_lines import compile_place, decode_line
from harness.links.text_search import Lines

SHOWN_MAX: Final = 80
"""Characters of a line that are kept: enough to recognise it."""

_DIGITS: Final = re.compile(r"\d+")
_LOST: Final = re.compile(r"\d+ messages? lost: ")


def unreadable_of(source: Source, links: Mapping[str, LinkSpec], points: Iterable[Point]) -> Iterator[Unreadable]:
    """Everything of that kind in a record, link by link, in the order in which it came."""
    of_link: dict[str, list[Point]] = defaultdict(list)
    for it in points:
        of_link[it.link].append(it)
    for name, spec in links.items():
        if isinstance(spec, MqttLink):
            yield from _dropped(source, name, of_link[name])
        elif isinstance(spec, TextLink):
            yield from _odd_lines(heard_of(source).messages(name), name, spec, of_link[name])


def _dropped(source: Source, link: str, points: Sequence[Point]) -> Iterator[Unreadable]:
    """What the listener noted of the topics of points, as ``topic a/b: 1 message lost: …``."""
    for it in heard_of(source).dropped(link):
        for point in points:
            if isinstance(point.place, MqttPlace) and it.what.startswith(f"topic {point.place.topic}: "):
                what = it.what.removeprefix(f"topic {point.place.topic}: ")
                at = Bounds(it.at_ns, it.at_ns)
                yield Unreadable(link=link, at=at, what=what, point=point.name, is_lost=bool(_LOST.match(what)))


def _odd_lines(lines: Sequence[Message], link: str, spec: TextLink, points: Sequence[Point]) -> Iterator[Unreadable]:
    """Lines that fit no pattern and are like no other but for their numbers: what repeats is a heartbeat, or a header.

    A line of which only half came in runs into the next one.
    """
    texts = [decode_line(it.data, spec.encoding) for it in lines]
    searched = Lines(texts)
    fits: set[int] = set()
    for point in points:
        if isinstance(point.place, TextPlace):
            patterns = compile_place(point.place, spec.encoding)
            fits.update(at for at in searched.candidates(patterns)
                        if at not in fits and patterns.match(lines[at].data) is not None)  # fmt: skip
    others = [at for at in range(len(lines)) if at not in fits]
    shapes = Counter(_shape(texts[at]) for at in others)
    for at in others:
        if shapes[_shape(texts[at])] == 1:
            span = Bounds(lines[at].first_ns, lines[at].last_ns)
            yield Unreadable(link=link, at=span, what=f"a line that fits no pattern: {texts[at][:SHOWN_MAX]!r}")


def _shape(text: str) -> str:
    return _DIGITS.sub("0", text).strip()
