"""What a device's own clock shows: its Local_Date and Local_Time (ASHRAE 135, 12.11), read now and then. Never written.

Read between two polls, so that no more requests are outstanding than without it. It is evidence about that clock and
about nothing else: no time of an alarm comes from it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from harness.core.instants import FOREVER, Clock
from harness.links import bacnet_apdu
from harness.links.bacnet_app import NoAnswerError, RefusedError
from harness.links.bacnet_messages import CLOCK_PERIOD_NS, ClockRead, Stamp
from harness.links.bacnet_polls import Device

UNANSWERED_MAX: Final = 2
"""After so many reads in a row without an answer it is left alone: each of them may have held up a poll."""

Told = Callable[[int, int, ClockRead], None]


class ClockLooks:
    """The looks at one device's clock; ``told`` takes each with its instants of asking and of the answer."""

    def __init__(self, told: Told, clock: Clock) -> None:
        self._told = told
        self._clock = clock
        self.due_ns = FOREVER
        """When to look again; FOREVER where the device has no clock, or there is no session."""
        self._unanswered = 0

    def begin(self) -> None:
        """A new session: whether the device has a clock is found out again."""
        self.due_ns, self._unanswered = self._clock(), 0

    async def look(self, device: Device) -> None:
        """Read once, and tell. A device that does not answer is looked at again; one without a clock is not."""
        own = (bacnet_apdu.DEVICE, device.spec.device)
        self.due_ns = self._clock() + CLOCK_PERIOD_NS
        try:
            read, asked_ns, told_ns = await device.read([own], bacnet_apdu.CLOCK)
        except NoAnswerError:
            self._unanswered += 1
            if self._unanswered >= UNANSWERED_MAX:
                self.due_ns = FOREVER
            return
        except RefusedError:
            self.due_ns = FOREVER
            return
        self._unanswered = 0
        stamp = clock_stamp(read.get(own, {}))
        if stamp is None:
            self.due_ns = FOREVER
        else:
            self._told(asked_ns, told_ns, ClockRead(stamp=stamp))


def clock_stamp(values: dict[int, Any]) -> Stamp | None:
    """Local_Date and Local_Time as they were read; None where the device has no such time."""
    date, time = (bacnet_apdu.four_of(values.get(number)) for number in bacnet_apdu.CLOCK)
    return None if time is None else Stamp(time=time, date=date)
