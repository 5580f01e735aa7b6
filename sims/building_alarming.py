"""What a BACnet object remembers and tells of its events: time stamps, acknowledgements, notifications. No clock.

Acked_Transitions, Event_Time_Stamps, Event_Enable and the part of the Notification Class as in ASHRAE 135, 12 and 13.2;
AcknowledgeAlarm in 13.5. A transition that does not require an acknowledgement counts as acknowledged; one that is not
enabled by Event_Enable changes the object's state all the same, and only nobody is told.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum, unique

from sims.building_events import Event, EventState, Transition, transition_to

Flags = tuple[bool, bool, bool]  # to-offnormal, to-fault, to-normal
NEVER_HAPPENED: Flags = (True, True, True)  # "True if no event of that type has ever occurred": OPC 30030, 8.8.3.4


@dataclass(frozen=True, slots=True, kw_only=True)
class NotificationClass:
    """Priorities (0 to 255, the lower the more urgent) and which transitions ask for an acknowledgement."""

    number: int = 1
    priorities: tuple[int, int, int] = (64, 96, 192)
    ack_required: Flags = (True, True, False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One notification to be sent, the same to every recipient. ``event`` is None for an acknowledgement's."""

    to_state: EventState
    stamp: datetime
    class_number: int
    priority: int
    ack_required: bool = False
    event: Event | None = None

    @property
    def transition(self) -> Transition:
        """The kind of transition that it tells of."""
        return transition_to(self.to_state)


@unique
class Refusal(Enum):
    """Why an acknowledgement is refused; the values are error codes of ASHRAE 135, clause 21, as bacpypes3 has them."""

    STATE = "invalidEventState"
    TIME = "invalidTimeStamp"


class AckRefusedError(Exception):
    """An acknowledgement that fits no transition of the object."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.value)
        self.refusal = refusal


@dataclass(slots=True, kw_only=True)
class Alarming:
    """Of one object: what it is set to, and what has happened to it."""

    notification_class: NotificationClass
    event_enable: Flags = (True, True, True)
    acked: list[bool] = field(default_factory=lambda: list(NEVER_HAPPENED))
    stamps: list[datetime | None] = field(default_factory=lambda: [None, None, None])
    last_states: list[EventState | None] = field(default_factory=lambda: [None, None, None])

    def happened(self, event: Event, stamp: datetime) -> Notice | None:
        """Remember a transition; the notification to send, or None where Event_Enable keeps it back."""
        kind = event.transition
        required = self.notification_class.ack_required[kind]
        self.acked[kind] = not required
        self.stamps[kind] = stamp
        self.last_states[kind] = event.to_state
        if not self.event_enable[kind]:
            return None
        return self._notice(event.to_state, stamp, event=event, ack_required=required)

    def acknowledge(self, state: EventState, event_stamp: datetime | None, now: datetime) -> Notice:
        """Acknowledge the last transition into ``state``, named by its time stamp; the notification to send of it.

        Raises AckRefusedError where the last transition of that kind led to another state, or had another time stamp.
        """
        kind = transition_to(state)
        if self.last_states[kind] is not state:
            raise AckRefusedError(Refusal.STATE)
        if self.stamps[kind] != event_stamp:
            raise AckRefusedError(Refusal.TIME)
        self.acked[kind] = True
        return self._notice(state, now)

    def acknowledge_all(self, now: datetime) -> list[Notice]:
        """Acknowledge whatever waits for it, as a button on the device itself does."""
        notices = []
        for kind, state in enumerate(self.last_states):
            if not self.acked[kind] and state is not None:
                self.acked[kind] = True
                notices.append(self._notice(state, now))
        return notices

    @property
    def waiting(self) -> bool:
        """Whether any transition waits for its acknowledgement."""
        return not all(self.acked)

    def _notice(
        self, state: EventState, stamp: datetime, *, event: Event | None = None, ack_required: bool = False
    ) -> Notice:
        given = self.notification_class
        return Notice(
            to_state=state,
            stamp=stamp,
            class_number=given.number,
            priority=given.priorities[transition_to(state)],
            ack_required=ack_required,
            event=event,
        )
