"""From how an object stands to the octets of a notification."""

from __future__ import annotations

from typing import Any

from bacpypes3.basetypes import NotificationParameters

from sims.building_alarming import Notice
from sims.building_apdu import (
    EventNote,
    Reporter,
    change_of_reliability,
    change_of_state,
    cov_notification,
    event_notification,
    out_of_range,
)
from sims.building_cov import Reported
from sims.building_events import Event, EventState, OutOfRange
from sims.building_objects import DEVICE_INSTANCE, PROCESS
from sims.building_outgoing import Encode
from sims.building_views import Standing


def cov_encoder(standing: Standing, reported: Reported, process: int, remaining_s: int, *, confirmed: bool) -> Encode:
    """What makes a change-of-value notification with an invoke identifier that is not known yet."""
    reporter = Reporter(DEVICE_INSTANCE, process, standing.object_id)
    return _numbered(cov_notification(reporter, reported, standing.datum, remaining_s, 0 if confirmed else None))


def event_encoder(standing: Standing, notice: Notice, *, confirmed: bool) -> Encode:
    """What makes an event notification; it tells how the object stands now, whenever it is sent."""
    return _numbered(event_notification(_note(standing, notice), 0 if confirmed else None))


def _numbered(apdu: bytes) -> Encode:
    """The same APDU for every recipient: of a confirmed request only its third octet differs (ASHRAE 135, 20.1.2)."""
    if apdu[0] >> 4:
        return lambda _: apdu
    return lambda invoke_id: apdu[:2] + bytes((invoke_id,)) + apdu[3:]


def event_words(notice: Notice) -> dict[str, Any]:
    """What the truth log says of an event notification."""
    return {
        "from_state": None if notice.event is None else notice.event.from_state.name.lower(),
        "to_state": notice.to_state.name.lower(),
        "priority": notice.priority,
        "class": notice.class_number,
        "ack_required": notice.ack_required,
        "stamp": notice.stamp.isoformat(),
    }


def _note(standing: Standing, notice: Notice) -> EventNote:
    event = notice.event
    algorithm = "outOfRange" if isinstance(standing.algorithm, OutOfRange) else "changeOfState"
    common: dict[str, Any] = {
        "reporter": Reporter(DEVICE_INSTANCE, PROCESS, standing.object_id),
        "time_stamp": notice.stamp,
        "notification_class": notice.class_number,
        "priority": notice.priority,
        "to_state": int(notice.to_state),
        "message_text": standing.text,
    }
    if event is None:
        of_fault = notice.to_state is EventState.FAULT
        return EventNote(
            **common, event_type="changeOfReliability" if of_fault else algorithm, notify_type="ackNotification"
        )
    return EventNote(
        **common,
        event_type="changeOfReliability" if event.of_reliability else algorithm,
        ack_required=notice.ack_required,
        from_state=int(event.from_state),
        values=_values(standing, event),
    )


def _values(standing: Standing, event: Event) -> NotificationParameters:
    if event.of_reliability:
        return change_of_reliability(event.reliability, standing.flags, standing.datum)
    if isinstance(standing.algorithm, OutOfRange):
        low = EventState.LOW_LIMIT in (event.to_state, event.from_state) and event.to_state is not EventState.HIGH_LIMIT
        limit = standing.algorithm.low_limit if low else standing.algorithm.high_limit
        return out_of_range(event.value, standing.flags, standing.algorithm.deadband, limit)
    return change_of_state(int(event.value), standing.flags)
