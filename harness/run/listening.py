"""The listeners of a site: one for each link that is listened to. Nothing here can write."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import count

from harness.core.instants import Clock
from harness.core.links import LinkSpec, ModbusTcpLink, MqttLink, PersonLink, TextLink
from harness.core.model import Point, Site
from harness.links.base import Link, Observer
from harness.links.modbus_tcp import ModbusTcpListener
from harness.links.person import PersonListener
from harness.links.text import TextListener


def listener(
    spec: LinkSpec, points: Iterable[Point], observer: Observer, clock: Clock, next_block_id: Callable[[], int]
) -> Link:
    """The listener of one link."""
    match spec:
        case ModbusTcpLink():
            return ModbusTcpListener(spec, points, observer, clock, next_block_id)
        case TextLink():
            return TextListener(spec, observer, clock)
        case MqttLink():
            from harness.links.mqtt import MqttListener  # it brings a client library along

            return MqttListener(spec, points, observer, clock)
        case PersonLink():
            return PersonListener(spec, points, observer, clock)
        case _:
            raise NotImplementedError(f"link {spec.name}: {type(spec).__name__} cannot be listened to yet")


def listeners(site: Site, observer: Observer, clock: Clock, only: Iterable[str] | None = None) -> list[Link]:
    """A listener for every link with points on it; ``only``: names of links, None for all."""
    numbers = count(1)
    chosen = None if only is None else frozenset(only)
    points = list(site.points.values())
    used = {point.link for point in points}
    return [
        listener(spec, points, observer, clock, lambda: next(numbers))
        for name, spec in site.links.items()
        if name in used and (chosen is None or name in chosen)
    ]
