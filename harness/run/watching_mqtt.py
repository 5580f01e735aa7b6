"""Watching an MQTT broker: the address on the command line, and what a message says for a person to read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final
from urllib.parse import parse_qsl, unquote, urlsplit

from harness.core.errors import Origin, UsageError
from harness.core.instants import NS_PER_S
from harness.core.links import MqttLink, MqttVersion, Tls
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.links.mqtt_messages import Published, decode
from harness.links.mqtt_values import is_on, value_of, value_text

_COMMAND_LINE: Final = Origin(file="command line", line=1)

MQTT_PORT: Final = 1883
MQTT_TLS_PORT: Final = 8883
"""The registered ports (IANA service names mqtt and secure-mqtt)."""

SHOWN_CHARACTERS_MAX: Final = 200
"""A payload that is longer is cut on the screen; two lines of a terminal."""

TOPIC_BYTES_MAX: Final = 65_535
"""A topic has a length of two bytes on the wire (MQTT 3.1.1, 1.5.3)."""

EXPECTED: Final = "mqtt://HOST[:PORT]/TOPIC[?version=5&qos=0]"
_SETTINGS: Final = ("version", "qos", "user", "password_env", "ca", "cert", "key")


def mqtt_of_address(address: str) -> tuple[MqttLink, Point]:
    """The broker and the topic of ``mqtt://HOST[:PORT]/TOPIC[?…]``; mqtts is the same over TLS.

    The topic may have the wildcards + and # (MQTT 3.1.1, 4.7). UsageError where the address is none.
    """
    # A # is the wildcard for everything below, not the beginning of a fragment.
    parts = urlsplit(address, allow_fragments=False)
    topic = unquote(parts.path.removeprefix("/"))
    if not parts.hostname:
        raise UsageError(f"address={address}: no host; expected {EXPECTED}")
    if not topic:
        raise UsageError(f"address={address}: no topic; expected {EXPECTED}, in quotes where it has # or ?")
    _check_filter(address, topic)
    if parts.password is not None:
        where = f"{parts.scheme}://{parts.username}@{parts.hostname}"
        raise UsageError(
            f"address={where}: a password does not belong on a command line; "
            "put it into an environment variable and name that: ?password_env=NAME"
        )
    given = dict(parse_qsl(parts.query, keep_blank_values=True))
    unknown = [name for name in given if name not in _SETTINGS]
    if unknown:
        raise UsageError(f"address={address}: {unknown[0]}={given[unknown[0]]}: expected one of {', '.join(_SETTINGS)}")
    secure = parts.scheme == "mqtts"
    try:
        port = parts.port
    except ValueError as exc:
        raise UsageError(f"address={address}: {exc}; expected a port from 1 to 65535") from exc
    spec = MqttLink(
        name="broker",
        host=parts.hostname,
        port=port or (MQTT_TLS_PORT if secure else MQTT_PORT),
        version=MqttVersion(_one_of(address, given, "version", ("3.1.1", "5"))),
        user_name=given.get("user", parts.username),
        password_env=given.get("password_env"),
        tls=_tls(address, given, secure=secure),
        qos=int(_one_of(address, given, "qos", ("1", "0", "2"))),
        timeout_ns=5 * NS_PER_S,
        origin=_COMMAND_LINE,
    )
    return spec, Point(name=topic, link="broker", place=MqttPlace(topic=topic), origin=_COMMAND_LINE)


def said(points: Iterable[Point], data: bytes) -> list[tuple[str, str]]:
    """(place, value in words) of each place that a message is about; its topic where no point is mapped to it."""
    message = decode(data)
    if not isinstance(message, Published):
        return []
    found = [
        (point.name, _words(point.place, message.payload))
        for point in points
        if isinstance(point.place, MqttPlace) and point.place.topic == message.topic
    ]
    return found or [(message.topic, _cut(message.payload))]


def _words(place: MqttPlace, payload: bytes) -> str:
    on = is_on(place, payload)
    mapped = place.on_values or place.off_values or place.threshold is not None or place.pointer is not None
    if on is not None and mapped:
        return "on" if on else "off"
    value = value_of(place, payload)
    return _cut(payload) if value is None else _cut(value_text(value).encode())


def _cut(payload: bytes) -> str:
    text = payload.decode("utf-8", "backslashreplace") or "(empty)"
    return text if len(text) <= SHOWN_CHARACTERS_MAX else text[: SHOWN_CHARACTERS_MAX - 1] + "…"


def _check_filter(address: str, topic: str) -> None:
    """The rules of topic filters (MQTT 3.1.1, 4.7.1 and 4.7.3)."""
    levels = topic.split("/")
    misplaced = any("+" in level and level != "+" for level in levels)
    misplaced |= "#" in topic.removesuffix("#") or ("#" in topic and levels[-1] != "#")
    if misplaced:
        raise UsageError(
            f"address={address}: topic={topic}: + stands for one whole level, and # for all below at the very end"
        )
    if "\0" in topic or len(topic.encode()) > TOPIC_BYTES_MAX:
        raise UsageError(f"address={address}: expected a topic without NUL of at most {TOPIC_BYTES_MAX} bytes")


def _one_of(address: str, given: dict[str, str], name: str, expected: tuple[str, ...]) -> str:
    """What is given, or the first of ``expected``."""
    value = given.get(name, expected[0])
    if value not in expected:
        raise UsageError(f"address={address}: {name}={value}: expected one of {', '.join(sorted(expected))}")
    return value


def _tls(address: str, given: dict[str, str], *, secure: bool) -> Tls | None:
    files = [name for name in ("ca", "cert", "key") if name in given]
    if not secure:
        if files:
            raise UsageError(f"address={address}: {files[0]}={given[files[0]]}: belongs to TLS; write mqtts://")
        return None
    if ("cert" in given) != ("key" in given):
        raise UsageError(f"address={address}: expected both cert and key, for each is of no use without the other")
    return Tls(ca_file=given.get("ca"), certificate_file=given.get("cert"), key_file=given.get("key"))
