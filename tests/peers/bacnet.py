"""What the tests of BACnet links share: links on loopback, points, and what a recorder heard, decoded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from harness.core.instants import NS_PER_MS
from harness.core.links import BacnetLink
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, ObjectPart, ObjectType
from harness.links.bacnet_messages import BacnetMessage, decode
from harness.links.base import AnyBlock
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import ORIGIN, Recorder

T = TypeVar("T", bound=BacnetMessage)
BI, AI = ObjectType.BINARY_INPUT, ObjectType.ANALOG_INPUT


def bacnet_link(port: int, device: int = 4, name: str = "building", **rest: object) -> BacnetLink:
    """A link to 127.0.0.1 with short periods and a time-out that no slow machine runs into."""
    given: dict[str, object] = {
        "listen_port": free_udp_port(),
        "poll_period_ns": 20 * NS_PER_MS,
        "timeout_ns": 5000 * NS_PER_MS,
        **rest,
    }
    return BacnetLink(
        name=name,
        host="127.0.0.1",
        port=port,
        device=device,
        listen_host="127.0.0.1",
        origin=ORIGIN,
        **given,  # type: ignore[arg-type]
    )


def bacnet_point(
    instance: int,
    arrives: Arrival = Arrival.POLL,
    object_type: ObjectType = BI,
    part: ObjectPart = ObjectPart.PRESENT_VALUE,
    link: str = "building",
    **rest: object,
) -> Point:
    place = BacnetPlace(object_type=object_type, instance=instance, part=part, arrives=arrives, **rest)  # type: ignore[arg-type]
    return Point(name=f"{object_type.value}-{instance}-{arrives.value}", link=link, place=place, origin=ORIGIN)


def messages(heard: Recorder, kind: type[T]) -> list[T]:
    """What was heard of one kind."""
    return [it for _, _, _, data in heard.lines if isinstance(it := decode(data), kind)]


@dataclass(frozen=True, slots=True)
class HeardSource:
    """What a recorder heard so far, as a record would give it back."""

    heard: Recorder

    def blocks(self) -> tuple[AnyBlock, ...]:
        return (*self.heard.blocks.values(), *self.heard.object_blocks.values())

    def polls(self, block_id: int) -> Polls:
        mine = [(asked, told, payload) for one, asked, told, payload in self.heard.polls if one == block_id]
        return Polls(
            asked=np.array([asked for asked, _, _ in mine], dtype=np.int64),
            told=np.array([told for _, told, _ in mine], dtype=np.int64),
            starts=np.arange(len(mine), dtype=np.int64),
            payloads=[payload for _, _, payload in mine],
        )

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        mine = (it for it in self.heard.failures if it[0] == block_id)
        return tuple(Failure(asked_ns=asked, given_up_ns=given_up, why=why) for _, asked, given_up, why in mine)

    def messages(self, link: str) -> tuple[Message, ...]:
        mine = (it for it in self.heard.lines if it[0] == link)
        return tuple(Message(first_ns=first, last_ns=last, data=data) for _, first, last, data in mine)

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        mine = (it for it in self.heard.states if it[0] == link)
        return tuple(StateChange(at_ns=at, state=state, why=why) for _, at, state, why in mine)

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        return tuple(Dropped(at_ns=at, what=what, data=data) for one, at, what, data in self.heard.drops if one == link)
