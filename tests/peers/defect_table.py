"""Which causes may be named for which defect of the simulated site.

A row holds for every alarm that the seed may choose. Codes beside each other are equals: what a record can hold does
not tell them apart, and the cause that stands first has to name one of them, itself or among its equals.
"""

from __future__ import annotations

from typing import Final

from sims.defect_kinds import Name
from sims.points import Place

REPEATERS: Final = (Place.BUS_1, Place.BUS_3, Place.BUS_4, Place.BUS_5)
_UNITS: Final = (*REPEATERS, Place.BUS_LOOP)
_BITS: Final = (Place.BMS, *REPEATERS, Place.GATEWAY)
_SPOTS: Final = (*_BITS, Place.LATCHED, Place.STATES)
_OBJECTS: Final = (Place.BUILDING, Place.BUILDING_STATES)
_LEVELS: Final = (Place.BUS_LOOP, Place.BUILDING_LEVELS)
_WIRED: Final = (Place.BMS, Place.GATEWAY, *_UNITS, Place.BUS_ALL)
_BMS_BLOCKS: Final = (Place.BMS, Place.HORN, Place.LATCHED, Place.STATES, Place.BMS_ALL)
_UNSEEN: Final = (
    "polls-failed", "link-down", "line-noise", "between-polls", "limit-within-bounds", "window-not-sampled",
)  # fmt: skip
"""What is lost or late by chance: polls that failed, and what is open because of the gaps that they left."""

_AT_THE_REFERENCE: Final = (
    Name.WRONG_BIT, Name.SWAPPED_PAIR, Name.OFF_BY_ONE, Name.INVERTED, Name.NEVER_APPEARS, Name.TOO_SHORT, Name.LATE,
    Name.STUCK, Name.REPEATED_MESSAGE, Name.FROZEN, Name.ZEROS, Name.EXCEPTIONS, Name.LATCHES, Name.MOMENTARY,
    Name.OTHER_TABLE,
)  # fmt: skip
_NO_REFERENCE: Final = frozenset({Name.EXCEPTIONS, Name.OTHER_TABLE, Name.INVERTED})
"""A reference that cannot be read, or is on before the raise, times nothing: then the steps themselves do."""

TABLE: Final[dict[tuple[Name, Place], frozenset[str]]] = {
    (name, place): frozenset(codes)
    for name, places, codes in (
        (Name.WRONG_BIT, (*_SPOTS, *_OBJECTS, Place.BUS_LOOP, Place.BROKER, Place.DISPLAY), ("wrong-bit",)),
        (Name.WRONG_BIT, (Place.PRINTER,), ("wrong-text",)),
        (Name.SWAPPED_PAIR, (*_SPOTS, *_OBJECTS, Place.BROKER), ("swapped-pair",)),
        # A failure current has to stay for 4 s, and nobody looks for a text that was not raised: one half is seen.
        (Name.SWAPPED_PAIR, (Place.BUS_LOOP,), ("swapped-pair", "wrong-bit", "loop-not-driven")),
        (Name.SWAPPED_PAIR, (Place.DISPLAY,), ("swapped-pair", "wrong-bit")),
        (Name.SWAPPED_PAIR, (Place.PRINTER,), ("swapped-pair",)),
        (Name.OFF_BY_ONE, (*_SPOTS, *_OBJECTS), ("address-off-by-one",)),
        (Name.OFF_BY_ONE, (Place.PRINTER,), ("text-off-by-one",)),
        (Name.OFF_BY_ONE, (Place.DISPLAY, Place.BROKER), ("address-off-by-one",)),
        (Name.INVERTED, (*_BITS, Place.LATCHED, Place.PRINTER, Place.HORN, Place.ANNUNCIATOR), ("inverted",)),
        (Name.INVERTED, (Place.BUILDING, Place.BROKER), ("inverted",)),
        (Name.NEVER_APPEARS, (*_SPOTS, *_OBJECTS, Place.DISPLAY, Place.BROKER), ("point-silent",)),
        (Name.NEVER_APPEARS, _LEVELS, ("point-silent", "loop-not-driven", "no-failure-current")),
        (Name.NEVER_APPEARS, (Place.HORN, Place.ANNUNCIATOR), ("point-silent",)),
        (Name.NEVER_APPEARS, (Place.PRINTER,), ("line-not-printed",)),
        (Name.LEAK, (Place.BMS, Place.STATES, Place.PRINTER), ("passed-on",)),
        (Name.TOO_SHORT, (*_SPOTS, *_OBJECTS, Place.DISPLAY, Place.BROKER), ("drops-early",)),
        (Name.TOO_SHORT, _LEVELS, ("drops-early", "loop-not-driven", "no-failure-current")),
        (Name.TOO_SHORT, (Place.HORN, Place.ANNUNCIATOR, Place.PRINTER), ("drops-early",)),
        (
            Name.LATE,
            (*_SPOTS, *_OBJECTS, *_LEVELS, Place.DISPLAY, Place.BROKER, Place.HORN, Place.ANNUNCIATOR, Place.PRINTER),
            ("later-than-search", "output-delay", "common-delay"),
        ),
        (Name.STUCK, (*_SPOTS, *_OBJECTS, *_LEVELS, Place.DISPLAY, Place.BROKER), ("never-gone",)),
        (Name.STUCK, (Place.HORN, Place.ANNUNCIATOR), ("never-gone",)),
        (Name.STUCK, (Place.PRINTER,), ("end-not-told",)),
        (Name.REPEATED_MESSAGE, (Place.BMS, Place.PRINTER, Place.BROKER), ("second-event",)),
        (Name.FROZEN, (*_BMS_BLOCKS, Place.GATEWAY, *REPEATERS, *_OBJECTS, Place.BROKER), ("block-frozen",)),
        (Name.FROZEN, (Place.HORN,), ("block-frozen", "block-dead")),  # from the start: off, and nothing else
        (Name.FROZEN, (Place.BUS_LOOP,), ("block-frozen", "loop-stuck")),
        (Name.ZEROS, (*_BMS_BLOCKS, Place.GATEWAY, *_UNITS), ("block-dead",)),
        (Name.EXCEPTIONS, (*_BMS_BLOCKS, Place.GATEWAY, *_UNITS), ("reads-refused",)),
        (Name.LATCHES, (Place.BMS, *REPEATERS, Place.BUILDING, Place.BROKER), ("latched",)),
        (Name.UNLATCHED, (Place.LATCHED, Place.ANNUNCIATOR), ("not-held",)),
        (Name.NOT_SILENCED, (Place.HORN,), ("not-silenced",)),
        (Name.SILENCED_TOO, (Place.LATCHED, Place.BMS), ("silenced-too",)),
        (Name.MOMENTARY, (*_BITS, Place.LATCHED, Place.HORN, Place.ANNUNCIATOR), ("momentary", "drops-early")),
        (Name.MOMENTARY, (Place.PRINTER, Place.BUILDING, Place.BROKER), ("momentary", "drops-early")),
        (Name.BYTE_ORDER, (Place.STATES, Place.LATCHED), ("bytes-swapped",)),
        (Name.WORD_ORDER, (Place.LATCHED,), ("words-swapped",)),
        (Name.OTHER_TABLE, (Place.LATCHED, Place.STATES, Place.GATEWAY, *_UNITS), ("wrong-table",)),
        (Name.DROPPED_ANSWERS, _WIRED, _UNSEEN),
        (Name.LATE_ANSWERS, _WIRED, _UNSEEN),
        (Name.HALF_FRAMES, _WIRED, _UNSEEN),
        (Name.HALF_FRAMES, (Place.PRINTER,), ("line-broken",)),
        (Name.HALF_FRAMES, (Place.BROKER,), ("payload-unreadable", "messages-lost")),
        (Name.NOISE, (*_UNITS, Place.BUS_ALL), _UNSEEN),
        (Name.SLOW_UNIT, _UNITS, _UNSEEN),
        (Name.RESETS, (Place.BMS, Place.GATEWAY, Place.PRINTER, Place.BROKER), _UNSEEN),
        (Name.LOST_MESSAGES, (Place.BROKER,), ("messages-lost",)),
        (Name.DEAD_UNIT, _UNITS, ("unit-dead",)),
        (Name.WRONG_UNIT, _UNITS, ("unit-address",)),
        (Name.SWAPPED_UNITS, (Place.BUS_LOOP,), ("wrong-unit",)),
        (Name.FOREIGN_ANSWERS, _UNITS, ("foreign-answers",)),
        (Name.WRONG_SCALE, (Place.BUS_LOOP,), ("loop-scale",)),
        (Name.REVERSED_LOOP, (Place.BUS_LOOP,), ("loop-reversed",)),
        (Name.CLIPPED_LOOP, (Place.BUS_LOOP,), ("loop-clipped",)),
        (Name.NO_FAILURE_CURRENT, (Place.BUS_LOOP,), ("no-failure-current",)),
        (Name.STALE_CACHE, (Place.GATEWAY,), ("block-dead", "block-frozen")),
        (Name.LOST_SOURCE, (Place.GATEWAY,), ("reads-refused",)),
        (Name.SLOW_POLLS, (Place.GATEWAY,), ("hop-polls-slowly",)),
        (Name.OUT_OF_SERVICE, (Place.BUILDING,), ("out-of-service",)),
        (Name.LONG_TIME_DELAY, (Place.BUILDING,), ("filtered-by-design", "time-delay")),
        (Name.EVENTS_DISABLED, (Place.BUILDING,), ("events-disabled",)),
        (Name.NO_RECIPIENT, (Place.BUILDING,), ("not-a-recipient",)),
        (Name.LOST_SUBSCRIPTION, (Place.BUILDING,), ("subscription-lost",)),
        (Name.NOTIFICATION_FLOOD, (Place.BUILDING,), ("notification-flood",)),
        (Name.WRONG_CLASS, (Place.BUILDING,), ("wrong-class",)),
        (Name.STALE_READS, (Place.BUILDING,), ("stale-reads",)),
        (Name.DUPLICATE_INSTANCE, (Place.BUILDING,), ("duplicate-instance",)),
        *((name, (Place.PANEL,), ("reference-wrong",)) for name in _AT_THE_REFERENCE),
        *(
            (name, (Place.PANEL,), ("reference-not-seen", "raise-not-proven", *_UNSEEN))
            for name in (Name.DROPPED_ANSWERS, Name.LATE_ANSWERS, Name.RESETS, Name.HALF_FRAMES)
        ),
    )
    for place in places
}  # fmt: skip

NOTHING_TO_SEE: Final[dict[tuple[Name, Place], str]] = {
    (name, place): why
    for name, places, why in (
        (Name.RETRANSMITTED_LINE, (Place.PRINTER, Place.BROKER), "a line or message sent again is still one event"),
        (Name.REPEATED_NOTIFICATION, (Place.BUILDING,), "a notification sent again is still one event"),
        (Name.NOT_SILENCED, (Place.ANNUNCIATOR,), "no row of it is released by silencing"),
        *(
            (name, (Place.TANKS,), "tank data move with the plant and show no alarm")
            for name in (Name.FROZEN, Name.ZEROS, Name.EXCEPTIONS, Name.BYTE_ORDER, Name.WORD_ORDER)
        ),
    )
    for place in places
}
"""What leaves every row of a point map a pass, and why: a run with it must be given no cause at all."""

_BY_CHANCE: Final = frozenset({
    Name.DROPPED_ANSWERS, Name.LATE_ANSWERS, Name.HALF_FRAMES, Name.RESETS, Name.NOISE, Name.LOST_MESSAGES,
    Name.SLOW_UNIT, Name.LATCHES, Name.MOMENTARY, Name.TOO_SHORT, Name.REPEATED_MESSAGE, Name.UNLATCHED,
})  # fmt: skip

_OF_STATES: Final = (Place.STATES, Place.BUILDING_STATES, Place.ANNUNCIATOR)


def may_be_hidden(name: Name, place: Place) -> bool:
    """What is lost by chance or between polls, or is over with the acknowledge that another output needed, may leave
    every result a pass: then there is nothing to explain. A state that is stuck went on to the next one all the same.
    """
    if place is Place.PANEL:
        return name in _BY_CHANCE | _NO_REFERENCE
    return name in _BY_CHANCE or (name is Name.STUCK and place in _OF_STATES)
