"""What an object remembers of its events, and whom it has to tell (ASHRAE 135, 12, 13.2 and 13.5)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from sims.building_alarming import AckRefusedError, Alarming, NotificationClass, Refusal
from sims.building_events import Event, EventState

T0 = datetime(2026, 3, 1, 12, 0, 0, 250_000, UTC)
T1 = T0 + timedelta(seconds=1)
NORMAL, FAULT, OFFNORMAL, HIGH, LOW = EventState


def event(from_state: EventState, to_state: EventState) -> Event:
    return Event(from_state=from_state, to_state=to_state, at_ns=0, value=1.0, reliability=0)


def alarming(**changed: object) -> Alarming:
    given: dict[str, object] = {
        "notification_class": NotificationClass(number=3, priorities=(10, 20, 30), ack_required=(True, True, False))
    }
    return Alarming(**(given | changed))  # type: ignore[arg-type]


def test_each_transition_has_its_own_priority_and_requirement_of_its_own() -> None:
    object_ = alarming()
    raised = object_.happened(event(NORMAL, HIGH), T0)
    failed = object_.happened(event(HIGH, FAULT), T0)
    returned = object_.happened(event(FAULT, NORMAL), T0)
    notices = [(n.priority, n.ack_required, n.class_number) for n in (raised, failed, returned) if n is not None]
    assert notices == [(10, True, 3), (20, True, 3), (30, False, 3)]


def test_nothing_has_happened_at_first() -> None:
    """OPC 30030, 8.8.3.4: true if no event of that type has ever occurred."""
    object_ = alarming()
    assert (object_.acked, object_.stamps, object_.waiting) == ([True] * 3, [None] * 3, False)


def test_acknowledging_one_transition_leaves_the_others() -> None:
    """In F.1.6 of ASHRAE 135 an object in high limit prints 011: off-normal unacknowledged, the others not."""
    object_ = alarming(notification_class=NotificationClass(ack_required=(True, True, True)))
    object_.happened(event(NORMAL, HIGH), T0)
    assert object_.acked == [False, True, True]
    object_.happened(event(HIGH, NORMAL), T1)
    assert object_.acked == [False, True, False]
    notice = object_.acknowledge(HIGH, T0, T1)
    assert (object_.acked, notice.to_state, notice.event) == ([True, True, False], HIGH, None)
    object_.acknowledge(NORMAL, T1, T1)
    assert not object_.waiting


@pytest.mark.parametrize(
    ("state", "stamp", "refusal"),
    [
        (LOW, T0, Refusal.STATE),
        (OFFNORMAL, T0, Refusal.STATE),
        (NORMAL, T0, Refusal.STATE),
        (HIGH, T1, Refusal.TIME),
        (HIGH, None, Refusal.TIME),
    ],
)
def test_an_acknowledgement_has_to_fit(state: EventState, stamp: datetime | None, refusal: Refusal) -> None:
    object_ = alarming()
    object_.happened(event(NORMAL, HIGH), T0)
    with pytest.raises(AckRefusedError) as refused:
        object_.acknowledge(state, stamp, T1)
    assert refused.value.refusal is refusal
    assert object_.acked == [False, True, True]


def test_only_the_last_transition_of_a_kind_can_be_acknowledged() -> None:
    object_ = alarming()
    object_.happened(event(NORMAL, HIGH), T0)
    object_.happened(event(HIGH, LOW), T1)
    with pytest.raises(AckRefusedError):
        object_.acknowledge(HIGH, T0, T1)
    object_.acknowledge(LOW, T1, T1)


def test_event_enable_keeps_the_notice_back_and_nothing_else() -> None:
    object_ = alarming(event_enable=(False, True, True))
    assert object_.happened(event(NORMAL, HIGH), T0) is None
    assert (object_.acked, object_.stamps) == ([False, True, True], [T0, None, None])
    assert object_.happened(event(HIGH, NORMAL), T1) is not None


def test_a_button_on_the_device_acknowledges_what_waits() -> None:
    object_ = alarming()
    object_.happened(event(NORMAL, FAULT), T0)
    object_.happened(event(FAULT, NORMAL), T0)
    object_.happened(event(NORMAL, HIGH), T0)
    assert [n.to_state for n in object_.acknowledge_all(T1)] == [HIGH, FAULT]
    assert object_.acknowledge_all(T1) == []
