"""How word of a change comes from a point: read again and again, or told once. Pure."""

from __future__ import annotations

from harness.core.links import BacnetLink, Framing, LinkSpec, MqttLink, TextLink
from harness.core.places import Arrival, BacnetPlace, Place


def told_delay_ns(spec: LinkSpec, place: Place) -> int | None:
    """The longest time from a change to what is told of it; None where a point is polled, or watched by a person.

    0 where nobody declared a longest delay. What is framed by silence is known only once the silence is over.
    """
    match spec:
        case TextLink():
            framing_ns = spec.idle_gap_ns if spec.framing is Framing.IDLE_GAP else 0
            return (spec.longest_delay_ns or 0) + framing_ns
        case BacnetLink():
            is_polled = isinstance(place, BacnetPlace) and place.arrives is Arrival.POLL
            return None if is_polled else spec.longest_delay_ns or 0
        case MqttLink():
            return spec.longest_delay_ns or 0
        case _:
            return None


def is_told(spec: LinkSpec, place: Place) -> bool:
    """True where changes are told once, by a line, a notification or a message, and silence has to be trusted."""
    return told_delay_ns(spec, place) is not None
