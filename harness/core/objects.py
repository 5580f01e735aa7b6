"""What a BACnet object says of itself, beside its value."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectSays:
    """What the object behind a point said of itself. ``name``: in words, as ``binary-input 2``.

    ``out_of_service``: from when until when it was seen to be so, None where never. ``tells_alarms``: whether its
    Event_Enable has the transition to off-normal; None where that was not read. ``most_in_a_second``: the most
    notifications of it that came within one second.
    """

    name: str
    out_of_service: Bounds | None = None
    tells_alarms: bool | None = None
    notification_class: int | None = None
    most_in_a_second: int = 0
