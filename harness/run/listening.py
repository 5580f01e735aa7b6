"""The listeners of a site: one for each link that is listened to. Nothing here can build a write."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from itertools import count
from typing import TYPE_CHECKING

from harness.core.instants import Clock
from harness.core.links import BacnetLink, LinkSpec, ModbusRtuLink, ModbusTcpLink, MqttLink, PersonLink, TextLink
from harness.core.model import Point, Site
from harness.links.base import Link, Observer
from harness.links.modbus_rtu import ModbusRtuListener
from harness.links.modbus_tcp import ModbusTcpListener
from harness.links.person import PersonListener
from harness.links.text import TextListener

if TYPE_CHECKING:
    from harness.links.bacnet_app import BacnetPorts


def listener(
    spec: LinkSpec,
    points: Iterable[Point],
    observer: Observer,
    clock: Clock,
    next_block_id: Callable[[], int],
    ports: BacnetPorts | None = None,
    *,
    carries: bool = False,
) -> Link:
    """The listener of one link. ``ports``: the same for all links of a run, so that BACnet links share a socket.

    ``carries``: a serial bus is opened to carry requests of others, with or without points on it.
    """
    match spec:
        case BacnetLink():
            from harness.links.bacnet import BacnetListener  # it brings a protocol stack along

            return BacnetListener(spec, points, observer, clock, next_block_id, ports)
        case ModbusTcpLink():
            return ModbusTcpListener(spec, points, observer, clock, next_block_id)
        case ModbusRtuLink():
            return ModbusRtuListener(spec, points, observer, clock, next_block_id, carries=carries)
        case TextLink():
            return TextListener(spec, observer, clock)
        case MqttLink():
            from harness.links.mqtt import MqttListener  # it brings a client library along

            return MqttListener(spec, points, observer, clock)
        case PersonLink():
            return PersonListener(spec, points, observer, clock)


def listeners(
    site: Site,
    observer: Observer,
    clock: Clock,
    only: Iterable[str] | None = None,
    carrying: Collection[str] = (),
) -> list[Link]:
    """A listener for every link with points on it; ``only``: names of links, None for all.

    ``carrying``: the serial buses, among or besides them, that carry the requests of an armed stimulus.
    """
    numbers = count(1)
    chosen = None if only is None else frozenset(only)
    points = list(site.points.values())
    used = {point.link for point in points}
    wanted = {name for name in used if chosen is None or name in chosen} | set(carrying)
    specs = [it for name, it in site.links.items() if name in wanted]
    ports: BacnetPorts | None = None
    if any(isinstance(spec, BacnetLink) for spec in specs):
        from harness.links.bacnet_app import BacnetPorts as Ports  # as above

        ports = Ports()
    return [
        listener(spec, points, observer, clock, lambda: next(numbers), ports, carries=spec.name in carrying)
        for spec in specs
    ]
