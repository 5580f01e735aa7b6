"""What BACnet objects say of themselves in a record: out of service, what they report, how much they tell. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Point
from harness.core.objects import ObjectSays
from harness.core.places import BacnetPlace
from harness.links import bacnet_values
from harness.links.bacnet_happened import decoded_of
from harness.links.bacnet_messages import EventNotice, ObjectId, Reporting, ValueChange, object_words
from harness.links.bacnet_values import Status
from harness.links.base import ObjectBlock
from harness.links.source import Source


def objects_of(source: Source, points: Iterable[Point]) -> dict[str, ObjectSays]:
    """By the name of each point that is a BACnet object: what that object said of itself in the whole record."""
    of_link: dict[str, list[tuple[str, ObjectId]]] = defaultdict(list)
    for it in points:
        if isinstance(it.place, BacnetPlace):
            of_link[it.link].append((it.name, (it.place.object_type, it.place.instance)))
    found: dict[str, ObjectSays] = {}
    for link, mine in of_link.items():
        said = _said_on(source, link)
        found.update({name: said.get(of, ObjectSays(name=object_words(of))) for name, of in mine})
    return found


def _said_on(source: Source, link: str) -> Mapping[ObjectId, ObjectSays]:
    out: dict[ObjectId, list[int]] = defaultdict(list)
    told: dict[ObjectId, list[int]] = defaultdict(list)
    reports: dict[ObjectId, Reporting] = {}
    for at, message in decoded_of(source, link):
        match message:
            case ValueChange():
                told[message.object].append(at.last_ns)
                if message.reading.status is not None and message.reading.status & Status.OUT_OF_SERVICE:
                    out[message.object] += [at.first_ns, at.last_ns]
            case EventNotice(object=of) if of is not None:
                told[of].append(at.last_ns)
            case Reporting():
                reports[message.object] = message
    for of, asked_ns, told_ns in _read_out_of_service(source, link):
        out[of] += [asked_ns, told_ns]
    found: dict[ObjectId, ObjectSays] = {}
    for of in {*out, *told, *reports}:
        report = reports.get(of)
        enabled = None if report is None else report.event_enable
        found[of] = ObjectSays(
            name=object_words(of),
            out_of_service=Bounds(min(out[of]), max(out[of])) if of in out else None,
            tells_alarms=None if enabled is None else enabled[0],
            notification_class=None if report is None else report.notification_class,
            most_in_a_second=_most_in_a_second(told.get(of, ())),
        )
    return found


def _read_out_of_service(source: Source, link: str) -> Iterator[tuple[ObjectId, int, int]]:
    """The first and the last read of each run of equal answers in which an object was out of service."""
    for block in source.blocks():
        if block.link != link or not isinstance(block, ObjectBlock):
            continue
        polls = source.polls(block.id)
        if not len(polls):
            continue
        lasts = np.append(polls.starts[1:], len(polls)) - 1
        for first, last, payload in zip(polls.starts.tolist(), lasts.tolist(), polls.payloads, strict=True):
            for index, of in enumerate(block.objects):
                status = bacnet_values.unpack(payload, index).status
                if status is not None and status & Status.OUT_OF_SERVICE:
                    yield of, int(polls.asked[first]), int(polls.told[last])


def _most_in_a_second(instants: Iterable[int]) -> int:
    at = np.sort(np.array(list(instants), dtype=np.int64))
    return int((np.searchsorted(at, at + NS_PER_S, side="right") - np.arange(len(at))).max()) if len(at) else 0
