"""The states of an alarm, as ISA-18.2 and IEC 62682 name them, as one table.

State names: NORM, UNACK, ACKED, RTNUN, as listed for IEC 62682 in the documentation of the Tango control system
community. The same walk is open to read in OPC 10000-9 (UA Part 9), clauses 4.8 and 5.8: active and inactive, each
acknowledged or not.
"""

from __future__ import annotations

from enum import StrEnum, unique
from typing import Final


@unique
class AlarmState(StrEnum):
    """Where one alarm stands."""

    NORM = "norm"
    UNACK = "unack"
    ACKED = "acked"
    RTNUN = "rtn-unack"

    @property
    def active(self) -> bool:
        """Whether the condition is there."""
        return self in (AlarmState.UNACK, AlarmState.ACKED)

    @property
    def code(self) -> int:
        """What the state registers show: 0 normal, 1 unacknowledged, 2 acknowledged, 3 returned unacknowledged."""
        return _CODES[self]


@unique
class Happening(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"
    ACKNOWLEDGE = "acknowledge"
    CLEAR = "clear"
    RESET = "reset"


_CODES: Final = {AlarmState.NORM: 0, AlarmState.UNACK: 1, AlarmState.ACKED: 2, AlarmState.RTNUN: 3}

# What is not in the table changes nothing: a normal alarm cannot be acknowledged, an active one cannot be reset.
TRANSITIONS: Final[dict[tuple[AlarmState, Happening], AlarmState]] = {
    (AlarmState.NORM, Happening.RAISE): AlarmState.UNACK,
    (AlarmState.UNACK, Happening.ACKNOWLEDGE): AlarmState.ACKED,
    (AlarmState.UNACK, Happening.CLEAR): AlarmState.RTNUN,
    (AlarmState.ACKED, Happening.CLEAR): AlarmState.NORM,
    (AlarmState.RTNUN, Happening.RAISE): AlarmState.UNACK,
    (AlarmState.RTNUN, Happening.ACKNOWLEDGE): AlarmState.NORM,
    (AlarmState.RTNUN, Happening.RESET): AlarmState.NORM,
}


def after(state: AlarmState, happening: Happening) -> AlarmState:
    """The state that follows, which is the same one where the happening means nothing to it."""
    return TRANSITIONS.get((state, happening), state)
