"""What judging a long soak costs: ``python tests/bench/bench_judge.py [--hours 12] [--points 200]``.

Two messages a second on one link with so many points, of each protocol that tells without being asked, and the polls
of as many points. Time is what ``evidence_of`` takes, from what a record holds to the traces that the correlator
takes. Nothing passes or fails.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BacnetLink, LinkSpec, ModbusTcpLink, MqttLink, TextLink
from harness.core.model import Point, Site
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    MqttPlace,
    Numbering,
    ObjectType,
    Place,
    Table,
    TextPlace,
)
from harness.links import bacnet_messages, mqtt_messages
from harness.links.bacnet_messages import EventNotice, Stamp, Subscription, SubscriptionStep, ValueChange
from harness.links.bacnet_values import ObjectReading, pack
from harness.links.base import AnyBlock, Block, LinkState, ObjectBlock
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.results.evidence import evidence_of

ORIGIN = Origin(file="bench", line=1)
MESSAGES_PER_S = 2
POLL_NS = NS_PER_S
EMPTY = np.zeros(0, dtype=np.int64)


@dataclass
class Held:
    """A source in memory."""

    told: dict[str, list[Message]] = field(default_factory=dict)
    states: dict[str, list[StateChange]] = field(default_factory=dict)
    read: list[AnyBlock] = field(default_factory=list)
    answers: dict[int, Polls] = field(default_factory=dict)

    def blocks(self) -> tuple[AnyBlock, ...]:
        return tuple(self.read)

    def polls(self, block_id: int) -> Polls:
        return self.answers.get(block_id, Polls(asked=EMPTY, told=EMPTY, starts=EMPTY, payloads=[]))

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        del block_id
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        return tuple(self.told.get(link, ()))

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        return tuple(self.states.get(link, ()))

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        del link
        return ()


def arrivals(count: int) -> Iterator[tuple[int, int]]:
    """First and last instants of messages at the rate."""
    for number in range(count):
        at = NS_PER_S + number * NS_PER_S // MESSAGES_PER_S
        yield at, at + NS_PER_MS


def site_with(spec: LinkSpec, places: Sequence[Place]) -> Site:
    points = [Point(name=f"p{number}", link=spec.name, place=it, origin=ORIGIN) for number, it in enumerate(places)]
    return Site(
        name="bench", title="", controller="", firmware="", side_effects={}, writable=(), expectations=(), alarms={},
        links={spec.name: spec}, points={it.name: it for it in points},
    )  # fmt: skip


def up(source: Held, link: str) -> Held:
    source.states[link] = [StateChange(at_ns=1, state=LinkState.UP, why="")]
    return source


def text(points: int, count: int, dice: random.Random) -> tuple[Site, Held]:
    """A printed line: the number, the time and the word come first, as loggers have it."""
    spec = TextLink(
        name="it", host="h", tcp_port=1, longest_delay_ns=NS_PER_S, promises_every_change=True, origin=ORIGIN
    )
    head = r"(?P<seq>\d{4,}) (?P<time>\d\d:\d\d:\d\d)"
    places = [
        TextPlace(
            raised=f"{head} RAISED   PUMP {number} HIGH",
            acknowledged=f"{head} ACKED    PUMP {number} HIGH",
            cleared=f"{head} CLEARED  PUMP {number} HIGH",
        )
        for number in range(points)
    ]
    source = up(Held(), "it")
    on = [False] * points
    for number, (first, last) in enumerate(arrivals(count)):
        which = dice.randrange(points)
        on[which] = not on[which]
        word = "RAISED  " if on[which] else "CLEARED "
        clock = time.strftime("%H:%M:%S", time.gmtime(first // NS_PER_S))
        line = f"{number:04d} {clock} {word} PUMP {which} HIGH".encode()
        source.told.setdefault("it", []).append(Message(first_ns=first, last_ns=last, data=line))
    return site_with(spec, places), source


def mqtt(points: int, count: int, dice: random.Random) -> tuple[Site, Held]:
    """A broker, with an answer of its own to every thirtieth message."""
    spec = MqttLink(
        name="it", host="h", port=1, timeout_ns=NS_PER_S, sequence_pointer="/seq", longest_delay_ns=NS_PER_S,
        promises_every_change=True, origin=ORIGIN,
    )  # fmt: skip
    places = [MqttPlace(topic=f"plant/{number}", pointer="/active") for number in range(points)]
    source = up(Held(), "it")
    topics = tuple(it.topic for it in places)
    subscribing = mqtt_messages.encode(mqtt_messages.Subscribing(topics=topics))
    told = [Message(first_ns=2, last_ns=3, data=subscribing)]
    sequence = [0] * points
    for number, (first, last) in enumerate(arrivals(count)):
        which = dice.randrange(points)
        sequence[which] += 1
        payload = json.dumps({"seq": sequence[which], "active": sequence[which] % 2 == 1}).encode()
        said: mqtt_messages.MqttMessage = mqtt_messages.Published(topic=topics[which], payload=payload)
        if number % 30 == 29:
            said = mqtt_messages.Answered()
        told.append(Message(first_ns=first, last_ns=last, data=mqtt_messages.encode(said)))
    source.told["it"] = told
    return site_with(spec, places), source


def bacnet(points: int, count: int, dice: random.Random) -> tuple[Site, Held]:
    """Half of the objects by COV, half by events; all of them are read besides, every 5 s."""
    spec = BacnetLink(
        name="it", host="h", device=1, poll_period_ns=NS_PER_S, timeout_ns=NS_PER_S, longest_delay_ns=NS_PER_S,
        promises_every_change=True, origin=ORIGIN,
    )  # fmt: skip
    ways = [Arrival.COV, Arrival.EVENT]
    objects = [(ObjectType.BINARY_INPUT, number) for number in range(points)]
    places = [BacnetPlace(object_type=it[0], instance=it[1], arrives=ways[it[1] % 2]) for it in objects]
    source = up(Held(), "it")
    told = []
    for which, object_id in enumerate(objects):
        if which % 2 == 0:
            for step in (SubscriptionStep.ASKED, SubscriptionStep.KEPT):
                data = bacnet_messages.encode(Subscription(object=object_id, step=step))
                told.append(Message(first_ns=2, last_ns=3, data=data))
    on = [False] * points
    for number, (first, last) in enumerate(arrivals(count)):
        which = dice.randrange(points)
        on[which] = not on[which]
        said: ValueChange | EventNotice
        if which % 2 == 0:
            reading = ObjectReading(value=float(on[which]))
            said = ValueChange(object=objects[which], process=1, invoke=number % 256, remaining_s=60, reading=reading)
        else:
            said = EventNotice(
                object=objects[which], process=1, invoke=number % 256, stamp=Stamp(sequence=number),
                notification_class=1, priority=1, event_type=1, notify_type=0, ack_required=True,
                from_state=int(not on[which]), to_state=2 if on[which] else 0,
            )  # fmt: skip
        told.append(Message(first_ns=first, last_ns=last, data=bacnet_messages.encode(said)))
    source.told["it"] = told
    reads(source, objects, count // MESSAGES_PER_S // 5, 5 * NS_PER_S, dice)
    return site_with(spec, places), source


def reads(
    source: Held, objects: Sequence[tuple[ObjectType, int]], count: int, period_ns: int, dice: random.Random
) -> None:
    """Every object, 20 in a read; one of them changes in every other read."""
    for block_id, at in enumerate(range(0, len(objects), 20), 1):
        block = ObjectBlock(id=block_id, link="it", objects=tuple(objects[at : at + 20]))
        readings = [ObjectReading(value=0.0, event_state=0) for _ in block.objects]
        starts, payloads = [], []
        for number in range(0, count, 2):
            readings[dice.randrange(len(readings))] = ObjectReading(value=float(dice.randrange(2)), event_state=0)
            starts.append(number)
            payloads.append(b"".join(map(pack, readings)))
        put(source, block, starts, payloads, count, period_ns)


def put(source: Held, block: AnyBlock, starts: list[int], payloads: list[bytes], count: int, period_ns: int) -> None:
    asked = NS_PER_S + np.arange(count, dtype=np.int64) * period_ns
    polls = Polls(asked=asked, told=asked + NS_PER_MS, starts=np.array(starts, dtype=np.int64), payloads=payloads)
    source.read.append(block)
    source.answers[block.id] = polls


def polled_objects(points: int, count: int, dice: random.Random) -> tuple[Site, Held]:
    """Objects that are read every second; half of the reads bring something new."""
    spec = BacnetLink(name="it", host="h", device=1, poll_period_ns=POLL_NS, timeout_ns=NS_PER_S, origin=ORIGIN)
    objects = [(ObjectType.BINARY_INPUT, number) for number in range(points)]
    source = up(Held(), "it")
    reads(source, objects, count // MESSAGES_PER_S, POLL_NS, dice)
    return site_with(spec, [BacnetPlace(object_type=it[0], instance=it[1]) for it in objects]), source


def polled_bits(points: int, count: int, dice: random.Random) -> tuple[Site, Held]:
    """Discrete inputs that are read every second; half of the reads bring something new."""
    spec = ModbusTcpLink(
        name="it", host="h", port=1, numbering=Numbering.FROM_ZERO, unit=1, poll_period_ns=POLL_NS,
        timeout_ns=NS_PER_S, origin=ORIGIN,
    )  # fmt: skip
    source = up(Held(), "it")
    block = Block(id=1, link="it", unit=1, table=Table.DISCRETE_INPUT, address=0, count=points)
    width, polls = (points + 7) // 8, count // MESSAGES_PER_S
    bits, payloads, starts = bytearray(width), [], []
    for number in range(0, polls, 2):
        bits[dice.randrange(width)] ^= 1 << dice.randrange(8)
        starts.append(number)
        payloads.append(bytes(bits))
    put(source, block, starts, payloads, polls, POLL_NS)
    places = [ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=number) for number in range(points)]
    return site_with(spec, places), source


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=12)
    parser.add_argument("--points", type=int, default=200)
    options = parser.parse_args()
    count = int(options.hours * 3600 * MESSAGES_PER_S)
    print(f"{options.hours:g} h, {options.points} points, {count:,d} messages, or {count // 2:,d} polls of each block")
    makers = {
        "text": text,
        "mqtt": mqtt,
        "bacnet, told": bacnet,
        "bacnet, read": polled_objects,
        "modbus": polled_bits,
    }
    for name, make in makers.items():
        site, source = make(options.points, count, random.Random(1))
        end_ns = int(options.hours * 3600 + 2) * NS_PER_S
        begun = time.perf_counter()
        evidence = evidence_of(source, site, (), 0, end_ns)
        took = time.perf_counter() - begun
        changes = sum(len(it.starts) for it in evidence.traces.values())
        print(f"  {name:<14} {took:8.2f} s   {len(evidence.traces)} traces, {changes:,d} runs", flush=True)


if __name__ == "__main__":
    main()
