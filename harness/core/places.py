"""Where on a link a point is, and when its value counts as on. Plain data; decoding lives in ``links``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final


@unique
class Table(StrEnum):
    """The four primary tables of the Modbus data model (Application Protocol V1.1b3, 4.3)."""

    COIL = "coil"
    DISCRETE_INPUT = "discrete-input"
    INPUT_REGISTER = "input-register"
    HOLDING_REGISTER = "holding-register"

    @property
    def is_bits(self) -> bool:
        """True for the two tables of single bits."""
        return self in (Table.COIL, Table.DISCRETE_INPUT)

    @property
    def read_function(self) -> int:
        """The function code that reads this table (V1.1b3, 6.1 to 6.4)."""
        return _READ_FUNCTION[self]

    @property
    def count_max(self) -> int:
        """How many bits or registers one request may read (V1.1b3, 6.1 to 6.4)."""
        return 2000 if self.is_bits else 125


_READ_FUNCTION: Final = {
    Table.COIL: 1,
    Table.DISCRETE_INPUT: 2,
    Table.HOLDING_REGISTER: 3,
    Table.INPUT_REGISTER: 4,
}


@unique
class Numbering(StrEnum):
    """How a site file counts addresses. Declared, never guessed.

    ``FROM_ZERO`` is the address in the request; ``FROM_ONE`` the data model's number (V1.1b3, 4.4: number X
    is addressed as X - 1); ``REFERENCE`` the five- or six-digit number whose first digit names the table
    (0 coils, 1 discrete inputs, 3 input registers, 4 holding registers).
    """

    FROM_ZERO = "from-0"
    FROM_ONE = "from-1"
    REFERENCE = "reference"


@unique
class ValueType(StrEnum):
    """How registers become a number. ``BIT``, ``BITS``: bits of one register; in a bit table ``BIT`` is the bit."""

    BIT = "bit"
    BITS = "bits"
    U16 = "u16"
    S16 = "s16"
    U32 = "u32"
    S32 = "s32"
    F32 = "f32"

    @property
    def registers(self) -> int:
        """How many registers the value takes."""
        return 2 if self in (ValueType.U32, ValueType.S32, ValueType.F32) else 1


@unique
class Order(StrEnum):
    """Which comes first on the wire, the more or the less significant part."""

    BIG = "big"
    LITTLE = "little"


@unique
class OnWhen(StrEnum):
    """When a value counts as on. ``SET``: the bit is 1 (or the number is not 0). ``CLEAR``: the opposite."""

    SET = "set"
    CLEAR = "clear"
    EQUAL = "equal"
    ABOVE = "above"
    BELOW = "below"
    FAILURE_HIGH = "failure-high"
    """Of a current loop: in the upscale failure range of NAMUR NE 43."""
    FAILURE_LOW = "failure-low"
    """Of a current loop: in the downscale failure range of NAMUR NE 43."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentLoop:
    """A 4-20 mA output and the analog input that reads it.

    ``raw_at_4``, ``raw_at_20``: what the input reads there (a register's number, an object's value).
    ``value_at_4``, ``value_at_20``: what is meant by it, in ``units``. ``input_min_ma``, ``input_max_ma``: what the
    input can tell apart; beyond it, it clips. ``resolution_ma``: the true current lies within half of it on either
    side of what was read; ``accuracy_ma`` is added to that. ``persistence_ns``: a current in the failure range counts
    as a failure only once it has been there for so long (NAMUR NE 43).
    """

    name: str
    raw_at_4: float
    raw_at_20: float
    value_at_4: float
    value_at_20: float
    units: str = ""
    input_min_ma: float
    input_max_ma: float
    resolution_ma: float
    accuracy_ma: float = 0.0
    persistence_ns: int = 4_000_000_000
    damping_ns: int | None = None
    """Time constant of its first-order damping, and between which values it is at rest, in its units; None where nobody
    declared it. For ``farend budget`` alone."""
    rest: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusPlace:
    """A place in the tables of one Modbus unit. ``address`` is the address in the request, counted from 0.

    ``bit``/``bit_count``: for ``BIT`` and ``BITS`` in a register, the lowest bit (0 is the least significant) and
    how many; ignored in bit tables. ``number`` = raw * ``scale`` + ``offset``; ``threshold`` is compared with it.
    """

    unit: int
    table: Table
    address: int
    value_type: ValueType = ValueType.BIT
    bit: int = 0
    bit_count: int = 1
    byte_order: Order = Order.BIG
    word_order: Order = Order.BIG
    scale: float = 1.0
    offset: float = 0.0
    on_when: OnWhen = OnWhen.SET
    threshold: float | None = None
    loop: CurrentLoop | None = None
    """Set where the number is what the analog input of a current loop reads; ``threshold`` is then in its units."""

    @property
    def count(self) -> int:
        """How many bits or registers are read for it."""
        return 1 if self.table.is_bits else self.value_type.registers


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPlace:
    """What a printed alarm line looks like. Each pattern is a regular expression that must match a whole line.

    ``cleared`` and ``acknowledged`` may be None: the controller does not print them. ``printed_time`` is a
    ``datetime.strptime`` format for the named group ``time``, or None. A named group ``seq`` is a running number: a
    line that comes again with the same number, byte for byte, is the same event.
    """

    raised: str
    cleared: str | None = None
    acknowledged: str | None = None
    printed_time: str | None = None


@unique
class Arrival(StrEnum):
    """By which way a BACnet alarm must arrive."""

    POLL = "poll"
    COV = "cov"
    EVENT = "event"


@unique
class ObjectType(StrEnum):
    """The object types that farend reads (ASHRAE 135, clause 12)."""

    ANALOG_INPUT = "analog-input"
    ANALOG_VALUE = "analog-value"
    BINARY_INPUT = "binary-input"
    BINARY_OUTPUT = "binary-output"
    BINARY_VALUE = "binary-value"
    MULTI_STATE_INPUT = "multi-state-input"
    MULTI_STATE_VALUE = "multi-state-value"


@unique
class ObjectPart(StrEnum):
    """What of an object tells the alarm: its value, its Event_State, or a flag of its Status_Flags."""

    PRESENT_VALUE = "present-value"
    EVENT_STATE = "event-state"
    IN_ALARM = "in-alarm"
    FAULT = "fault"


@unique
class EventState(StrEnum):
    """An off-normal Event_State (ASHRAE 135, 13.2), by the number that stands for it on the wire."""

    OFF_NORMAL = "off-normal"
    HIGH_LIMIT = "high-limit"
    LOW_LIMIT = "low-limit"

    @property
    def number(self) -> int:
        """As in BACnetEventState (ASHRAE 135, 21)."""
        return {EventState.OFF_NORMAL: 2, EventState.HIGH_LIMIT: 3, EventState.LOW_LIMIT: 4}[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class BacnetPlace:
    """A BACnet object and the way by which its alarm must arrive.

    ``on_when`` and ``threshold`` speak of the part; an Event_State is on whenever it is neither normal nor fault. For
    arrivals by event they are not used: on is a transition to an off-normal state (to fault, where ``part`` is FAULT).
    ``event_state``: the only one that counts as on, of an event or of the Event_State; None for any.
    """

    object_type: ObjectType
    instance: int
    part: ObjectPart = ObjectPart.PRESENT_VALUE
    arrives: Arrival = Arrival.POLL
    on_when: OnWhen = OnWhen.SET
    threshold: float | None = None
    loop: CurrentLoop | None = None
    event_state: EventState | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttPlace:
    """What of the messages of one topic tells the alarm. A topic is exact: no wildcards.

    The value is what the JSON ``pointer`` (RFC 6901) leads to, or the group ``value`` (else the whole match) of
    ``pattern``, or the whole payload where both are None. It is on where it equals one of ``on_values``, off where it
    equals one of ``off_values``; where one of the two is empty, everything else. With a ``threshold`` it is a number,
    compared by ``on_when``. A payload that gives no value is neither on nor off.
    """

    topic: str
    pointer: str | None = None
    pattern: str | None = None
    on_values: tuple[str, ...] = ()
    off_values: tuple[str, ...] = ()
    on_when: OnWhen = OnWhen.SET
    threshold: float | None = None


@unique
class Sign(StrEnum):
    """What a person sees or hears."""

    LAMP = "lamp"
    HORN = "horn"
    TEXT = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonPlace:
    """One lamp, horn or display as a person watches it. ``label``: how it is found; for a text, what it says."""

    sign: Sign
    label: str


Place = ModbusPlace | TextPlace | BacnetPlace | MqttPlace | PersonPlace
