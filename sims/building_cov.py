"""Who is to be told of a BACnet object's changes: subscriptions and when each one is due a notification. No clock.

SubscribeCOV as in ASHRAE 135, 13.14; what counts as a change is 13.1 and its table: any change of Status_Flags, any
change of a binary or multi-state Present_Value, and of an analog one a change by at least COV_Increment from what the
subscriber was last told. Instants are integer ns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

SUBSCRIPTIONS_MAX: Final = 512  # several peers on every object; a device answers no-space-to-add-list-element beyond
NS_PER_S: Final = 1_000_000_000

Subscriber = tuple[str, int]  # IPv4 address and UDP port
ObjectId = tuple[str, int]  # object type as ASHRAE 135 writes it (``binary-input``) and instance


class Reported(NamedTuple):
    """What a notification tells: Present_Value and the four bits of Status_Flags, the first in the highest bit."""

    value: float
    flags: int


@dataclass(slots=True, kw_only=True)
class Subscription:
    """One subscription. ``expires_ns`` is None where it lasts until cancelled."""

    subscriber: Subscriber
    process: int
    object_id: ObjectId
    confirmed: bool
    expires_ns: int | None
    told: Reported | None = None

    def remaining_s(self, now_ns: int) -> int:
        """Time remaining in whole seconds as a notification tells it: 0 means for ever, so the last second counts 1."""
        return 0 if self.expires_ns is None else max(1, -((now_ns - self.expires_ns) // NS_PER_S))


class NoRoomError(Exception):
    """There are as many subscriptions as the device can hold."""


class Subscriptions:
    """All subscriptions of one device, one for each subscriber, process identifier and object."""

    def __init__(self) -> None:
        self._all: dict[tuple[Subscriber, int, ObjectId], Subscription] = {}

    def subscribe(
        self,
        subscriber: Subscriber,
        process: int,
        object_id: ObjectId,
        *,
        confirmed: bool,
        lifetime_s: int,
        now_ns: int,
    ) -> Subscription:
        """Subscribe, or renew with what is asked for now; a lifetime of 0 lasts until cancelled. Raises NoRoomError."""
        self.expire(now_ns)
        key = (subscriber, process, object_id)
        if key not in self._all and len(self._all) >= SUBSCRIPTIONS_MAX:
            raise NoRoomError
        self._all[key] = subscription = Subscription(
            subscriber=subscriber,
            process=process,
            object_id=object_id,
            confirmed=confirmed,
            expires_ns=None if lifetime_s == 0 else now_ns + lifetime_s * NS_PER_S,
        )
        return subscription

    def cancel(self, subscriber: Subscriber, process: int, object_id: ObjectId) -> bool:
        """End one; whether there was one. Cancelling what is not there is no error (ASHRAE 135, 13.14.1.3)."""
        return self._all.pop((subscriber, process, object_id), None) is not None

    def expire(self, now_ns: int) -> list[Subscription]:
        """End those whose lifetime is over, and say which."""
        over = {k: s for k, s in self._all.items() if s.expires_ns is not None and s.expires_ns <= now_ns}
        for key in over:
            del self._all[key]
        return list(over.values())

    def drop(self, object_id: ObjectId | None = None) -> list[Subscription]:
        """Forget the subscriptions of one object or of all, without telling anybody, and say which."""
        dropped = [s for s in self._all.values() if object_id in (None, s.object_id)]
        self._all = {k: s for k, s in self._all.items() if s not in dropped}
        return dropped

    def all(self, now_ns: int) -> list[Subscription]:
        """The subscriptions in force."""
        self.expire(now_ns)
        return list(self._all.values())

    def due(self, object_id: ObjectId, now: Reported, increment: float | None, now_ns: int) -> list[Subscription]:
        """Who must be told that an object reports ``now``; they count as told. ``increment``: of analogs only."""
        self.expire(now_ns)
        due = [s for s in self._all.values() if s.object_id == object_id and _matters(s.told, now, increment)]
        for subscription in due:
            subscription.told = now
        return due


def _matters(told: Reported | None, now: Reported, increment: float | None) -> bool:
    if told is None or told.flags != now.flags:
        return True
    return told.value != now.value if increment is None else abs(now.value - told.value) >= increment
