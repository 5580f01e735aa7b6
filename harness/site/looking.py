"""How exactly a change at a point can be known: what the way of looking at it leaves open. In words, for messages."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.links import (
    HAND_FINEST_NS,
    BacnetLink,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    TextLink,
)
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace
from harness.site.durations import write_duration

PushedLink = TextLink | BacnetLink | MqttLink


@dataclass(frozen=True, slots=True, kw_only=True)
class Looking:
    """``width_ns``: a change is known no better than within this. ``why``: in words, '' where it is exactly known.

    ``period_ns``: the poll period, 0 where nothing is polled, or where the cycle of another master is not declared.
    """

    width_ns: int
    why: str
    period_ns: int = 0


def looking_at(point: Point, link: LinkSpec) -> Looking:
    """How a point is looked at over its link."""
    period_ns = period_of(point, link)
    if period_ns:
        return Looking(
            width_ns=period_ns, why=f"{link.name} is polled every {write_duration(period_ns)}", period_ns=period_ns
        )
    if isinstance(link, PersonLink) and link.in_sight:
        width_ns = max(link.reaction_max_ns - link.reaction_min_ns, HAND_FINEST_NS)
        return Looking(
            width_ns=width_ns, why=f"what is reported at {link.name} is known within {write_duration(width_ns)}"
        )
    delay_ns = pushed_delay_of(point, link)
    if delay_ns:
        return Looking(width_ns=delay_ns, why=f"{link.name} tells it up to {write_duration(delay_ns)} later")
    return Looking(width_ns=0, why="")


def pushed(point: Point, link: LinkSpec) -> PushedLink | None:
    """The link where it tells changes of this point unasked, else None."""
    if isinstance(link, TextLink | MqttLink):
        return link
    is_polled = isinstance(point.place, BacnetPlace) and point.place.arrives is Arrival.POLL
    return link if isinstance(link, BacnetLink) and not is_polled else None


def pushed_delay_of(point: Point, link: LinkSpec) -> int:
    """The longest delay of a pushed point, 0 where it is not pushed or not declared."""
    told = pushed(point, link)
    return told.longest_delay_ns or 0 if told is not None else 0


def period_of(point: Point, link: LinkSpec) -> int:
    """How often a point is asked for, 0 where it is told unasked, or where nobody knows."""
    if isinstance(link, ModbusTcpLink | ModbusRtuLink):
        return link.poll_period_ns
    if isinstance(link, BacnetLink) and pushed(point, link) is None:
        return link.poll_period_ns
    return 0
