"""What each kind of link needs to know: the peer, how it is listened to, and what that costs it. Frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS
from harness.core.places import Numbering

# --- serial ports -----------------------------------------------------------------------------------


@unique
class ControlLine(StrEnum):
    """What a serial port's DTR or RTS is set to. ``LEFT``: farend does not touch it."""

    LEFT = "left"
    ON = "on"
    OFF = "off"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialPort:
    """A serial port as it is opened. ``parity``: none, even or odd. ``rts_cts``: hardware flow control.

    Software flow control is never used: XON and XOFF are bytes, and a listener sends none.
    """

    port: str
    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    dtr: ControlLine = ControlLine.LEFT
    rts: ControlLine = ControlLine.LEFT
    rts_cts: bool = False


# --- Modbus -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusTcpLink:
    """One Modbus TCP device as farend polls it. What it costs the device is declared: connections and request rate.

    ``gap_max``: how many unneeded bits/registers a grouped read may span; None means as many as fit.
    ``in_flight``: how many requests may be outstanding on the one connection. ``unit`` is the default unit.
    """

    name: str
    host: str
    port: int
    numbering: Numbering
    unit: int = 1
    poll_period_ns: int
    timeout_ns: int
    in_flight: int = 1
    requests_per_s_max: float | None = None
    gap_max_bits: int = 64
    gap_max_registers: int = 16
    probe_around: int = 0
    """So many bits or registers around mapped ones are read along, seldom, and the same addresses of the other table of
    their width; 0: nothing but what is mapped."""
    origin: Origin


@unique
class BusWay(StrEnum):
    """How farend takes part in a serial bus. ``RECEIVE_ONLY``: the bus has a master, and farend sends nothing."""

    POLL = "poll"
    RECEIVE_ONLY = "receive-only"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusRtuLink:
    """A Modbus RTU bus with any number of units: a serial port, or a serial device server that passes its bytes on.

    Exactly one of ``serial`` and ``host`` (with ``tcp_port``) is set. ``poll_period_ns``: of every unit, on an absolute
    schedule; receive-only it is the master's own cycle as far as it was declared, else 0. ``quiet_ns``: how long
    the line has to be silent after a time-out before the next request. ``unit`` is the default unit.
    """

    name: str
    serial: SerialPort | None = None
    host: str | None = None
    tcp_port: int | None = None
    way: BusWay = BusWay.POLL
    numbering: Numbering
    unit: int = 1
    poll_period_ns: int
    timeout_ns: int
    quiet_ns: int
    requests_per_s_max: float | None = None
    gap_max_bits: int = 64
    gap_max_registers: int = 16
    probe_around: int = 0
    """As for ``ModbusTcpLink``; nothing is asked where farend only listens."""
    origin: Origin


ModbusLink = ModbusTcpLink | ModbusRtuLink


# --- printed text -----------------------------------------------------------------------------------


@unique
class LineEnd(StrEnum):
    """What ends a printed line. ``ANY`` takes CR, LF and CR LF alike."""

    ANY = "any"
    CRLF = "crlf"
    LF = "lf"
    CR = "cr"


@unique
class Framing(StrEnum):
    """How printed bytes become lines: by their line end, by a silence after them, or by their fixed length."""

    LINE_END = "line-end"
    IDLE_GAP = "idle-gap"
    LENGTH = "length"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextLink:
    """A printed alarm log: a serial port, or a serial device server that passes its bytes on over raw TCP.

    Exactly one of ``serial`` and ``host`` (with ``tcp_port``) is set. ``longest_delay_ns`` (D): a change is
    printed and has arrived within this time, None where nobody knows. ``promises_every_change``: the path
    prints every raise while it is alive; only then is silence evidence. ``idle_gap_ns`` belongs to framing by idle gap
    and ``message_bytes`` to framing by length.
    """

    name: str
    host: str | None = None
    tcp_port: int | None = None
    serial: SerialPort | None = None
    encoding: str = "ascii"
    framing: Framing = Framing.LINE_END
    line_end: LineEnd = LineEnd.ANY
    idle_gap_ns: int = 0
    message_bytes: int = 0
    line_max_bytes: int = 1024
    longest_delay_ns: int | None = None
    promises_every_change: bool = False
    origin: Origin


# --- BACnet/IP --------------------------------------------------------------------------------------


@unique
class CovKind(StrEnum):
    """Whether COV notifications are asked for with or without a confirmation (ASHRAE 135, 13.14)."""

    CONFIRMED = "confirmed"
    UNCONFIRMED = "unconfirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class BacnetLink:
    """One BACnet/IP device. farend itself is a device on ``listen_host``:``listen_port``, with an instance of its own.

    ``listen_prefix``: bits of the network mask, which give the broadcast address (ASHRAE 135, Annex J). Links of one
    site that listen on the same host and port share one socket. ``bbmd_host``: foreign-device registration, with
    ``registration_ttl_s``. ``objects_per_read``: at most so many objects in one ReadPropertyMultiple.
    ``cov_lifetime_s``: of a subscription, renewed before it ends, cancelled when farend ends.
    ``process``: the subscriber process identifier that farend uses and expects.
    ``longest_delay_ns`` (D) and ``promises_every_change`` speak of notifications, as for ``TextLink``.
    """

    name: str
    host: str
    port: int = 47808
    device: int
    listen_host: str = "0.0.0.0"  # noqa: S104 - broadcasts reach only a socket that takes them
    listen_port: int = 47808
    listen_prefix: int = 24
    own_device: int = 4_194_302
    bbmd_host: str | None = None
    bbmd_port: int = 47808
    registration_ttl_s: int = 60
    poll_period_ns: int
    timeout_ns: int
    objects_per_read: int = 20
    cov: CovKind = CovKind.CONFIRMED
    cov_lifetime_s: int = 300
    process: int = 1
    longest_delay_ns: int | None = None
    promises_every_change: bool = False
    origin: Origin


# --- MQTT -------------------------------------------------------------------------------------------


@unique
class MqttVersion(StrEnum):
    """Versions of the protocol."""

    V311 = "3.1.1"
    V5 = "5"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """Files of a TLS connection, beside the site file. ``ca_file``: an own authority, else those of the system."""

    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttLink:
    """One MQTT broker. ``alive_topic`` tells whether the controller is there: it is down while its payload is
    ``down_payload`` (its last will), and blind time lasts until another payload comes.

    ``password_env``: the environment variable that holds the password; it never stands in a file that is recorded.
    ``sequence_pointer``: JSON pointer to a number that goes up by one with every message of a topic, so that a
    message that was lost is noticed. ``time_pointer``: JSON pointer to the time at which a message was made, written as
    ``time_format`` says (``datetime.strptime``; '' for ISO 8601, or a number since 1970); it is evidence about the
    clock of whoever publishes, and orders nothing. ``will_within_ns``: how long after the controller has died its last
    will comes at the latest; only with it an answer of the broker proves that the controller lives.
    """

    name: str
    host: str
    port: int
    version: MqttVersion = MqttVersion.V311
    client_id: str = ""
    user_name: str | None = None
    password_env: str | None = None
    tls: Tls | None = None
    qos: int = 1
    keep_alive_s: int = 15
    timeout_ns: int
    alive_topic: str | None = None
    down_payload: str | None = None
    will_within_ns: int | None = None
    sequence_pointer: str | None = None
    time_pointer: str | None = None
    time_format: str = ""
    longest_delay_ns: int | None = None
    promises_every_change: bool = False
    origin: Origin


# --- a person ---------------------------------------------------------------------------------------

HAND_FINEST_NS: Final = 100 * NS_PER_MS
"""Nothing finer is claimed from a key: a single hand timing scatters by 0.07 s (standard deviation; mean 0.11 s) even
of an event that is foreseen (Manual timing in physics experiments: Error and uncertainty, Am. J. Phys. 87(2) (2019)
110), and NIST SP 960-12 (2009), p. 8, gives typically tens or even hundreds of milliseconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonLink:
    """A person who watches what has no interface: lamps, horns, remote displays.

    What is reported at r was so at some instant in [r - ``reaction_max_ns``, r - ``reaction_min_ns``].
    ``in_sight``: False where the person has to walk there, so that only *that* it showed can be told, never when.
    """

    name: str
    where: str = ""
    in_sight: bool = True
    reaction_min_ns: int = 0
    reaction_max_ns: int
    origin: Origin

    @property
    def step_ns(self) -> int:
        """How far apart the times are laid in each of which a sign that stayed off was off at some instant."""
        return max(1, self.reaction_max_ns // 8)

    @property
    def noticed_ns(self) -> int:
        """What comes on for so long is noticed for certain by who keeps looking.

        That what lasts for the longest reaction time is noticed is common practice, no source.
        """
        return self.reaction_max_ns + self.step_ns


LinkSpec = ModbusTcpLink | ModbusRtuLink | TextLink | BacnetLink | MqttLink | PersonLink
PushLink = TextLink | BacnetLink | MqttLink
"""Links that declare a longest delay for what they are told without asking."""
