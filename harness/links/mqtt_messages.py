"""What an MQTT listener tells its observer, as bytes of a record: compact canonical JSON. Pure functions.

What a broker passed on comes as it came; beside it stand the things that tell how far silence can be trusted: when
farend subscribed, what was refused, what was lost, and when the broker last answered.
"""

from __future__ import annotations

import base64
import binascii
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from harness.links.seen import DECODED_KEPT


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """One message of the broker. ``retain``: it was kept by the broker, so it tells a state and no event."""

    topic: str
    payload: bytes
    qos: int = 1
    retain: bool = False
    dup: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscribing:
    """A new connection, which asks for these topics now. What was published since the one before, nobody heard."""

    topics: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """The broker does not let farend have this topic."""

    topic: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Something of this topic was published that farend does not have, or could not keep."""

    topic: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The broker answered a PINGREQ: everything that it had sent before has come in."""


MqttMessage = Published | Subscribing | Refused | Lost | Answered


def encode(message: MqttMessage) -> bytes:
    """The message as it stands in a record."""
    return json.dumps(_fields(message), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _fields(message: MqttMessage) -> dict[str, Any]:
    match message:
        case Published():
            try:
                payload = {"payload": message.payload.decode()}
            except UnicodeDecodeError:
                payload = {"payload_base64": base64.b64encode(message.payload).decode("ascii")}
            flags = {"qos": message.qos, "retain": message.retain, "dup": message.dup}
            return {"topic": message.topic, **flags, **payload}
        case Subscribing():
            return {"subscribing": list(message.topics)}
        case Refused():
            return {"refused": message.topic, "why": message.why}
        case Lost():
            return {"lost": message.topic, "why": message.why}
        case Answered():
            return {"answered": True}


@lru_cache(maxsize=DECODED_KEPT)
def decode(data: bytes) -> MqttMessage | None:
    """What :func:`encode` made; None where ``data`` is nothing of the kind."""
    try:
        fields = json.loads(data)
        match fields:
            case {"topic": str(topic), "qos": int(qos), "retain": bool(retain), "dup": bool(dup)}:
                return Published(topic=topic, payload=_payload(fields), qos=qos, retain=retain, dup=dup)
            case {"subscribing": list(topics)}:
                return Subscribing(topics=tuple(str(topic) for topic in topics))
            case {"refused": str(topic), "why": str(why)}:
                return Refused(topic=topic, why=why)
            case {"lost": str(topic), "why": str(why)}:
                return Lost(topic=topic, why=why)
            case {"answered": True}:
                return Answered()
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return None


def _payload(fields: dict[str, Any]) -> bytes:
    if "payload" in fields:
        return str(fields["payload"]).encode()
    try:
        return base64.b64decode(fields["payload_base64"], validate=True)
    except binascii.Error as exc:
        raise ValueError(str(exc)) from exc
