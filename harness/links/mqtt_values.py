"""From the payload of an MQTT message to on or off, and to its sequence number. Pure functions."""

from __future__ import annotations

import json
import re
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any, Final, NoReturn

from harness.core.places import MqttPlace, OnWhen
from harness.links.json_pointer import look_up

NUMBER_CHARACTERS_MAX = 64
"""A number that is written longer than this is no measured value."""

Value = str | bool | Decimal
"""A value as it is compared: JSON true and false, numbers, and texts; null is the text ``null``."""


def is_on(place: MqttPlace, payload: bytes) -> bool | None:
    """Whether a message on the place's topic says on; None where its payload tells neither on nor off."""
    value = value_of(place, payload)
    if value is None:
        return None
    if place.threshold is not None:
        return _compared(place.on_when, value, Decimal(place.threshold))
    if place.on_values and _is_one_of(value, place.on_values):
        return True
    if place.off_values and _is_one_of(value, place.off_values):
        return False
    if place.on_values and place.off_values:
        return None
    if place.on_values or place.off_values:
        return None if value in _NOTHING else not place.on_values
    plain = _plain(value)
    return None if plain is None else plain is not (place.on_when is OnWhen.CLEAR)


_NOTHING: Final = ("", "null")
"""Texts that are no value unless the site file names them: null, and the empty payload by which a retained message is
taken away (MQTT 3.1.1, 3.3.1.3)."""


def value_of(place: MqttPlace, payload: bytes) -> Value | None:
    """What the payload says at a place; None where it says nothing there."""
    if place.pointer is not None:
        try:
            return _scalar(look_up(_parsed(payload), place.pointer))
        except (ValueError, LookupError):
            return None
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        return None
    if place.pattern is None:
        return text
    found = re.search(place.pattern, text)
    if found is None:
        return None
    group: str | None = found.group("value") if "value" in found.re.groupindex else found.group()
    return group


def value_text(value: Value) -> str:
    """A value as the words of a site file and a screen have it."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def time_of(pointer: str, payload: bytes) -> str | Decimal | None:
    """The time at ``pointer`` as it is written, a text or a number; None where there is neither."""
    try:
        value = _scalar(look_up(_parsed(payload), pointer))
    except (ValueError, LookupError):
        return None
    return value if isinstance(value, str | Decimal) else None


def sequence_of(pointer: str, payload: bytes) -> int | None:
    """The whole number at ``pointer``, which counts the messages of a topic; None where there is none."""
    try:
        value = _scalar(look_up(_parsed(payload), pointer))
    except (ValueError, LookupError):
        return None
    whole = isinstance(value, Decimal) and value == value.to_integral_value()
    return int(value) if whole and isinstance(value, Decimal) else None


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is no JSON")


def _number(text: str) -> Decimal:
    if len(text) > NUMBER_CHARACTERS_MAX:
        raise ValueError(f"a number of {len(text)} characters")
    number = _decimal(text)
    if number is None:
        raise ValueError(f"{text} is no number that can be compared")
    return number


def _decimal(text: str) -> Decimal | None:
    """The number that a text is. Exponents beyond those of a double are refused: they would be compared for ever."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        return None
    return number if number.is_finite() and abs(number.adjusted()) <= 400 else None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose names are unique; which of two equal ones counts, nobody can say (RFC 8259, 4)."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice in one object")
    return found


@lru_cache(maxsize=64)  # every point of a topic, and its sequence number, read the same payload
def _parsed(payload: bytes) -> Any:
    """The payload as JSON. ValueError where it is none."""
    try:
        text = payload.decode()
        return json.loads(text, parse_float=_number, parse_int=_number, parse_constant=_refuse, object_pairs_hook=_once)
    except RecursionError as exc:
        raise ValueError("nested too deeply") from exc


def _scalar(value: Any) -> Value | None:
    if value is None:
        return "null"
    return value if isinstance(value, (str, bool, Decimal)) else None


def _is_one_of(value: Value, words: tuple[str, ...]) -> bool:
    if value_text(value) in words:
        return True
    return isinstance(value, Decimal) and any(_decimal(word) == value for word in words)


def _plain(value: Value) -> bool | None:
    """On or off where nobody said what is: true or false, and numbers that are 0 or not."""
    if isinstance(value, str):
        named = {"true": True, "false": False}.get(value)
        number = _decimal(value) if len(value) <= NUMBER_CHARACTERS_MAX else None
        return named if number is None else number != 0
    return bool(value)


def _compared(on_when: OnWhen, value: Value, threshold: Decimal) -> bool | None:
    if isinstance(value, bool):
        return None
    number = value if isinstance(value, Decimal) else _decimal(value[: NUMBER_CHARACTERS_MAX + 1].strip())
    if number is None:
        return None
    match on_when:
        case OnWhen.ABOVE:
            return number > threshold
        case OnWhen.BELOW:
            return number < threshold
        case OnWhen.EQUAL:
            return number == threshold
        case OnWhen.CLEAR:
            return number == 0
        case _:
            return number != 0
