"""The plant controller: takes commands, scans, keeps the state of every alarm, and says what its outputs should show.

One scan does what a scan of a controller does: take at most one command for each alarm, let transients run out, look at
the sensors, walk the state table, and compute every output from the states.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, unique
from typing import Final, NamedTuple

from sims.alarm_states import AlarmState, Happening, after
from sims.alarms import ALARMS, BY_NAME, AlarmClass, AlarmSpec, Effect
from sims.plant import Plant
from sims.points import (
    BMS,
    COMMON_ALARM,
    COMMON_FAULT,
    HORN,
    LATCHED,
    PANEL,
    PRINTER,
    STATES,
    Point,
)

COMMANDS_PENDING_MAX: Final = 256  # more than a person or a test writes between two scans; the write is refused then
EVERY_ALARM: Final = 0  # the alarm number that means all of them, for every action but raise

_TEST = "test"  # raised through the test block
_SENSOR = "sensor"  # raised by the plant itself


@unique
class Action(IntEnum):
    """What can be written to the test block."""

    RAISE = 1
    SILENCE = 2
    ACKNOWLEDGE = 3
    CLEAR = 4
    RESET = 5


class Command(NamedTuple):
    """One accepted write: ``alarm_number`` counts from 1, 0 means every alarm."""

    alarm_number: int
    action: Action

    def alarms(self) -> list[AlarmSpec]:
        """The alarms that it is for."""
        return list(ALARMS) if self.alarm_number == EVERY_ALARM else [ALARMS[self.alarm_number - 1]]


class Change(NamedTuple):
    """One alarm that came into another state in a scan. ``why`` is what happened to it."""

    alarm: AlarmSpec
    before: AlarmState
    after: AlarmState
    why: Happening


class Situation(NamedTuple):
    """What outputs are computed from: the state of every alarm, by name, and what follows from all of them.

    Warnings have no part in anything but ``states``. ``horn``: something unacknowledged sounds that was not silenced.
    ``newest``: the alarm that was raised last of those that are active.
    """

    states: Mapping[str, AlarmState]
    common_alarm: bool
    common_fault: bool
    horn: bool
    newest: str | None

    @property
    def unacknowledged(self) -> bool:
        """Whether an alarm that may leave the panel is active and nobody acknowledged it."""
        return any(self.states[alarm.name] is AlarmState.UNACK for alarm in ALARMS if not alarm.local)

    @property
    def open(self) -> bool:
        """Whether an alarm that may leave the panel is active, or was and nobody acknowledged it."""
        return any(self.states[alarm.name] is not AlarmState.NORM for alarm in ALARMS if not alarm.local)


@dataclass(slots=True, kw_only=True)
class _Standing:
    """How one alarm stands. ``causes``: why it is active; a bringing alarm's name, the test block, or a sensor."""

    state: AlarmState = AlarmState.NORM
    causes: set[str] = field(default_factory=set)
    brought_by: str | None = None
    sounding: bool = False
    raise_number: int = 0
    runs_out_ns: int | None = None


class Controller:
    """Keeps the alarms of one plant. All instants are the caller's; the controller has no clock."""

    def __init__(self, plant: Plant, lasts_ns: Mapping[str, int] | None = None) -> None:
        """``lasts_ns`` overrides how long transients last, by alarm name.

        ``accepted`` counts accepted commands; ``silenced`` says whether the last scan silenced the horn, which changes
        no alarm's state.
        """
        self.plant = plant
        self.accepted = 0
        self.silenced = False
        self._lasts_ns = {a.name: a.lasts_ns for a in ALARMS if a.lasts_ns is not None} | dict(lasts_ns or {})
        self._pending: deque[Command] = deque()
        self._alarms = {alarm.name: _Standing() for alarm in ALARMS}
        self._raises = 0

    def accept(self, alarm_number: int, action: int) -> Command | None:
        """Take a command for the next scan; None if it is refused (no such alarm or action, or too many pending)."""
        known = action in Action.__members__.values() and 0 <= alarm_number <= len(ALARMS)
        if not known or len(self._pending) >= COMMANDS_PENDING_MAX:
            return None
        command = Command(alarm_number, Action(action))
        if command == (EVERY_ALARM, Action.RAISE):
            return None
        self._pending.append(command)
        self.accepted += 1
        return command

    def state(self, name: str) -> AlarmState:
        """The state of one alarm."""
        return self._alarms[name].state

    @property
    def effects(self) -> set[Effect]:
        """The side effects in force."""
        return {a.effect for a in ALARMS if a.effect is not None and self.state(a.name).active}

    def scan(self, now_ns: int) -> list[Change]:
        """One scan: what changed, in the order of the alarms' happening."""
        self.silenced = False
        changes = self._run_out(now_ns)
        touched: set[str] = set()
        while self._pending and touched.isdisjoint(a.name for a in self._pending[0].alarms()):
            command = self._pending.popleft()
            for alarm in command.alarms():
                touched.add(alarm.name)
                changes += self._obey(alarm, command.action, now_ns)
        tripped = self.plant.conditions()
        for alarm in ALARMS:
            causes = self._alarms[alarm.name].causes
            if (alarm.name in tripped) != (_SENSOR in causes):
                changes += self._cause(alarm, _SENSOR, present=alarm.name in tripped)
        return changes

    def signals(self) -> dict[Point, int]:
        """What every alarm-carrying output should show now. For the printer: whether the alarm is active."""
        signals: dict[Point, int] = {}
        for alarm in ALARMS:
            state = self.state(alarm.name)
            remote = not alarm.local
            signals[PANEL[alarm.number]] = int(state.active)
            signals[BMS[alarm.number]] = int(state.active and remote)
            signals[STATES[alarm.number]] = state.code if remote else 0
            signals[PRINTER[alarm.number]] = int(state.active and remote)
            if remote:
                signals[LATCHED[alarm.number]] = int(state is not AlarmState.NORM)
        situation = self.situation()
        signals[COMMON_ALARM] = int(situation.common_alarm)
        signals[COMMON_FAULT] = int(situation.common_fault)
        signals[HORN] = int(situation.horn)
        return signals

    def situation(self) -> Situation:
        """How all alarms stand now."""
        active = [alarm for alarm in ALARMS if self.state(alarm.name).active and not alarm.local]
        newest = max(active, key=lambda alarm: self._alarms[alarm.name].raise_number, default=None)
        return Situation(
            states={name: standing.state for name, standing in self._alarms.items()},
            common_alarm=bool(active),
            common_fault=any(alarm.alarm_class is AlarmClass.FAULT for alarm in active),
            horn=any(self._alarms[alarm.name].sounding for alarm in active),
            newest=None if newest is None else newest.name,
        )

    def _run_out(self, now_ns: int) -> list[Change]:
        changes: list[Change] = []
        for alarm in ALARMS:
            runs_out_ns = self._alarms[alarm.name].runs_out_ns
            if runs_out_ns is not None and now_ns >= runs_out_ns:
                changes += self._obey(alarm, Action.CLEAR, now_ns)
        return changes

    def _obey(self, alarm: AlarmSpec, action: Action, now_ns: int) -> list[Change]:
        standing = self._alarms[alarm.name]
        match action:
            case Action.RAISE:
                lasts_ns = self._lasts_ns.get(alarm.name)
                standing.runs_out_ns = None if lasts_ns is None else now_ns + lasts_ns
                return self._cause(alarm, _TEST, present=True)
            case Action.CLEAR:
                standing.runs_out_ns = None
                return self._cause(alarm, _TEST, present=False)
            case Action.SILENCE:  # one button on the panel: it silences the horn, whatever sounds it
                self.silenced = True
                for other in self._alarms.values():
                    other.sounding = False
                return []
            case Action.ACKNOWLEDGE:
                return self._acknowledge(alarm)
            case Action.RESET:
                return self._walk(alarm, Happening.RESET)

    def _acknowledge(self, alarm: AlarmSpec) -> list[Change]:
        """An alarm that only another one brought is acknowledged with it: nobody else could have raised it."""
        changes = self._walk(alarm, Happening.ACKNOWLEDGE)
        for name in alarm.also_raises:
            brought = self._alarms[name]
            if brought.brought_by == alarm.name and brought.causes <= {alarm.name}:
                changes += self._walk(BY_NAME[name], Happening.ACKNOWLEDGE)
        return changes

    def _cause(self, alarm: AlarmSpec, cause: str, *, present: bool) -> list[Change]:
        """One reason for an alarm comes or goes: it is active while there is any."""
        standing = self._alarms[alarm.name]
        if present == (cause in standing.causes):
            return []
        if present:
            standing.brought_by = cause if not standing.causes else None
            standing.causes.add(cause)
        else:
            standing.causes.discard(cause)
        changes = self._walk(alarm, Happening.RAISE if standing.causes else Happening.CLEAR)
        for name in alarm.also_raises:
            changes += self._cause(BY_NAME[name], alarm.name, present=bool(standing.causes))
        return changes

    def _walk(self, alarm: AlarmSpec, happening: Happening) -> list[Change]:
        standing = self._alarms[alarm.name]
        before, standing.state = standing.state, after(standing.state, happening)
        if before is standing.state:
            return []
        standing.sounding = standing.state is AlarmState.UNACK
        if happening is Happening.RAISE:
            self._raises += 1
            standing.raise_number = self._raises
        return [Change(alarm, before, standing.state, happening)]
