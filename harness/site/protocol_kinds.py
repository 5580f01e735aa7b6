"""The kinds of value that only one protocol has: BACnet objects and sockets, currents, JSON pointers, topics."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.links import HAND_FINEST_NS, SerialPort
from harness.core.places import ObjectType
from harness.core.writing import PRIORITY_MAX, PRIORITY_MINIMUM_ON_OFF
from harness.site.durations import DURATION_PATTERN, read_duration, write_duration
from harness.site.kinds import Kind, host_port
from harness.site.names import nearest, plain, shown
from harness.site.problems import Mismatch

INSTANCE_MAX: Final = 4_194_302
"""22 bits; the highest number stands for "any" in a request (ASHRAE 135, 12.1 and 20.2.14)."""
BAUD_LEAST: Final = 50
BAUD_MOST: Final = 4_000_000
BACNET_PORT: Final = 47808
"""0xBAC0 (ASHRAE 135, Annex J)."""

# --- BACnet objects -------------------------------------------------------------------------------

SHORT_TYPES: Final = {
    "ai": ObjectType.ANALOG_INPUT,
    "av": ObjectType.ANALOG_VALUE,
    "bi": ObjectType.BINARY_INPUT,
    "bo": ObjectType.BINARY_OUTPUT,
    "bv": ObjectType.BINARY_VALUE,
    "msi": ObjectType.MULTI_STATE_INPUT,
    "mi": ObjectType.MULTI_STATE_INPUT,
    "msv": ObjectType.MULTI_STATE_VALUE,
    "mv": ObjectType.MULTI_STATE_VALUE,
}
"""Short names of object types: common practice, no source."""

_OBJECT: Final = re.compile(r"(?P<kind>[A-Za-z][A-Za-z _-]*?)[\s,:_-]*(?P<instance>[0-9]{1,9}|\{?code\}?)\s*")
_OBJECT_FORM: Final = "expected an object such as binary-input 3, BI 3 or binary-input,3"


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectRef:
    """A BACnet object as written. ``instance`` is None where the code of each alarm stands in its place."""

    object_type: ObjectType
    instance: int | None


def _object(text: str) -> ObjectRef:
    found = _OBJECT.fullmatch(text.strip())
    if found is None:
        raise Mismatch(_OBJECT_FORM, code="object")
    object_type = _object_type(found["kind"])
    if found["instance"].strip("{}") == "code":
        return ObjectRef(object_type=object_type, instance=None)
    instance = int(found["instance"])
    if instance > INSTANCE_MAX:
        raise Mismatch(f"an object's instance goes from 0 to {INSTANCE_MAX}", "mend the number", code="object-instance")
    return ObjectRef(object_type=object_type, instance=instance)


def _object_type(written: str) -> ObjectType:
    """By its name in the standard, its short name, or its name in one word (``binaryInput``)."""
    by_plain = {_squeezed(member.value): member for member in ObjectType}
    squeezed = _squeezed(written)
    known = by_plain.get(squeezed) or SHORT_TYPES.get(squeezed)
    if known is not None:
        return known
    words = [member.value for member in ObjectType]
    meant = nearest(written, words)
    remedy = f"did you mean {meant}?" if meant else f"known: {', '.join(words)}"
    raise Mismatch("no object type that farend reads", remedy, code="object-type", found=f"object={shown(written)}")


def _squeezed(name: str) -> str:
    return plain(name).replace(" ", "")


OBJECT: Final = Kind(read=_object, schema={"type": "string", "pattern": r"^\s*[A-Za-z][A-Za-z _-]*[\s,:_-]*\S+\s*$"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectSpan:
    """Objects of one type whose instances follow each other."""

    object_type: ObjectType
    instance: int
    count: int


_SPAN: Final = re.compile(r"(?P<first>.*[0-9])\s*-\s*(?P<last>[0-9]{1,9})\s*")


def _object_span(text: str) -> ObjectSpan:
    span = _SPAN.fullmatch(text)
    ref = _object(span["first"] if span else text)
    if ref.instance is None:
        raise Mismatch("expected a number: what may be written is listed, object by object", "write for example "
                       f"{ref.object_type.value} 1-24", code="object")  # fmt: skip
    last = int(span["last"]) if span else ref.instance
    if not ref.instance <= last <= INSTANCE_MAX:
        raise Mismatch("expected the lower instance first", "mend the numbers", code="object-instance")
    return ObjectSpan(object_type=ref.object_type, instance=ref.instance, count=last - ref.instance + 1)


OBJECT_SPAN: Final = Kind(read=_object_span, schema=OBJECT.schema)


def _priority(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,2}", text.strip()) or not 1 <= int(text) <= PRIORITY_MAX:
        raise Mismatch(f"expected a priority from 1 to {PRIORITY_MAX}", "8 is that of an operator", code="priority")
    if int(text) == PRIORITY_MINIMUM_ON_OFF:
        raise Mismatch("6 is kept for the minimum on and off times of the object itself",
                       "8 is that of an operator", code="priority")  # fmt: skip
    return int(text)


PRIORITY: Final = Kind(
    read=_priority, schema={"anyOf": [{"type": "integer", "minimum": 1, "maximum": PRIORITY_MAX}, {"type": "string"}]}
)
"""ASHRAE 135, 19.2 and its table of standard priorities (from memory)."""


# --- BACnet sockets -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenOn:
    """An own address with the bits of its network mask, and a UDP port."""

    host: str
    prefix: int
    port: int


def _listen_on(text: str) -> ListenOn:
    expected = "expected an own IPv4 address with its mask, such as 192.0.2.5/24 or 192.0.2.5/24:47808"
    found = re.fullmatch(r"(?P<host>[0-9.]+)/(?P<prefix>[0-9]{1,2})(?::(?P<port>[0-9]{1,5}))?", text.strip())
    if found is None:
        bare = re.fullmatch(r"([0-9]+(?:\.[0-9]+){3})(:[0-9]{1,5})?", text.strip())
        remedy = f"write {bare[1]}/24{bare[2] or ''} where the mask is 255.255.255.0" if bare else ""
        raise Mismatch(expected, remedy, code="listen-on")
    try:
        host = ipaddress.IPv4Address(found["host"])
    except ValueError:
        raise Mismatch(expected, "mend the address", code="listen-on") from None
    prefix, port = int(found["prefix"]), int(found["port"] or BACNET_PORT)
    if not 1 <= prefix <= 32:
        raise Mismatch("expected a mask of 1 to 32 bits", "24 stands for 255.255.255.0", code="listen-on")
    if not 1 <= port <= 65535:
        raise Mismatch("expected a port from 1 to 65535", code="listen-on")
    return ListenOn(host=str(host), prefix=prefix, port=port)


LISTEN_ON: Final = Kind(
    read=_listen_on, schema={"type": "string", "pattern": r"^\s*[0-9.]+/[0-9]{1,2}(:[0-9]{1,5})?\s*$"}
)
BACNET_PEER: Final = host_port(BACNET_PORT)


# --- times in whole seconds, reaction times -------------------------------------------------------


def whole_seconds(most_s: int, zero: str) -> Kind:
    """A duration of whole seconds from 1 s to ``most_s``; read as seconds. ``zero`` says why 0 will not do."""

    def read(text: str) -> int:
        found_ns = read_duration(text)
        if found_ns == 0:
            raise Mismatch(zero, "write a time of 1 s or more", code="duration")
        if found_ns % NS_PER_S:
            raise Mismatch("expected whole seconds", "the protocol counts in seconds", code="duration")
        if found_ns > most_s * NS_PER_S:
            raise Mismatch(f"expected at most {write_duration(most_s * NS_PER_S)}", "", code="duration")
        return found_ns // NS_PER_S

    return Kind(read=read, schema={"type": "string", "pattern": DURATION_PATTERN})


def _time_delay(text: str) -> int:
    found_ns = read_duration(text)
    if found_ns % NS_PER_S:
        raise Mismatch("expected whole seconds: Time_Delay of a BACnet object has no smaller unit",
                       f"write {-(-found_ns // NS_PER_S)} s", code="duration")  # fmt: skip
    return found_ns


TIME_DELAY: Final = Kind(read=_time_delay, schema={"type": "string", "pattern": DURATION_PATTERN})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaction:
    """How long after it was so a person reports it: at least, and at most."""

    min_ns: int
    max_ns: int


def _reaction(text: str) -> Reaction:
    low, to, high = text.partition(" to ")
    if not to:
        raise Mismatch("expected two times with to between them, such as 0.2 s to 1 s",
                       f"for none but the longest write reaction within: {text.strip()}", code="reaction")  # fmt: skip
    least, most = read_duration(low), read_duration(high)
    if most < least:
        raise Mismatch("expected the shorter time first", f"write {high.strip()} to {low.strip()}", code="reaction")
    if most - least < HAND_FINEST_NS:
        remedy = f"for example {write_duration(least)} to {write_duration(least + NS_PER_S)}"
        raise Mismatch("a claim finer than 0.1 s from keys pressed by hand is refused", remedy, code="reaction")
    return Reaction(min_ns=least, max_ns=most)


REACTION: Final = Kind(
    read=_reaction, schema={"type": "string", "pattern": f"{DURATION_PATTERN[:-1]}to{DURATION_PATTERN[1:]}"}
)


# --- serial lines ---------------------------------------------------------------------------------

_LINE: Final = re.compile(r"\s*(?P<baud>[0-9]{2,7})\s+(?P<data>[5-9])(?P<parity>[NEOneo])(?P<stop>[12])\s*")
_LINE_PARITY: Final = {"N": "none", "E": "even", "O": "odd"}


def _line(text: str) -> SerialPort:
    found = _LINE.fullmatch(text)
    if found is None or not BAUD_LEAST <= int(found["baud"]) <= BAUD_MOST or found["data"] != "8":
        expected = "expected speed and character of an RTU line, such as 19200 8E1: 8 data bits, N, E or O, stop bits"
        raise Mismatch(expected, "8N2 where there is no parity, as the specification has it", code="line")
    return SerialPort(
        port="",
        baud=int(found["baud"]),
        parity=_LINE_PARITY[found["parity"].upper()],
        stop_bits=int(found["stop"]),
    )


LINE: Final = Kind(read=_line, schema={"type": "string", "pattern": r"^\s*[0-9]{2,7}\s+8[NEOneo][12]\s*$"})


# --- currents -------------------------------------------------------------------------------------

CURRENT_PATTERN: Final = r"^\s*[0-9]{1,4}(\.[0-9]{1,9})?\s*mA\s*$"


def _current(text: str) -> float:
    bare = re.fullmatch(r"\s*([0-9]{1,4}(?:[.,][0-9]{1,9})?)\s*", text)
    if bare is not None:
        remedy = f"write {bare[1].replace(',', '.')} mA"
        raise Mismatch("expected a current with its unit", remedy, code="current-unit")
    if not re.fullmatch(CURRENT_PATTERN, text):
        remedy = f"write {text.strip().replace(',', '.')}" if text.count(",") == 1 else "for example 3.6 mA"
        raise Mismatch("expected a current in mA", remedy, code="current")
    milliamperes = float(Decimal(text.strip().removesuffix("mA").strip()))
    if milliamperes > 1000:
        raise Mismatch("expected at most 1000 mA", code="current")
    return milliamperes


CURRENT: Final = Kind(read=_current, schema={"type": "string", "pattern": CURRENT_PATTERN})


# --- MQTT -----------------------------------------------------------------------------------------

TOPIC_BYTES_MAX: Final = 65535


def check_topic(topic: str) -> None:
    """Raise Mismatch where it is no name of one topic (MQTT 3.1.1, 4.7)."""
    wild = next((sign for sign in topic if sign in "+#"), "")
    if wild:
        raise Mismatch(f"{wild} is a wildcard, and this is one topic", "write the topic itself", code="topic-wildcard")
    if "\x00" in topic or len(topic.encode("utf-8", "surrogatepass")) > TOPIC_BYTES_MAX:
        raise Mismatch(f"a topic has up to {TOPIC_BYTES_MAX} bytes and no null character", "shorten it", code="topic")


def check_pointer(pointer: str) -> None:
    """Raise Mismatch where it is no JSON pointer (RFC 6901, 3)."""
    if pointer and not pointer.startswith("/"):
        raise Mismatch("a JSON pointer begins with /", f"write /{pointer.replace('.', '/')}", code="pointer")
    if re.search(r"~(?![01])", pointer):
        raise Mismatch("in a JSON pointer ~ is followed by 0 or 1", "write ~0 for ~, and ~1 for / in a name",
                       code="pointer")  # fmt: skip


def _checked(check: Callable[[str], None]) -> Kind:
    def read(text: str) -> str:
        check(text.strip())
        return text.strip()

    return Kind(read=read, schema={"type": "string"})


TOPIC: Final = _checked(check_topic)
POINTER: Final = _checked(check_pointer)


def _environment(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]{0,79}", text.strip()):
        raise Mismatch("expected the name of an environment variable, never the password itself",
                       "for example SITE_BROKER_PASSWORD, and set it before the run", code="environment")  # fmt: skip
    return text.strip()


ENVIRONMENT: Final = Kind(read=_environment, schema={"type": "string", "pattern": r"^\s*[A-Za-z_][A-Za-z0-9_]*\s*$"})
