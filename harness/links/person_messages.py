"""What a person said, as the bytes of a message, and back. Compact canonical JSON. Pure.

A sign is named by what it is and by its label, as a place is: its name in the point map may be corrected later.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from harness.core.places import PersonPlace, Sign
from harness.links.seen import Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One report of one sign. ``id`` counts the reports of a link.

    ``is_change``: the person was looking and saw it change, so that the change itself lies within the reaction time.
    ``since_ns``: out of sight, the instant at which the person was sent to look; None in sight.
    ``text``: what a display was read to show, where that was said. ``stayed_since_ns``: where the person says that they
    kept looking since then, and that it stayed off all the time; None otherwise.
    """

    id: int
    sign: Sign
    label: str
    on: bool
    is_change: bool = False
    since_ns: int | None = None
    text: str | None = None
    stayed_since_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Undone:
    """Report ``of`` was a mistake and is no evidence. ``then``: what had been reported of the sign before, if any."""

    id: int
    of: int
    sign: Sign
    label: str
    then: bool | None


def encode(said: Said | Undone) -> bytes:
    """The bytes of a message."""
    data: dict[str, Any] = {"id": said.id, "sign": said.sign.value, "label": said.label}
    if isinstance(said, Undone):
        data |= {"undo": said.of, "then": said.then}
    else:
        data |= {"on": said.on, "change": said.is_change}
        data |= {} if said.since_ns is None else {"since": said.since_ns}
        data |= {} if said.text is None else {"text": said.text}
        data |= {} if said.stayed_since_ns is None else {"stayed": said.stayed_since_ns}
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode("ascii")


def decode(data: bytes) -> Said | Undone | None:
    """What was said; None where the bytes are no such message."""
    try:
        it = json.loads(data)
        sign, label = Sign(it["sign"]), str(it["label"])
        if "undo" in it:
            return Undone(id=int(it["id"]), of=int(it["undo"]), sign=sign, label=label, then=it["then"])
        return Said(
            id=int(it["id"]),
            sign=sign,
            label=label,
            on=bool(it["on"]),
            is_change=bool(it["change"]),
            since_ns=it.get("since"),
            text=it.get("text"),
            stayed_since_ns=it.get("stayed"),
        )
    except (ValueError, KeyError, TypeError):
        return None


def is_of(said: Said | Undone, place: PersonPlace) -> bool:
    """Whether a message speaks of a place of its own link."""
    return said.sign is place.sign and said.label == place.label


def shows(label: str, text: str) -> bool:
    """Whether a display that was read to show ``text`` shows ``label``: letter case and spaces do not matter."""
    return " ".join(text.casefold().split()) == " ".join(label.casefold().split())


def standing(messages: Iterable[Message]) -> list[tuple[Message, Said]]:
    """The reports that were not taken back, in the order in which they came."""
    read = [(message, decode(message.data)) for message in messages]
    undone = {said.of for _, said in read if isinstance(said, Undone)}
    return [(message, said) for message, said in read if isinstance(said, Said) and said.id not in undone]
