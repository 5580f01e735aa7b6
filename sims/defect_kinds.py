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


@unique
class Target(StrEnum):
    """What a defect is aimed at within its place."""

    ALARM = "an alarm"
    SIGNAL = "an alarm, or a common signal or the horn where the place has them"
    WARNING = "a warning"
    BLOCK = "nothing: the whole block has it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of defect. A value that is not None is the default of one that may be given."""

    name: Name
    sentence: str
    places: tuple[Place, ...]
    target: Target = Target.BLOCK
    other: bool = False
    duration_ns: int | None = None
    share: float | None = None
    code: int | None = None


_ALARM_BLOCKS: Final = (Place.BMS, Place.PANEL, Place.LATCHED, Place.STATES)
_ALARM_PLACES: Final = (*_ALARM_BLOCKS, Place.PRINTER)
_SIGNAL_PLACES: Final = (*_ALARM_PLACES, Place.HORN)
_BIT_PLACES: Final = (Place.BMS, Place.PANEL, Place.LATCHED, Place.PRINTER, Place.HORN)
_READ_BLOCKS: Final = (Place.BMS, Place.HORN, Place.LATCHED, Place.STATES, Place.TANKS, Place.BMS_ALL, Place.PANEL)
_DEVICES: Final = (Place.BMS, Place.PANEL)

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
            places=_ALARM_PLACES,
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
            places=(Place.PRINTER, Place.BMS, Place.PANEL),
            target=Target.ALARM,
            duration_ns=300 * NS_PER_MS,
        ),
        Kind(
            name=Name.RETRANSMITTED_LINE,
            sentence="Each line of the alarm is sent again after the given time, byte for byte: still one event.",
            places=(Place.PRINTER,),
            target=Target.ALARM,
            duration_ns=50 * NS_PER_MS,
        ),
        Kind(
            name=Name.FROZEN,
            sentence="The block goes on answering old values, from when the alarm first shows there, or after a time.",
            places=_READ_BLOCKS,
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
            places=(*_DEVICES, Place.PRINTER),
            share=0.02,
        ),
        Kind(
            name=Name.HALF_FRAMES,
            sentence="Of a share of the answers or lines only the first half arrives; the connection stays open.",
            places=(*_DEVICES, Place.PRINTER),
            share=0.05,
        ),
    )
}
