"""Subscriptions of the simulated BACnet device, in virtual time."""

from __future__ import annotations

import pytest

from sims.building_cov import SUBSCRIPTIONS_MAX, NoRoomError, Reported, Subscription, Subscriptions

S = 1_000_000_000
BINARY, ANALOG = ("binary-input", 1), ("analog-input", 1)
ONE, OTHER = ("127.0.0.1", 1001), ("127.0.0.1", 1002)


def subscribe(all_: Subscriptions, lifetime_s: int = 0, now_ns: int = 0, **changed: object) -> Subscription:
    given = {"subscriber": ONE, "process": 1, "object_id": BINARY} | changed
    return all_.subscribe(**given, confirmed=False, lifetime_s=lifetime_s, now_ns=now_ns)  # type: ignore[arg-type]


def due(all_: Subscriptions, value: float, flags: int = 0, now_ns: int = 0, increment: float | None = None) -> int:
    return len(all_.due(BINARY if increment is None else ANALOG, Reported(value, flags), increment, now_ns))


def test_the_first_notification_is_due_at_once_and_then_every_change() -> None:
    all_ = Subscriptions()
    subscribe(all_)
    assert [due(all_, value) for value in (0, 0, 1, 1, 0)] == [1, 0, 1, 0, 1]
    assert due(all_, 0, flags=8) == 1, "any change of Status_Flags"


def test_renewing_makes_the_first_one_due_again_and_no_second_subscription() -> None:
    all_ = Subscriptions()
    subscribe(all_)
    due(all_, 1)
    subscribe(all_)
    assert due(all_, 1) == 1
    assert len(all_.all(0)) == 1


def test_subscribers_processes_and_objects_are_apart() -> None:
    all_ = Subscriptions()
    for changed in ({}, {"subscriber": OTHER}, {"process": 2}, {"object_id": ANALOG}):
        subscribe(all_, **changed)
    assert due(all_, 1) == 3
    assert all_.cancel(ONE, 2, BINARY)
    assert not all_.cancel(ONE, 2, BINARY)
    assert due(all_, 0) == 2


def test_a_lifetime_ends_at_its_end() -> None:
    all_ = Subscriptions()
    taken = subscribe(all_, lifetime_s=10)
    assert [taken.remaining_s(at) for at in (0, 1, S, 10 * S - 1)] == [10, 10, 9, 1]
    assert due(all_, 1, now_ns=10 * S - 1) == 1
    assert due(all_, 0, now_ns=10 * S) == 0
    assert all_.all(10 * S) == []


def test_a_lifetime_of_0_lasts() -> None:
    """ASHRAE 135, 13.14.1.1.4, as cited in the source of a public library: 0 is indefinite, in both directions."""
    all_ = Subscriptions()
    assert subscribe(all_).remaining_s(10**18) == 0
    assert due(all_, 1, now_ns=10**18) == 1


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ([50, 51, 51.9, 52, 53.9, 54], [50, 52, 54]),
        ([50, 48.1, 48, 49, 50], [50, 48, 50]),
    ],
)
def test_an_analog_is_told_by_its_increment_from_what_was_told_last(levels: list[float], told: list[float]) -> None:
    all_ = Subscriptions()
    subscribe(all_, object_id=ANALOG)
    assert [level for level in levels if due(all_, level, increment=2.0)] == told


def test_an_increment_counts_from_what_each_subscriber_was_told() -> None:
    all_ = Subscriptions()
    subscribe(all_, object_id=ANALOG)
    assert due(all_, 50, increment=2.0) == 1
    assert due(all_, 51.5, increment=2.0) == 0
    subscribe(all_, object_id=ANALOG, process=2)
    assert due(all_, 51.5, increment=2.0) == 1, "the new one only"
    assert due(all_, 52, increment=2.0) == 1, "the old one only"


def test_there_is_room_for_so_many_and_expired_ones_make_room() -> None:
    all_ = Subscriptions()
    for process in range(SUBSCRIPTIONS_MAX):
        subscribe(all_, lifetime_s=10, process=process)
    with pytest.raises(NoRoomError):
        subscribe(all_, process=SUBSCRIPTIONS_MAX)
    subscribe(all_, process=0, lifetime_s=20)  # renewing needs no room
    subscribe(all_, process=SUBSCRIPTIONS_MAX, now_ns=11 * S)
    assert len(all_.all(11 * S)) == 2


def test_a_device_can_forget() -> None:
    all_ = Subscriptions()
    subscribe(all_)
    subscribe(all_, object_id=ANALOG)
    assert [s.object_id for s in all_.drop(BINARY)] == [BINARY]
    assert due(all_, 1) == 0
    assert [s.object_id for s in all_.drop()] == [ANALOG]
