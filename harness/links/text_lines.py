"""Printed lines as messages about one point. Pure functions.

A pattern matches a line whole or not at all: a pattern that is part of another line must not take that one for its
own. Lines are no longer than the link's ``line_max_bytes``, and the site's check refuses patterns that could run
away; nothing else bounds the time of a match.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum, unique

from harness.core.places import TextPlace


@unique
class MessageKind(StrEnum):
    """What a line says of its alarm."""

    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What a line said. ``groups``: the named groups of the pattern that took part in the match."""

    kind: MessageKind
    groups: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacePatterns:
    """The patterns of one text place, compiled."""

    encoding: str
    patterns: tuple[tuple[MessageKind, re.Pattern[str]], ...]

    def match(self, data: bytes) -> Message | None:
        """The message that the line ``data`` is, or None. Where several patterns match, raised comes first."""
        text = decode_line(data, self.encoding)
        for kind, pattern in self.patterns:
            match = pattern.fullmatch(text)
            if match is not None:
                groups = {name: value for name, value in match.groupdict().items() if value is not None}
                return Message(kind=kind, groups=groups)
        return None


def compile_place(place: TextPlace, encoding: str = "ascii") -> PlacePatterns:
    """Compile a place for lines in ``encoding``. ValueError where a pattern is no regular expression."""
    written = (
        (MessageKind.RAISED, place.raised),
        (MessageKind.ACKNOWLEDGED, place.acknowledged),
        (MessageKind.CLEARED, place.cleared),
    )
    compiled = []
    for kind, pattern in written:
        if pattern is None:
            continue
        try:
            compiled.append((kind, re.compile(pattern)))
        except re.error as exc:
            raise ValueError(f"{kind}={pattern!r}: is no regular expression: {exc}") from exc
    return PlacePatterns(encoding=encoding, patterns=tuple(compiled))


def decode_line(data: bytes, encoding: str) -> str:
    """The line as text; bytes that are none in this encoding become backslash escapes."""
    return data.decode(encoding, errors="backslashreplace")


def is_garbled(data: bytes, encoding: str) -> bool:
    """Whether the line holds bytes that no printer sends in this encoding: undecodable ones, or NUL.

    A serial line reads as NUL where it was disturbed for the length of a character (termios(3), PARMRK).
    """
    if b"\x00" in data:
        return True
    try:
        data.decode(encoding)
    except UnicodeDecodeError:
        return True
    return False
