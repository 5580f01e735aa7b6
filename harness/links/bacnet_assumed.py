"""What is taken on trust of BACnet devices that cannot say whether they still notify. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.core.links import BacnetLink, LinkSpec
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace
from harness.links.bacnet_messages import LIFE_SIGN, LifeSign, decode
from harness.links.source import Source


def assumed_alive(source: Source, links: Mapping[str, LinkSpec], points: Iterable[Point]) -> Iterator[str]:
    """One sentence for each link on which silence counts, and rests on more than what the device says of its life."""
    mapped = tuple(points)
    for name, spec in links.items():
        if not isinstance(spec, BacnetLink) or not spec.promises_every_change or spec.longest_delay_ns is None:
            continue
        ways = {it.place.arrives for it in mapped if it.link == name and isinstance(it.place, BacnetPlace)}
        said = (decode(message.data) for message in source.messages(name) if LIFE_SIGN in message.data)
        signs = [it for it in said if isinstance(it, LifeSign)]
        if not signs or signs[-1].restarted is not None:
            continue
        if Arrival.COV in ways and not signs[-1].lists:
            yield (
                f"{name}: the device shows neither its COV subscriptions nor when it restarted: while it answers "
                "reads, it is assumed to notify too; a pulse during a restart between two reads would not be noticed"
            )
        elif Arrival.EVENT in ways:
            yield (
                f"{name}: the device does not show when it restarted: while it answers reads, it is assumed to send "
                "its events too; an event during a restart between two reads would not be noticed"
            )
