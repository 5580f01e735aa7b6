"""What a BACnet link is told besides its polls: compact canonical JSON in a record, frozen values here. Pure.

Seven kinds. A change of value and an event as they were notified (ASHRAE 135, 13.7, 13.8 and 13.10, 13.11); what became
of a subscription, which farend enters itself so that a trace knows when silence means something; a look at what the
device says of its own life; what its clock shows; how an object reports, as it was read at the start; and a time in
which notifications may have been lost.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum, unique
from functools import lru_cache
from typing import Any, Final

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.places import ObjectType
from harness.links.bacnet_values import ObjectReading, Status
from harness.links.seen import DECODED_KEPT

ObjectId = tuple[ObjectType, int]

NOTIFY_ALARM: Final = 0
NOTIFY_EVENT: Final = 1
NOTIFY_ACK: Final = 2
"""BACnetNotifyType (ASHRAE 135, 21): an alarm, an event, and the notice that an alarm was acknowledged."""

LIFE_SIGN: Final = b'"kind":"life"'
"""What is in an encoded look at a device's life, and in no other message."""

LATE_ANSWER: Final = "answers nothing that is still asked"
"""How a listener names what it dropped where no notification that matters can have been lost by it."""

ASK_THE_SITE: Final = "not a recipient: ask the site"
"""The reason of a row whose events the device does not send to farend."""

NOT_KNOWN: Final = "whether farend is a recipient is not known: ask the site"
"""The reason of a row where that cannot be read, and no event ever came."""

SHADOW_PERIOD_NS: Final = 5 * NS_PER_S
"""How often objects that must notify are read besides, so that a lost subscription is noticed by what is read."""

LOOK_PERIOD_NS: Final = 1 * NS_PER_S
LOOK_SELDOM_NS: Final = 5 * NS_PER_S
LOOK_OFTEN_OBJECTS_MAX: Final = 20
"""How often it is looked whether notifications still come: the list of more than so many subscriptions is long, and is
read seldom."""

CLOCK_PERIOD_NS: Final = 60 * NS_PER_S
"""How often a device's clock is read: one request more a minute."""

RESTART_MIN_NS: Final = 100 * NS_PER_MS
"""No device restarts and answers again in less. Common practice, no source."""


def look_period_ns(subscriptions: int) -> int:
    """The period of the looks at a device with so many subscriptions of ours."""
    return LOOK_PERIOD_NS if subscriptions <= LOOK_OFTEN_OBJECTS_MAX else LOOK_SELDOM_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """A BACnetTimeStamp as its device gave it: a sequence number, a time of day, or a date with a time.

    Evidence about the device's own clock only. ``time``: hour, minute, second, hundredth; ``date``: year - 1900, month,
    day, day of week; 255 means unspecified in each.
    """

    sequence: int | None = None
    time: tuple[int, int, int, int] | None = None
    date: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueChange:
    """A COV notification. ``invoke``: its invoke id where it asked for a confirmation, else None."""

    object: ObjectId
    process: int
    invoke: int | None
    remaining_s: int
    reading: ObjectReading


@dataclass(frozen=True, slots=True, kw_only=True)
class EventNotice:
    """An event notification. States and types are the numbers of ASHRAE 135, clause 21.

    ``object`` is None where it is of a type that farend does not read. ``from_state`` and ``ack_required`` are None
    in the notice of an acknowledgement.
    """

    object: ObjectId | None
    process: int
    invoke: int | None
    stamp: Stamp
    notification_class: int
    priority: int
    event_type: int
    notify_type: int
    ack_required: bool | None
    from_state: int | None
    to_state: int
    text: str = ""


@unique
class SubscriptionStep(StrEnum):
    """What became of a COV subscription."""

    ASKED = "asked"
    RENEWING = "renewing"
    KEPT = "kept"
    LOST = "lost"
    REFUSED = "refused"
    ENDED = "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Subscription:
    """One step of one subscription. ``since_ns``: of a lost one, from when on nothing shows that it was still there."""

    object: ObjectId
    step: SubscriptionStep
    why: str = ""
    since_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeSign:
    """What a device said of its own life; the message's two instants are those of asking and of being told.

    ``lists``: its Active_COV_Subscriptions (12.11) was read and can be believed. ``missing``: what farend had
    subscribed to before it asked, and the list does not hold. ``restarted``: its Time_Of_Device_Restart, as
    octets in hexadecimal; None where it has none. Where both are absent, only an answered read says that it lives.
    """

    lists: bool = False
    missing: tuple[ObjectId, ...] = ()
    restarted: str | None = None

    @property
    def says_something(self) -> bool:
        """Whether it can show a restart."""
        return self.lists or self.restarted is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reporting:
    """How an object reports, as it was read; None where it has no such property, or did not answer.

    ``is_recipient``: whether the Recipient_List of its Notification_Class holds farend; None where that was not
    found out. ``is_confirmed``: whether it is to be notified with confirmations; an unconfirmed notification that is
    lost on the way is missed by nobody. ``why``: in words, where ``is_recipient`` is not True.
    """

    object: ObjectId
    time_delay_ns: int | None = None
    time_delay_normal_ns: int | None = None
    notification_class: int | None = None
    event_enable: tuple[bool, bool, bool] | None = None
    high_limit: float | None = None
    low_limit: float | None = None
    deadband: float | None = None
    limit_enable: tuple[bool, bool] | None = None
    cov_increment: float | None = None
    is_recipient: bool | None = None
    is_confirmed: bool | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Notifications of any object may have been lost up to now, since ``since_ns``: this computer did not keep up, or
    the device may have restarted."""

    since_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRead:
    """What the device's clock showed; the message's two instants are those of asking and of being told."""

    stamp: Stamp


BacnetMessage = ValueChange | EventNotice | Subscription | LifeSign | Reporting | Gap | ClockRead


def encode(message: BacnetMessage) -> bytes:
    """The message as a record keeps it: the same values always give the same bytes."""
    data = _ENCODERS[type(message)](message)
    return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


@lru_cache(maxsize=DECODED_KEPT)
def decode(data: bytes) -> BacnetMessage:
    """The opposite of :func:`encode`. Raises ValueError for what is none of these."""
    try:
        fields = json.loads(data)
        return _DECODERS[fields["kind"]](fields)
    except (KeyError, TypeError, ValueError) as exc:
        raise ValueError(f"no message of a BACnet link: {data[:64]!r}") from exc


def object_words(object_id: ObjectId) -> str:
    """``binary-input 3``."""
    return f"{object_id[0].value} {object_id[1]}"


def _object(object_id: ObjectId | None) -> list[object] | None:
    return None if object_id is None else [object_id[0].value, object_id[1]]


def _to_object(data: Any) -> ObjectId:
    return ObjectType(data[0]), int(data[1])


def _change(it: Any) -> Mapping[str, object]:
    return {
        "kind": "cov",
        "object": _object(it.object),
        "process": it.process,
        "invoke": it.invoke,
        "remaining_s": it.remaining_s,
        "value": it.reading.value,
        "status": None if it.reading.status is None else int(it.reading.status),
        "event_state": it.reading.event_state,
        "reliability": it.reading.reliability,
    }


def _to_change(data: Mapping[str, Any]) -> ValueChange:
    status = data["status"]
    reading = ObjectReading(
        value=data["value"],
        status=None if status is None else Status(status),
        event_state=data["event_state"],
        reliability=data["reliability"],
    )
    return ValueChange(
        object=_to_object(data["object"]),
        process=data["process"],
        invoke=data["invoke"],
        remaining_s=data["remaining_s"],
        reading=reading,
    )


_PLAIN_OF_EVENT: Final = (
    "process",
    "invoke",
    "notification_class",
    "priority",
    "event_type",
    "notify_type",
    "ack_required",
    "from_state",
    "to_state",
    "text",
)


def _event(it: Any) -> Mapping[str, object]:
    plain = {name: getattr(it, name) for name in _PLAIN_OF_EVENT}
    return {"kind": "event", "object": _object(it.object), "stamp": _stamp(it.stamp), **plain}


def _stamp(stamp: Stamp) -> Mapping[str, object]:
    return {"sequence": stamp.sequence, "time": stamp.time, "date": stamp.date}


def _to_stamp(data: Mapping[str, Any]) -> Stamp:
    return Stamp(sequence=data["sequence"], time=_four(data["time"]), date=_four(data["date"]))


def _to_event(data: Mapping[str, Any]) -> EventNotice:
    return EventNotice(
        object=None if data["object"] is None else _to_object(data["object"]),
        stamp=_to_stamp(data["stamp"]),
        **{name: data[name] for name in _PLAIN_OF_EVENT},
    )


def _four(data: Any) -> tuple[int, int, int, int] | None:
    return None if data is None else (data[0], data[1], data[2], data[3])


def _subscription(it: Any) -> Mapping[str, object]:
    return {
        "kind": "subscription",
        "object": _object(it.object),
        "step": it.step.value,
        "why": it.why,
        "since_ns": it.since_ns,
    }


def _to_subscription(data: Mapping[str, Any]) -> Subscription:
    return Subscription(
        object=_to_object(data["object"]),
        step=SubscriptionStep(data["step"]),
        why=data["why"],
        since_ns=data["since_ns"],
    )


def _life(it: Any) -> Mapping[str, object]:
    missing = [_object(one) for one in it.missing]
    return {"kind": "life", "lists": it.lists, "missing": missing, "restarted": it.restarted}


def _to_life(data: Mapping[str, Any]) -> LifeSign:
    missing = tuple(_to_object(one) for one in data["missing"])
    return LifeSign(lists=data["lists"], missing=missing, restarted=data["restarted"])


_PLAIN_OF_REPORTING: Final = (
    "time_delay_ns",
    "time_delay_normal_ns",
    "notification_class",
    "event_enable",
    "high_limit",
    "low_limit",
    "deadband",
    "limit_enable",
    "cov_increment",
    "is_recipient",
    "is_confirmed",
    "why",
)


def _reporting(it: Any) -> Mapping[str, object]:
    plain = {name: getattr(it, name) for name in _PLAIN_OF_REPORTING}
    return {"kind": "reporting", "object": _object(it.object), **plain}


def _to_reporting(data: Mapping[str, Any]) -> Reporting:
    plain = {name: data[name] for name in _PLAIN_OF_REPORTING}
    for name in ("event_enable", "limit_enable"):
        plain[name] = None if plain[name] is None else tuple(plain[name])
    return Reporting(object=_to_object(data["object"]), **plain)


def _gap(it: Any) -> Mapping[str, object]:
    return {"kind": "gap", "since_ns": it.since_ns, "why": it.why}


def _to_gap(data: Mapping[str, Any]) -> Gap:
    return Gap(since_ns=data["since_ns"], why=data["why"])


def _clock(it: Any) -> Mapping[str, object]:
    return {"kind": "clock", "stamp": _stamp(it.stamp)}


def _to_clock(data: Mapping[str, Any]) -> ClockRead:
    return ClockRead(stamp=_to_stamp(data["stamp"]))


_ENCODERS: Final = {
    ValueChange: _change,
    EventNotice: _event,
    Subscription: _subscription,
    LifeSign: _life,
    Reporting: _reporting,
    Gap: _gap,
    ClockRead: _clock,
}
_DECODERS: Final[Mapping[str, Callable[[Mapping[str, Any]], BacnetMessage]]] = {
    "cov": _to_change,
    "event": _to_event,
    "subscription": _to_subscription,
    "life": _to_life,
    "reporting": _to_reporting,
    "gap": _to_gap,
    "clock": _to_clock,
}
