"""The defects that only a BACnet device can have, as the device asks for them; and callbacks that end with it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Any, Final

from sims.building_alarming import NotificationClass
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.durations import NS_PER_S

WRONG_CLASS: Final = NotificationClass(number=2, priorities=(255, 255, 255), ack_required=(False, False, False))
FLOOD_EVERY_S: Final = 0.01  # a hundred notifications a second to each recipient: a lot, and no load for a machine


class Faults:
    """The defects of the device's places."""

    def __init__(self, defects: Sequence[Defect]) -> None:
        self._defects = tuple(defects)

    def find(self, name: Name, signal: str | None = None) -> Defect | None:
        """The defect of that name at an alarm's object, or, without ``signal``, of the whole device."""
        return next((d for d in self._defects if d.name is name and d.alarm == signal), None)

    def seconds(self, name: Name, signal: str | None = None) -> float | None:
        """The time that such a defect was given, or None where there is none."""
        defect = self.find(name, signal)
        return None if defect is None else (defect.duration_ns or 0) / NS_PER_S


class Later:
    """Callbacks of the event loop that are cancelled all at once."""

    def __init__(self) -> None:
        self._handles: set[asyncio.TimerHandle] = set()

    def call(self, delay_s: float, callback: Callable[..., object], *args: Any) -> None:
        """Call something later, unless it is cancelled before."""

        def run() -> None:
            self._handles.discard(handle)
            callback(*args)

        handle = asyncio.get_running_loop().call_later(delay_s, run)
        self._handles.add(handle)

    def cancel(self) -> None:
        """Call nothing any more."""
        for handle in self._handles:
            handle.cancel()
        self._handles.clear()
