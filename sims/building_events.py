"""The event state of one BACnet object, in the caller's time: intrinsic reporting without sockets and without a clock.

The two algorithms, their conditions and the role of Time_Delay, Time_Delay_Normal, deadband and limit enable are those
of ASHRAE 135: CHANGE_OF_STATE in 13.3.2, OUT_OF_RANGE in 13.3.6. A fault (Reliability other than no-fault-detected)
takes precedence over normal and off-normal (13.2.2). Instants are integer ns; a condition must hold for all its delay.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, unique
from typing import Final, NamedTuple, Protocol

NO_FAULT: Final = 0  # Reliability no-fault-detected, ASHRAE 135, clause 21


@unique
class EventState(IntEnum):
    """BACnetEventState, as numbered in OPC 30030, table 122."""

    NORMAL = 0
    FAULT = 1
    OFFNORMAL = 2
    HIGH_LIMIT = 3
    LOW_LIMIT = 4


@unique
class Transition(IntEnum):
    """The three kinds of transition, in the order of all arrays and bit strings that hold one entry for each."""

    TO_OFFNORMAL = 0
    TO_FAULT = 1
    TO_NORMAL = 2


def transition_to(state: EventState) -> Transition:
    """The kind of transition that leads into a state: both limits are off-normal states."""
    match state:
        case EventState.NORMAL:
            return Transition.TO_NORMAL
        case EventState.FAULT:
            return Transition.TO_FAULT
    return Transition.TO_OFFNORMAL


class Condition(NamedTuple):
    """One condition of an algorithm that holds now: it leads to ``to_state`` once it has held for ``delay_ns``."""

    to_state: EventState
    delay_ns: int


class Algorithm(Protocol):
    """What decides between normal and off-normal."""

    def conditions(self, state: EventState, value: float) -> list[Condition]:
        """The conditions that hold for a value in a state, in the order of the standard."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """Time_Delay and Time_Delay_Normal in ns; without the second the first serves both (before revision 13 it did)."""

    time_delay_ns: int = 0
    time_delay_normal_ns: int | None = None

    @property
    def to_normal_ns(self) -> int:
        """The delay of the way back."""
        return self.time_delay_ns if self.time_delay_normal_ns is None else self.time_delay_normal_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeOfState:
    """CHANGE_OF_STATE, ASHRAE 135, 13.3.2: off-normal while the value is one of the alarm values."""

    alarm_values: frozenset[int]
    delays: Delays = field(default_factory=Delays)

    def conditions(self, state: EventState, value: float) -> list[Condition]:
        """Conditions (a) and (b); (c), from one alarm value to another, is optional and not done."""
        alarmed = value in self.alarm_values
        if state is EventState.NORMAL and alarmed:
            return [Condition(EventState.OFFNORMAL, self.delays.time_delay_ns)]
        if state is EventState.OFFNORMAL and not alarmed:
            return [Condition(EventState.NORMAL, self.delays.to_normal_ns)]
        return []


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfRange:
    """OUT_OF_RANGE, ASHRAE 135, 13.3.6. At a limit itself a value is in range; ``deadband`` is 0 or more."""

    high_limit: float
    low_limit: float
    deadband: float = 0.0
    high_enable: bool = True
    low_enable: bool = True
    delays: Delays = field(default_factory=Delays)

    def conditions(self, state: EventState, value: float) -> list[Condition]:
        """Conditions (a) to (h), with the optional direct ways (d) and (g) from one limit to the other."""
        delays, held = self.delays, list[Condition]()
        over = self.high_enable and value > self.high_limit
        under = self.low_enable and value < self.low_limit
        if over and state in (EventState.NORMAL, EventState.LOW_LIMIT):  # (a), (g)
            held.append(Condition(EventState.HIGH_LIMIT, delays.time_delay_ns))
        if under and state in (EventState.NORMAL, EventState.HIGH_LIMIT):  # (b), (d)
            held.append(Condition(EventState.LOW_LIMIT, delays.time_delay_ns))
        if state is EventState.HIGH_LIMIT:
            if not self.high_enable:  # (c): at once
                held.append(Condition(EventState.NORMAL, 0))
            elif value < self.high_limit - self.deadband:  # (e)
                held.append(Condition(EventState.NORMAL, delays.to_normal_ns))
        if state is EventState.LOW_LIMIT:
            if not self.low_enable:  # (f): at once
                held.append(Condition(EventState.NORMAL, 0))
            elif value > self.low_limit + self.deadband:  # (h)
                held.append(Condition(EventState.NORMAL, delays.to_normal_ns))
        return held


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One transition. ``at_ns``: when its delay had run out. ``reliability`` is that of the moment."""

    from_state: EventState
    to_state: EventState
    at_ns: int
    value: float
    reliability: int

    @property
    def transition(self) -> Transition:
        """Its kind."""
        return transition_to(self.to_state)

    @property
    def of_reliability(self) -> bool:
        """Whether a fault came or went, which is told as CHANGE_OF_RELIABILITY and not by the object's algorithm."""
        return EventState.FAULT in (self.from_state, self.to_state)


class EventMachine:
    """Event_State of one object. Call ``advance`` no later than ``due_ns``; instants never go back."""

    def __init__(self, algorithm: Algorithm, value: float, now_ns: int) -> None:
        """The object is normal at first, whatever its value: an event says when it is not."""
        self.state = EventState.NORMAL
        self._algorithm = algorithm
        self._value = value
        self._reliability = NO_FAULT
        self._since_ns: dict[Condition, int] = {}
        self._look(now_ns)

    @property
    def due_ns(self) -> int | None:
        """The instant at which the next delay runs out, if nothing changes until then."""
        return min((since + held.delay_ns for held, since in self._since_ns.items()), default=None)

    def update(self, value: float, reliability: int, now_ns: int) -> list[Event]:
        """The object has another value or reliability from ``now_ns`` on. What had run out by then comes first."""
        events = self.advance(now_ns)
        self._value, self._reliability = value, reliability
        if (reliability != NO_FAULT) != (self.state is EventState.FAULT):
            events.append(self._go(EventState.FAULT if reliability != NO_FAULT else EventState.NORMAL, now_ns))
        self._look(now_ns)
        return events + self.advance(now_ns)

    def advance(self, now_ns: int) -> list[Event]:
        """The transitions whose delays have run out by ``now_ns``, in their order."""
        events: list[Event] = []
        while self._since_ns:
            held = min(self._since_ns, key=lambda h: self._since_ns[h] + h.delay_ns)
            at_ns = self._since_ns[held] + held.delay_ns
            if at_ns > now_ns:
                break
            events.append(self._go(held.to_state, at_ns))
            self._look(at_ns)
        return events

    def _go(self, to_state: EventState, at_ns: int) -> Event:
        event = Event(
            from_state=self.state,
            to_state=to_state,
            at_ns=at_ns,
            value=self._value,
            reliability=self._reliability,
        )
        self.state = to_state
        self._since_ns.clear()
        return event

    def _look(self, now_ns: int) -> None:
        """Which conditions hold from now on; the delay of one that did already goes on running."""
        held = [] if self.state is EventState.FAULT else self._algorithm.conditions(self.state, self._value)
        self._since_ns = {condition: self._since_ns.get(condition, now_ns) for condition in held}
