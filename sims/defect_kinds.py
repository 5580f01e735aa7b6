"""The catalogue of defects: what each kind does, where it can be, and what it takes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from sims.durations import NS_PER_MS
from sims.points import Place

EXCEPTION_CODES: Final = (1, 2, 3, 4, 5, 6, 7, 8, 10, 11)  # Application Protocol V1.1b3, 7; 7 is from older editions


@unique
class Name(StrEnum):
    """Every kind of defect."""

    WRONG_BIT = "wrong-bit"
    SWAPPED_PAIR = "swapped-pair"
    OFF_BY_ONE = "off-by-one"
    INVERTED = "inverted"
    NEVER_APPEARS = "never-appears"
    LEAK = "leak"
    TOO_SHORT = "too-short"
    LATE = "late"
    STUCK = "stuck"
    REPEATED_MESSAGE = "repeated-message"
    RETRANSMITTED_LINE = "retransmitted-line"
    FROZEN = "frozen"
    ZEROS = "zeros"
    EXCEPTIONS = "exceptions"
    DROPPED_ANSWERS = "dropped-answers"
    LATE_ANSWERS = "late-answers"
    RESETS = "resets"
    HALF_FRAMES = "half-frames"
    LOST_MESSAGES = "lost-messages"
    LATCHES = "latches"
    UNLATCHED = "unlatched"
    MOMENTARY = "momentary"
    NOT_SILENCED = "not-silenced"
    SILENCED_TOO = "silenced-too"
    BYTE_ORDER = "byte-order"
    WORD_ORDER = "word-order"
    OTHER_TABLE = "other-table"
    DEAD_UNIT = "dead-unit"
    WRONG_UNIT = "wrong-unit"
    SWAPPED_UNITS = "swapped-units"
    FOREIGN_ANSWERS = "foreign-answers"
    SLOW_UNIT = "slow-unit"
    NOISE = "noise"
    WRONG_SCALE = "wrong-scale"
    REVERSED_LOOP = "reversed-loop"
    CLIPPED_LOOP = "clipped-loop"
    NO_FAILURE_CURRENT = "no-failure-current"
    STALE_CACHE = "stale-cache"
    LOST_SOURCE = "lost-source"
    SLOW_POLLS = "slow-polls"
    OUT_OF_SERVICE = "out-of-service"
    LONG_TIME_DELAY = "long-time-delay"
    EVENTS_DISABLED = "events-disabled"
    NO_RECIPIENT = "no-recipient"
    LOST_SUBSCRIPTION = "lost-subscription"
    NOTIFICATION_FLOOD = "notification-flood"
    REPEATED_NOTIFICATION = "repeated-notification"
    WRONG_CLASS = "wrong-class"
    STALE_READS = "stale-reads"
    DUPLICATE_INSTANCE = "duplicate-instance"


@unique
class Target(StrEnum):
    """What a defect is aimed at within its place."""

    ALARM = "an alarm"
    SIGNAL = "an alarm, or a common signal or the horn where the place has them"
    WARNING = "a warning"
    BLOCK = "nothing: the whole block has it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of defect. A value that is not None is the default of one that may be given.

    ``numbers``: the unit numbers out of which one may be given, or is chosen by the seed.
    """

    name: Name
    sentence: str
    places: tuple[Place, ...]
    target: Target = Target.BLOCK
    other: bool = False
    duration_ns: int | None = None
    share: float | None = None
    code: int | None = None
    numbers: tuple[int, ...] = ()


_REPEATERS: Final = (Place.BUS_1, Place.BUS_3, Place.BUS_4, Place.BUS_5)
_UNITS: Final = (*_REPEATERS, Place.BUS_LOOP)
_PUSHED: Final = (Place.BUILDING, Place.BUILDING_STATES, Place.BROKER)
_FREE_ADDRESSES: Final = tuple(range(6, 32))

_ALARM_BLOCKS: Final = (Place.BMS, Place.PANEL, Place.LATCHED, Place.STATES)
_ROW_PLACES: Final = (*_ALARM_BLOCKS, Place.PRINTER, *_REPEATERS, Place.GATEWAY, Place.DISPLAY, *_PUSHED)
_ALARM_PLACES: Final = (*_ROW_PLACES, Place.BUS_LOOP)
_SIGNAL_PLACES: Final = (*_ALARM_PLACES, Place.HORN, Place.ANNUNCIATOR, Place.BUILDING_LEVELS)
_BIT_PLACES: Final = (
    Place.BMS,
    Place.PANEL,
    Place.LATCHED,
    Place.PRINTER,
    Place.HORN,
    *_REPEATERS,
    Place.GATEWAY,
    Place.ANNUNCIATOR,
    Place.BUILDING,
    Place.BROKER,
)
_FOLLOWING: Final = (Place.BMS, Place.PANEL, *_REPEATERS, Place.BUILDING, Place.BROKER)
_BMS_BLOCKS: Final = (Place.BMS, Place.HORN, Place.LATCHED, Place.STATES, Place.TANKS, Place.BMS_ALL)
_READ_BLOCKS: Final = (*_BMS_BLOCKS, Place.PANEL, *_UNITS, Place.GATEWAY)
_TCP_DEVICES: Final = (Place.BMS, Place.PANEL, Place.GATEWAY)
_DEVICES: Final = (*_TCP_DEVICES, *_UNITS, Place.BUS_ALL)

KINDS: Final[dict[Name, Kind]] = {
    kind.name: kind
    for kind in (
        Kind(
            name=Name.WRONG_BIT,
            sentence="The alarm appears at another alarm's point, and not at its own.",
            places=_ALARM_PLACES,
            target=Target.ALARM,
            other=True,
        ),
        Kind(
            name=Name.SWAPPED_PAIR,
            sentence="Two alarms appear at each other's points.",
            places=_ALARM_PLACES,
            target=Target.ALARM,
            other=True,
        ),
        Kind(
            name=Name.OFF_BY_ONE,
            sentence="Every alarm of the block appears one point further on; the last one is lost.",
            places=_ROW_PLACES,
        ),
        Kind(
            name=Name.INVERTED,
            sentence="The point is on while the alarm is not active, and off while it is.",
            places=_BIT_PLACES,
            target=Target.SIGNAL,
        ),
        Kind(
            name=Name.NEVER_APPEARS,
            sentence="The point never shows the alarm.",
            places=_SIGNAL_PLACES,
            target=Target.SIGNAL,
        ),
        Kind(
            name=Name.LEAK,
            sentence="A warning that must stay on the panel appears there too.",
            places=(Place.BMS, Place.STATES, Place.PRINTER),
            target=Target.WARNING,
        ),
        Kind(
            name=Name.TOO_SHORT,
            sentence="The point shows the alarm for the given time only, however long it is active.",
            places=_SIGNAL_PLACES,
            target=Target.SIGNAL,
            duration_ns=60 * NS_PER_MS,
        ),
        Kind(
            name=Name.LATE,
            sentence="Everything that the point shows of the alarm comes later by the given time.",
            places=_SIGNAL_PLACES,
            target=Target.SIGNAL,
            duration_ns=3000 * NS_PER_MS,
        ),
        Kind(
            name=Name.STUCK,
            sentence="Once it has shown the alarm, the point never goes back to normal.",
            places=_SIGNAL_PLACES,
            target=Target.SIGNAL,
        ),
        Kind(
            name=Name.REPEATED_MESSAGE,
            sentence="Each raise is told twice: raised, cleared after the given time, and after it again raised anew.",
            places=(Place.PRINTER, Place.BMS, Place.PANEL, Place.BROKER),
            target=Target.ALARM,
            duration_ns=300 * NS_PER_MS,
        ),
        Kind(
            name=Name.RETRANSMITTED_LINE,
            sentence="Each line or message of the alarm is sent again after the given time, byte for byte: "
            "still one event.",
            places=(Place.PRINTER, Place.BROKER),
            target=Target.ALARM,
            duration_ns=50 * NS_PER_MS,
        ),
        Kind(
            name=Name.FROZEN,
            sentence="The block goes on answering old values, from when the alarm first shows there, or after a time.",
            places=(*_READ_BLOCKS, *_PUSHED),
            target=Target.ALARM,
            duration_ns=0,
        ),
        Kind(name=Name.ZEROS, sentence="The block answers zeros, whatever happens.", places=_READ_BLOCKS),
        Kind(
            name=Name.EXCEPTIONS,
            sentence="Every read that touches the block is answered with an exception.",
            places=_READ_BLOCKS,
            code=4,
        ),
        Kind(
            name=Name.DROPPED_ANSWERS,
            sentence="A share of the answers never arrives.",
            places=_DEVICES,
            share=0.1,
        ),
        Kind(
            name=Name.LATE_ANSWERS,
            sentence="A share of the answers arrives late by the given time.",
            places=_DEVICES,
            duration_ns=400 * NS_PER_MS,
            share=0.1,
        ),
        Kind(
            name=Name.RESETS,
            sentence="In place of a share of the answers, or after a share of the lines, the connection is reset.",
            places=(*_TCP_DEVICES, Place.PRINTER, Place.BROKER),
            share=0.02,
        ),
        Kind(
            name=Name.HALF_FRAMES,
            sentence="Of a share of the answers or lines only the first half arrives; the connection stays open.",
            places=(*_DEVICES, Place.PRINTER, Place.BROKER),
            share=0.05,
        ),
        Kind(
            name=Name.LOST_MESSAGES,
            sentence="A share of the messages gets lost before the broker has them; their numbers are used up.",
            places=(Place.BROKER,),
            share=0.1,
        ),
        Kind(
            name=Name.LATCHES,
            sentence="The point holds on when the alarm has gone, until it is acknowledged; it should follow.",
            places=_FOLLOWING,
            target=Target.ALARM,
        ),
        Kind(
            name=Name.UNLATCHED,
            sentence="The point goes off with the alarm; it should hold on until the alarm is acknowledged.",
            places=(Place.LATCHED, Place.ANNUNCIATOR),
            target=Target.SIGNAL,
        ),
        Kind(
            name=Name.MOMENTARY,
            sentence="The point is on for the given time when the alarm comes, and again when it goes.",
            places=_BIT_PLACES,
            target=Target.SIGNAL,
            duration_ns=200 * NS_PER_MS,
        ),
        Kind(
            name=Name.NOT_SILENCED,
            sentence="Silencing does not stop the horn; acknowledging does.",
            places=(Place.ANNUNCIATOR, Place.HORN),
        ),
        Kind(
            name=Name.SILENCED_TOO,
            sentence="The point goes off with the silence, and stays off; only the horn should go silent.",
            places=(Place.LATCHED, Place.BMS),
            target=Target.ALARM,
        ),
        Kind(
            name=Name.BYTE_ORDER,
            sentence="The two bytes of every register of the block are the wrong way round.",
            places=(Place.STATES, Place.LATCHED, Place.TANKS),
        ),
        Kind(
            name=Name.WORD_ORDER,
            sentence="The two registers of every value of 32 bits in the block are the wrong way round.",
            places=(Place.TANKS, Place.LATCHED),
        ),
        Kind(
            name=Name.OTHER_TABLE,
            sentence="The block is found in the other table of its width: coils and discrete inputs, both registers.",
            places=(Place.PANEL, Place.LATCHED, Place.STATES, *_UNITS, Place.GATEWAY),
        ),
        Kind(name=Name.DEAD_UNIT, sentence="The unit never answers.", places=_UNITS),
        Kind(
            name=Name.WRONG_UNIT,
            sentence="The unit answers at another address, which no unit has, and not at its own.",
            places=_UNITS,
            numbers=_FREE_ADDRESSES,
        ),
        Kind(
            name=Name.SWAPPED_UNITS,
            sentence="The analog module and a repeater answer at each other's addresses.",
            places=(Place.BUS_LOOP,),
            numbers=(1, 3, 4, 5),
        ),
        Kind(
            name=Name.FOREIGN_ANSWERS,
            sentence="The unit answers when it is asked, and gives another address as its own.",
            places=_UNITS,
            numbers=_FREE_ADDRESSES,
        ),
        Kind(
            name=Name.SLOW_UNIT,
            sentence="The unit waits for the given time before each of its answers.",
            places=_UNITS,
            duration_ns=150 * NS_PER_MS,
        ),
        Kind(
            name=Name.NOISE,
            sentence="In a share of the answers one bit is turned over on the wire, so that the CRC does not match.",
            places=(*_UNITS, Place.BUS_ALL),
            share=0.1,
        ),
        Kind(
            name=Name.WRONG_SCALE,
            sentence="The analog module reads every current as the given share of what it is.",
            places=(Place.BUS_LOOP,),
            share=0.8,
        ),
        Kind(
            name=Name.REVERSED_LOOP,
            sentence="The loops give 20 mA for an empty tank, and 4 mA for a full one.",
            places=(Place.BUS_LOOP,),
        ),
        Kind(
            name=Name.CLIPPED_LOOP,
            sentence="The analog module reads nothing below 4 mA and nothing above 20 mA: no failure current is seen.",
            places=(Place.BUS_LOOP,),
        ),
        Kind(
            name=Name.NO_FAILURE_CURRENT,
            sentence="A probe that has failed leaves its loop at the level; no failure current is driven.",
            places=(Place.BUS_LOOP,),
        ),
        Kind(
            name=Name.STALE_CACHE,
            sentence="The gateway loses its source after the given time, and goes on answering what it saw last.",
            places=(Place.GATEWAY,),
            duration_ns=0,
        ),
        Kind(
            name=Name.LOST_SOURCE,
            sentence="The gateway loses its source after the given time, and answers exception 11 from then on.",
            places=(Place.GATEWAY,),
            duration_ns=0,
        ),
        Kind(
            name=Name.SLOW_POLLS,
            sentence="The gateway asks its source only once in the given time, and misses what happens in between.",
            places=(Place.GATEWAY,),
            duration_ns=10_000 * NS_PER_MS,
        ),
        Kind(
            name=Name.OUT_OF_SERVICE,
            sentence="The alarm's object is out of service, and keeps the value that it had at the start.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
        ),
        Kind(
            name=Name.LONG_TIME_DELAY,
            sentence="The Time_Delay of the alarm's object is as long as given: what is over before is not notified.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
            duration_ns=5000 * NS_PER_MS,
        ),
        Kind(
            name=Name.EVENTS_DISABLED,
            sentence="No flag of Event_Enable is set at the alarm's object: nobody is notified of its events.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
        ),
        Kind(
            name=Name.NO_RECIPIENT,
            sentence="The Recipient_List of the notification class is empty.",
            places=(Place.BUILDING,),
        ),
        Kind(
            name=Name.LOST_SUBSCRIPTION,
            sentence="The device forgets each subscription to the alarm's object the given time after it was taken.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
            duration_ns=0,
        ),
        Kind(
            name=Name.NOTIFICATION_FLOOD,
            sentence="After each event of the alarm, the same is notified a hundred times a second for the given time.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
            duration_ns=1000 * NS_PER_MS,
        ),
        Kind(
            name=Name.REPEATED_NOTIFICATION,
            sentence="Each notification of the alarm's object is sent again after the given time: still one event.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
            duration_ns=50 * NS_PER_MS,
        ),
        Kind(
            name=Name.WRONG_CLASS,
            sentence="The alarm's object belongs to another notification class, which is of the lowest priority.",
            places=(Place.BUILDING,),
            target=Target.ALARM,
        ),
        Kind(
            name=Name.STALE_READS,
            sentence="Reads find the values of up to the given time ago, while notifications are fresh.",
            places=(Place.BUILDING,),
            duration_ns=5000 * NS_PER_MS,
        ),
        Kind(
            name=Name.DUPLICATE_INSTANCE,
            sentence="A second device, on another port, has the same device instance.",
            places=(Place.BUILDING,),
        ),
    )
}
