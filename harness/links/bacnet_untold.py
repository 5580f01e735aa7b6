"""What keeps a BACnet device from telling what it should, by its own word: no event for farend, one that is held back,
a subscription that was lost. Pure functions; clauses are those of ASHRAE 135.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, ObjectPart
from harness.links.bacnet_happened import decoded_of
from harness.links.bacnet_messages import (
    ASK_THE_SITE,
    NOT_KNOWN,
    EventNotice,
    ObjectId,
    Reporting,
    Subscription,
    SubscriptionStep,
    object_words,
)
from harness.links.source import Source


def unreachable_points(source: Source, points: Iterable[Point]) -> dict[str, str]:
    """Points whose alarm must arrive by an event, of devices that send farend none: why, by the name of the point.

    Where that could not be found out, their silence proves nothing either. An event that came all the same says more
    than a Recipient_List that was read.
    """
    events = [it for it in points if isinstance(it.place, BacnetPlace) and it.place.arrives is Arrival.EVENT]
    found: dict[str, str] = {}
    for link in dict.fromkeys(it.link for it in events):
        denied: dict[ObjectId, str] = {}
        came: set[ObjectId | None] = set()
        for _, message in decoded_of(source, link):
            if isinstance(message, EventNotice):
                came.add(message.object)
            elif isinstance(message, Reporting) and not message.is_recipient:
                what = NOT_KNOWN if message.is_recipient is None else ASK_THE_SITE
                denied[message.object] = f"{what}; {message.why}"
            elif isinstance(message, Reporting):
                denied.pop(message.object, None)
        for point in events:
            place = point.place
            mine = (place.object_type, place.instance) if isinstance(place, BacnetPlace) else None
            if point.link == link and mine in denied and mine not in came:
                found[point.name] = denied[mine]
    return found


def held_back(source: Source, points: Iterable[Point]) -> dict[str, int]:
    """By the name of the point: for how long its object holds an event back (Time_Delay, 13.3), in ns; not where 0.

    Only of what arrives by events, and of Event_State and the flags that follow it; a value is not held back.
    """
    late = [it for it in points if isinstance(it.place, BacnetPlace) and _follows_event_state(it.place)]
    found: dict[str, int] = {}
    for link in dict.fromkeys(it.link for it in late):
        delays: dict[ObjectId, int] = {}
        for _, message in decoded_of(source, link):
            if isinstance(message, Reporting) and message.time_delay_ns:
                delays[message.object] = message.time_delay_ns
        for point in late:
            place = point.place
            if point.link == link and isinstance(place, BacnetPlace):
                delay_ns = delays.get((place.object_type, place.instance))
                if delay_ns:
                    found[point.name] = delay_ns
    return found


def _follows_event_state(place: BacnetPlace) -> bool:
    return place.arrives is Arrival.EVENT or place.part in (ObjectPart.EVENT_STATE, ObjectPart.IN_ALARM)


def unsubscribed_times(source: Source, link: str, end_ns: int) -> Iterator[tuple[int, int, str]]:
    """From when until when a subscription was lost or refused, and why; open ends are at ``end_ns``."""
    open_since: dict[ObjectId, tuple[int, str]] = {}
    for message, it in decoded_of(source, link):
        if not isinstance(it, Subscription):
            continue
        what = f"subscription of {object_words(it.object)} {it.step.value}: {it.why}"
        if it.step is SubscriptionStep.LOST:
            open_since.setdefault(it.object, (it.since_ns or message.first_ns, what))
        elif it.step is SubscriptionStep.REFUSED:
            open_since.setdefault(it.object, (message.first_ns, what))
        elif it.step is SubscriptionStep.KEPT and it.object in open_since:
            since_ns, why = open_since.pop(it.object)
            yield since_ns, max(since_ns, message.last_ns), why
    for since_ns, why in open_since.values():
        yield since_ns, max(since_ns, end_ns), why
