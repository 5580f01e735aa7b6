"""What an alarm, and each output of it, does at every step: one table of states for each.

Silence, acknowledge and reset are three different things. What each of them changes is written down here once; the
documents are drawn from these tables, and the release instants of the judge are held against walks through them.

The alarm. State names NORM, UNACK, ACKED, RTNUN (returned to normal, unacknowledged) as listed for IEC 62682 in the
documentation of the Tango control system community. OPC 10000-9 (UA Part 9, "designed in accordance with IEC 62682 and
ISA 18.2"), clauses 4.8, 5.8 and its annex, has the same as two flags: active or not, acknowledged or not. The latched
states, and that a reset takes an alarm that is neither active nor unacknowledged, are from memory of ISA-18.2 and UA
Part 9. Shelved, suppressed by design and out of service (SHLVD, DSUPR, OOSRV) are set by persons or logic beside the
alarm; no step of a stimulus leads there.

The outputs. Common practice, no source, in the words of DESIGN's behaviours; that a horn is silenced apart from the
acknowledge, and that one which locks in outlasts the alarm, are as in the sequences of ISA-18.1 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum, unique
from types import MappingProxyType
from typing import Final

from harness.core.model import Behaviour, Step


@unique
class Happening(StrEnum):
    """What can happen to an alarm or to an output: the steps of a stimulus, and that a time of the output has run out.

    ``TIME`` is the end of the dwell, or of a pulse.
    """

    RAISE = "raise"
    SILENCE = "silence"
    ACKNOWLEDGE = "acknowledge"
    CLEAR = "clear"
    RESET = "reset"
    TIME = "time"


@unique
class AlarmState(StrEnum):
    """Where an alarm stands in the controller."""

    NORM = "NORM"
    UNACK = "UNACK"
    ACKED = "ACKED"
    RTNUN = "RTNUN"
    LATUN = "LATUN"
    LATCHED = "LATCHED"

    @property
    def is_active(self) -> bool:
        """Whether the condition is there."""
        return self in (AlarmState.UNACK, AlarmState.ACKED)

    @property
    def meaning(self) -> str:
        """One plain phrase for a reader who sees the name for the first time."""
        return _MEANS[self]


_MEANS: Final = {
    AlarmState.NORM: "normal",
    AlarmState.UNACK: "active, not acknowledged",
    AlarmState.ACKED: "active, acknowledged",
    AlarmState.RTNUN: "returned to normal, not acknowledged",
    AlarmState.LATUN: "returned to normal, latched, not acknowledged",
    AlarmState.LATCHED: "returned to normal, latched, acknowledged",
}

AlarmTable = Mapping[tuple[AlarmState, Happening], AlarmState]

_N, _U, _A, _R = AlarmState.NORM, AlarmState.UNACK, AlarmState.ACKED, AlarmState.RTNUN
_LU, _L = AlarmState.LATUN, AlarmState.LATCHED

# What is not in a table changes nothing: silence changes no alarm, and what was never raised cannot be acknowledged.
ALARM: Final[AlarmTable] = MappingProxyType(
    {
        (_N, Happening.RAISE): _U,
        (_U, Happening.ACKNOWLEDGE): _A,
        (_U, Happening.CLEAR): _R,
        (_A, Happening.CLEAR): _N,
        (_R, Happening.ACKNOWLEDGE): _N,
        (_R, Happening.RAISE): _U,
    }
)
"""An alarm that returns to normal by itself once it is cleared and acknowledged, in either order."""

LATCHING_ALARM: Final[AlarmTable] = MappingProxyType(
    {
        (_N, Happening.RAISE): _U,
        (_U, Happening.ACKNOWLEDGE): _A,
        (_U, Happening.CLEAR): _LU,
        (_A, Happening.CLEAR): _L,
        (_LU, Happening.ACKNOWLEDGE): _L,
        (_LU, Happening.RAISE): _U,
        (_L, Happening.RESET): _N,
        (_L, Happening.RAISE): _U,
    }
)
"""An alarm that is latched by the controller until it is reset."""


def alarm_after(state: AlarmState, happening: Happening, table: AlarmTable = ALARM) -> AlarmState:
    """The state that follows; the same one where the happening means nothing to it."""
    return table.get((state, happening), state)


@unique
class OutputState(StrEnum):
    """Where an output stands with regard to one alarm."""

    OFF = "off"
    ON = "on"
    ON_ACKNOWLEDGED = "acknowledged"
    ON_CLEARED = "cleared"
    DWELL = "dwell"

    @property
    def shows(self) -> bool:
        """Whether the output shows the alarm."""
        return self is not OutputState.OFF

    @property
    def meaning(self) -> str:
        """One plain phrase for a reader who sees the name for the first time."""
        return _SAYS[self]


_SAYS: Final = {
    OutputState.OFF: "shows nothing of this alarm",
    OutputState.ON: "shows it",
    OutputState.ON_ACKNOWLEDGED: "shows it, acknowledged, and waits for the clear",
    OutputState.ON_CLEARED: "shows it, cleared, and waits for its release",
    OutputState.DWELL: "released, and still shows it until its dwell is over (at once where none is declared)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputTable:
    """What an output does that acts as a row of the point map declares. What is not in it changes nothing.

    ``released_by``: as the row has it; None where the behaviour leaves no choice.
    """

    behaviour: Behaviour
    released_by: Step | None
    rows: Mapping[tuple[OutputState, Happening], OutputState]

    def after(self, state: OutputState, happening: Happening) -> OutputState:
        """The state that follows."""
        return self.rows.get((state, happening), state)

    @property
    def states(self) -> tuple[OutputState, ...]:
        """The states that it can be in, off first."""
        return tuple(it for it in OutputState if it is OutputState.OFF or it in self.rows.values())

    @property
    def releasing(self) -> frozenset[Step]:
        """The steps that have a part in its release."""
        out = {happening for (state, happening), to in self.rows.items() if state.shows and to is not OutputState.ON}
        return frozenset(Step(it.value) for it in out if it is not Happening.TIME)


_OFF, _ON, _DWELL = OutputState.OFF, OutputState.ON, OutputState.DWELL
_ACK, _CLR = OutputState.ON_ACKNOWLEDGED, OutputState.ON_CLEARED


def _table(
    behaviour: Behaviour, released_by: Step | None, rows: Mapping[tuple[OutputState, Happening], OutputState]
) -> OutputTable:
    """With what all of them have that hold on: a raise shows, a dwell ends by time, and a raise ends it too."""
    common = {
        (_OFF, Happening.RAISE): _ON,
        (_DWELL, Happening.TIME): _OFF,
        (_DWELL, Happening.RAISE): _ON,
    }
    return OutputTable(behaviour=behaviour, released_by=released_by, rows=MappingProxyType({**common, **rows}))


OUTPUTS: Final[tuple[OutputTable, ...]] = (
    _table(Behaviour.FOLLOWS, None, {(_ON, Happening.CLEAR): _DWELL}),
    # A horn that ends with the alarm, and that can be silenced or acknowledged before.
    _table(
        Behaviour.FOLLOWS,
        Step.SILENCE,
        {(_ON, it): _DWELL for it in (Happening.CLEAR, Happening.SILENCE, Happening.ACKNOWLEDGE)},
    ),
    _table(Behaviour.UNTIL_ACKNOWLEDGED, Step.ACKNOWLEDGE, {(_ON, Happening.ACKNOWLEDGE): _DWELL}),
    # A horn that locks in: it sounds on over the clear, until silenced or acknowledged, whichever comes first.
    _table(
        Behaviour.UNTIL_ACKNOWLEDGED,
        Step.SILENCE,
        {(_ON, it): _DWELL for it in (Happening.SILENCE, Happening.ACKNOWLEDGE)},
    ),
    _table(
        Behaviour.LATCHED,
        Step.ACKNOWLEDGE,
        {
            (_ON, Happening.ACKNOWLEDGE): _ACK,
            (_ON, Happening.CLEAR): _CLR,
            (_ACK, Happening.CLEAR): _DWELL,
            (_CLR, Happening.ACKNOWLEDGE): _DWELL,
            (_CLR, Happening.RAISE): _ON,
        },
    ),
    # A reset takes nothing that is still active: given before the clear, it releases nothing.
    _table(
        Behaviour.LATCHED,
        Step.RESET,
        {
            (_ON, Happening.CLEAR): _CLR,
            (_CLR, Happening.RESET): _DWELL,
            (_CLR, Happening.RAISE): _ON,
        },
    ),
    OutputTable(
        behaviour=Behaviour.PULSE,
        released_by=None,
        rows=MappingProxyType({(_OFF, Happening.RAISE): _ON, (_ON, Happening.TIME): _OFF}),
    ),
    OutputTable(behaviour=Behaviour.QUIET, released_by=None, rows=MappingProxyType({})),
)

_BY_KEY: Final = MappingProxyType({(it.behaviour, it.released_by): it for it in OUTPUTS})


def release_choices(behaviour: Behaviour) -> tuple[Step, ...]:
    """What ``released by`` may say of a behaviour in the point map; () where it says nothing about it."""
    return tuple(it.released_by for it in OUTPUTS if it.behaviour is behaviour and it.released_by is not None)


def output_table(behaviour: Behaviour, released_by: Step) -> OutputTable:
    """The table of a row. What a row does not declare (``released_by`` left as it is by default) chooses nothing.

    Raises KeyError for a choice that :func:`release_choices` does not have, such as a latched output that a silence
    releases.
    """
    if released_by is Step.ACKNOWLEDGE and (behaviour, released_by) not in _BY_KEY:
        return _BY_KEY[behaviour, None]
    if behaviour in (Behaviour.PULSE, Behaviour.QUIET):
        return _BY_KEY[behaviour, None]
    return _BY_KEY[behaviour, released_by]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """From ``at`` on, the output is in ``state``. Instants are the caller's, in any unit."""

    at: int
    state: OutputState


def walk(
    table: OutputTable, happenings: Iterable[tuple[int, Happening]], dwell: int = 0, pulse: int = 1
) -> tuple[Shown, ...]:
    """What the output does while these happen to its alarm, in the order of their instants.

    A raise of an alarm that is active already is none. ``dwell``: how long it holds on after its release; ``pulse``:
    how long a pulse lasts, in the unit of the instants.
    """
    alarm, state, runs_out = AlarmState.NORM, OutputState.OFF, None
    found: list[Shown] = []

    def go(at: int, to: OutputState) -> None:
        nonlocal state, runs_out
        if to is state:
            return
        state = to
        found.append(Shown(at=at, state=state))
        is_pulse = table.behaviour is Behaviour.PULSE and state is OutputState.ON
        runs_out = at + dwell if state is OutputState.DWELL else at + pulse if is_pulse else None

    for at, happening in happenings:
        if runs_out is not None and runs_out <= at:
            go(runs_out, table.after(state, Happening.TIME))
        was = alarm
        alarm = alarm_after(alarm, happening)
        if happening is not Happening.RAISE or alarm is not was:
            go(at, table.after(state, happening))
    if runs_out is not None:
        go(runs_out, table.after(state, Happening.TIME))
    return tuple(found)
