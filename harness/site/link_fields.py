"""The fields of links, in one table, and which kind of link has which of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.core.links import BusWay, ControlLine, CovKind, Framing, LineEnd, MqttVersion
from harness.core.places import Numbering
from harness.site import kinds, protocol_kinds
from harness.site.tables import Field, Group, PlainOr
from harness.site.tables import a_field as _field

HOLDS: Final = (
    _field(
        "shortest on", kinds.DURATION_ABOVE_0, "The shortest time for which a point is ever on.", default="1 s, assumed"
    ),
    _field(
        "shortest off", kinds.DURATION_ABOVE_0, "The shortest time for which it is ever off.", default="1 s, assumed"
    ),
)
HOLD_NAMES: Final = tuple(field.name for field in HOLDS)

PATTERN_NAMES: Final = ("raised", "acknowledged", "cleared")
PATTERNS: Final = (
    _field(
        "raised",
        kinds.TEXT,
        "Regular expression of the whole line printed when raised; {text}, {code} and {name} are the alarm's, and a "
        "group (?P<seq>...) is the running number by which a line that comes again is known.",
    ),
    _field("acknowledged", kinds.TEXT, "The same for the line printed when acknowledged."),
    _field("cleared", kinds.TEXT, "The same for the line printed when cleared."),
    _field("printed time", kinds.TEXT, "strptime format of the named group (?P<time>...)."),
)

_PEERS: Final = (
    _field("modbus-tcp", kinds.host_port(502), "Host and port of a Modbus TCP device.", default="port 502"),
    _field("modbus-rtu", kinds.TEXT, "Name of the serial port of a Modbus RTU bus."),
    _field("modbus-rtu+tcp", kinds.host_port(None), "Host and port of a serial device server on a Modbus RTU bus."),
    _field("text+tcp", kinds.host_port(None), "Host and port of a serial device server that passes printed lines on."),
    _field("text+serial", kinds.TEXT, "Name of the serial port of a printed alarm log."),
    _field("bacnet", protocol_kinds.BACNET_PEER, "Host and UDP port of a BACnet/IP device.", default="port 47808"),
    _field(
        "mqtt",
        kinds.host_port(0, "port 1883, 8883 over TLS"),
        "Host and port of an MQTT broker.",
        default="port 1883, 8883 over TLS",
    ),
    _field("person", kinds.TEXT, "Where a person watches what has no interface: lamps, horns, remote displays."),
)
LINK_KINDS: Final = tuple(field.name for field in _PEERS)

_POLLED: Final = (
    _field("poll every", kinds.POLL_PERIOD, "Poll period, on an absolute schedule; receive-only: the master's cycle."),
    _field("timeout", kinds.DURATION_ABOVE_0, "How long to wait for an answer.", default="1 s"),
)
_MODBUS: Final = (
    _field("numbering", kinds.choice_of(Numbering), "How addresses are counted. Declared, never guessed."),
    _field("unit", kinds.whole(0, 255), "Unit identifier, unless a row says another.", default="1"),
    _field("bits from", kinds.choice({"0": 0, "1": 1}), "The number of the least significant bit.", default="0"),
    _field("requests per second", kinds.number(above=0), "At most so many requests a second.", default="no limit"),
    _field("widest gap bits", kinds.whole(0, 2000), "Unneeded bits that one read may span.", default="64"),
    _field("widest gap registers", kinds.whole(0, 125), "Unneeded registers that one read may span.", default="16"),
)
_PROBING: Final = (
    _field(
        "probe around",
        kinds.whole(0, 64),
        "Bits or registers around mapped ones that are read seldom, and the same addresses of the other table, to find "
        "an alarm at the wrong place. Only reads.",
        default="0: none",
    ),
)
BEHIND: Final = (
    _field("behind", kinds.TEXT, "The link of the device that this one polls: what fails at both is passed on."),
)
_ON_EVERY_LINK: Final = (
    _field(
        "output delay",
        kinds.RANGE,
        "Budget: from the alarm until the device's output shows it: 0 ms to 50 ms.",
        default="not declared, taken as 0 s",
    ),
    _field(
        "device polls every",
        kinds.POLL_PERIOD,
        "Budget, with behind: how often the device polls the one that it is behind, or renews what it keeps of it.",
        default="not declared, taken as 0 s",
    ),
)
ON_EVERY_LINK_NAMES: Final = tuple(field.name for field in (*BEHIND, *_ON_EVERY_LINK))
_READ: Final = (
    _field("read every", kinds.POLL_PERIOD, "Budget: how often the building system itself reads this device."),
)
_ROUND_TRIP: Final = (
    _field("round trip", kinds.RANGE, "Budget: from a request to its answer: 1 ms to 20 ms.",
           default="not declared, taken as 0 s"),
)  # fmt: skip
_ANSWER_TIME: Final = (
    _field("answer time", kinds.RANGE, "Budget: of a unit, from the end of a request to its answer: 2 ms to 20 ms.",
           default="not declared, taken as 0 s"),
)  # fmt: skip
_RETRIES: Final = (
    _field(
        "retries",
        kinds.whole(0, 20),
        "Budget, receive-only: how often the master of the bus asks a unit again that did not answer.",
        default="not declared, taken as 0",
    ),
)
_LINE: Final = (
    _field("line", protocol_kinds.LINE, "Budget: speed and character of the line behind the server: 19200 8E1."),
)
TIME_DELAYS: Final = (
    _field(
        "time delay",
        protocol_kinds.TIME_DELAY,
        "Budget: Time_Delay of the object: shorter than this, a condition gives no event.",
        default="not declared, taken as 0 s",
    ),
    _field(
        "time delay normal",
        protocol_kinds.TIME_DELAY,
        "Budget: Time_Delay_Normal of the object.",
        default="as time delay",
    ),
)
_MODBUS_TCP: Final = (
    _field(
        "requests in flight", kinds.whole(1, 16), "Requests outstanding at once on the one connection.", default="1"
    ),
)
_BUS: Final = (
    _field(
        "way",
        kinds.choice_of(BusWay),
        "poll: farend is the only master; receive-only: the bus has one, and farend sends nothing.",
        default="poll",
    ),
    _field(
        "quiet after timeout",
        kinds.DURATION_ABOVE_0,
        "How long the line has to be silent after a time-out before the next request.",
        default="as long as timeout",
    ),
)
_SERIAL: Final = (
    _field("baud", kinds.whole(50, 4_000_000), "Serial speed.", default="9600; 19200 for modbus-rtu"),
    _field("data bits", kinds.whole(5, 8), "Serial data bits.", default="8"),
    _field(
        "parity",
        kinds.choice({"none": "none", "even": "even", "odd": "odd"}),
        "Serial parity.",
        default="none; even for modbus-rtu",
    ),
    _field("stop bits", kinds.whole(1, 2), "Serial stop bits.", default="1; 2 for modbus-rtu without parity"),
    _field("dtr", kinds.choice_of(ControlLine), "What the line DTR is set to: left, on or off.", default="left"),
    _field("rts", kinds.choice_of(ControlLine), "What the line RTS is set to: left, on or off.", default="left"),
    _field(
        "flow control",
        kinds.choice({"none": False, "rts/cts": True}),
        "Hardware flow control; software flow control is never used.",
        default="none",
    ),
)
_TEXT: Final = (
    _field("encoding", kinds.TEXT, "Character encoding of the lines.", default="ascii"),
    _field(
        "framing",
        kinds.choice_of(Framing),
        "What ends a line: line-end, idle-gap (a silence) or length (a number of bytes).",
        default="line-end",
    ),
    _field("line end", kinds.choice_of(LineEnd), "What ends a line.", default="any"),
    _field("idle gap", kinds.DURATION_ABOVE_0, "For framing: idle-gap: the silence that ends a line."),
    _field("message length", kinds.whole(1, 65536), "For framing: length: how many bytes a line has."),
    _field(
        "longest line",
        kinds.whole(16, 65536),
        "Longest line in bytes; the rest is dropped and counted.",
        default="1024",
    ),
    *PATTERNS,
)
_PUSHED: Final = (
    _field("longest delay", kinds.DURATION_ABOVE_0, "A change has been printed, notified or published and has arrived "
           "within this time."),
    _field("promises every change", kinds.YES_NO, "Whether every change is told while the path is alive.",
           default="no"),
)  # fmt: skip
_BACNET: Final = (
    _field("device", kinds.whole(0, protocol_kinds.INSTANCE_MAX), "Instance of the BACnet device."),
    _field(
        "listen on",
        protocol_kinds.LISTEN_ON,
        "Own address with the bits of its mask: 192.0.2.5/24 or 192.0.2.5/24:47808.",
        default="every address of this computer, port 47808",
    ),
    _field(
        "own device",
        kinds.whole(0, protocol_kinds.INSTANCE_MAX),
        "Device instance that farend takes itself.",
        default=str(protocol_kinds.INSTANCE_MAX),
    ),
    _field("foreign device of", protocol_kinds.BACNET_PEER, "Broadcast device (BBMD) to register with, host:port."),
    _field(
        "registration",
        protocol_kinds.whole_seconds(65535, "a registration of 0 s ends at once"),
        "How long a registration as foreign device holds; it is renewed before.",
        default="60 s",
    ),
    _field("objects per read", kinds.whole(1, 200), "Objects in one ReadPropertyMultiple at most.", default="20"),
    _field("cov", kinds.choice_of(CovKind), "Whether COV notifications are confirmed.", default="confirmed"),
    _field(
        "cov lifetime",
        protocol_kinds.whole_seconds(86_400, "0 s asks for a subscription without end, which would outlive this run"),
        "How long a COV subscription holds; it is renewed before, and cancelled at the end.",
        default="5 min",
    ),
    _field("process", kinds.whole(0, 2**32 - 1), "Subscriber process identifier that farend uses.", default="1"),
)
TLS: Final = Group(
    what="tls",
    fields=(
        _field("ca file", kinds.TEXT, "Certificate of the authority.", default="those of the system"),
        _field("certificate file", kinds.TEXT, "Own certificate."),
        _field("key file", kinds.TEXT, "Key of the own certificate."),
    ),
)
_MQTT: Final = (
    _field("version", kinds.choice_of(MqttVersion), "Version of the protocol.", default="3.1.1"),
    _field("client id", kinds.TEXT, "Client identifier.", default="made up for each run"),
    _field("user", kinds.TEXT, "User name."),
    _field("password from", protocol_kinds.ENVIRONMENT, "Environment variable that holds the password."),
    _field("tls", PlainOr(plain=kinds.YES_NO, group=TLS), "yes, or the files of the TLS connection.", default="no"),
    _field("qos", kinds.whole(0, 2), "Quality of service that is subscribed with.", default="1"),
    _field(
        "keep alive",
        protocol_kinds.whole_seconds(65535, "0 s turns it off, and a dead connection would never be noticed"),
        "Keep-alive interval; a dead connection is noticed after about one and a half of it.",
        default="15 s",
    ),
    _field("alive topic", protocol_kinds.TOPIC, "Topic whose payload tells that the controller is there."),
    _field("down payload", kinds.TEXT, "Payload of the alive topic while it is not: its last will."),
    _field(
        "last will within",
        kinds.DURATION_ABOVE_0,
        "How long after the controller has died its last will comes at the latest; with it, silence is evidence.",
    ),
    _field("sequence at", protocol_kinds.POINTER, "JSON pointer to a number that goes up by one with each message."),
    _field("time at", protocol_kinds.POINTER, "JSON pointer to the time of a message, by its publisher's clock."),
    _field("time format", kinds.TEXT, "strptime format of that time.", default="ISO 8601, or a number since 1970"),
)
_PERSON: Final = (
    _field("reaction", protocol_kinds.REACTION, "How long after it was so it is reported: 0.2 s to 1 s."),
    _field("reaction within", kinds.DURATION_ABOVE_0, "The same, where only the longest time is known."),
    _field("in sight", kinds.YES_NO, "no: the person has to walk there, and only that it showed can be told.",
           default="yes"),
)  # fmt: skip


def _names(*tables: tuple[Field, ...]) -> frozenset[str]:
    return frozenset(field.name for table in tables for field in table)


FIELDS_OF: Final[Mapping[str, frozenset[str]]] = {
    "modbus-tcp": _names(_POLLED, _MODBUS, _MODBUS_TCP, _PROBING, _READ, _ROUND_TRIP),
    "modbus-rtu": _names(_POLLED, _MODBUS, _BUS, _SERIAL, _PROBING, _READ, _ANSWER_TIME, _RETRIES),
    "modbus-rtu+tcp": _names(_POLLED, _MODBUS, _BUS, _PROBING, _READ, _ROUND_TRIP, _ANSWER_TIME, _RETRIES, _LINE),
    "text+tcp": _names(_TEXT, _PUSHED),
    "text+serial": _names(_TEXT, _PUSHED, _SERIAL),
    "bacnet": _names(_POLLED, _BACNET, _PUSHED, _READ, _ROUND_TRIP, TIME_DELAYS),
    "mqtt": _names(_MQTT, _PUSHED) | {"timeout"},
    "person": _names(_PERSON),
}
"""Kind of link -> the fields that it has, besides its peer and the holds of its points."""

LINK: Final = Group(
    what="link",
    fields=(*_PEERS, *BEHIND, *_ON_EVERY_LINK, *_READ, *_ROUND_TRIP, *_ANSWER_TIME, *_RETRIES, *_LINE,
            *TIME_DELAYS,
            *_POLLED, *_MODBUS, *_PROBING, *_MODBUS_TCP, *_BUS, *_SERIAL, *_TEXT, *_PUSHED, *_BACNET,
            *_MQTT, *_PERSON, *HOLDS),
)  # fmt: skip
