"""Whether a device still tells farend: what it says of its own life, looked at again and again. Nothing is written.

That a value is as it was told proves nothing of the path that tells it: a device that restarted between two polls has
forgotten who subscribed, and a change that came and went meanwhile was told to nobody. Two properties of the device
object say more (ASHRAE 135, 12.11). Active_COV_Subscriptions: a subscription that is still in it was never lost, since
only farend could have renewed it. Time_Of_Device_Restart: as long as it is the same, the device did not restart. Both
are optional. A device that has neither can only be taken for alive while it answers; that is said with the results.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterable
from typing import Final

from harness.core.instants import Clock
from harness.links import bacnet_apdu
from harness.links.bacnet_app import NoAnswerError, RefusedError
from harness.links.bacnet_messages import LOOK_PERIOD_NS, LifeSign, ObjectId, look_period_ns
from harness.links.bacnet_polls import Device

TRIALS: Final = 2
"""A subscription that was just confirmed, and so often is not in the list: some devices always show an empty one."""

Told = Callable[[int, int, LifeSign], None]


class Life:
    """The looks at one device; ``told`` takes each with its instants of asking and of the answer."""

    def __init__(self, told: Told, clock: Clock, subscriptions: int) -> None:
        self._told = told
        self._clock = clock
        self._period_ns = look_period_ns(subscriptions)
        self._subscribes = subscriptions > 0
        self.lists: bool | None = None
        """Whether the list of subscriptions can be believed; None while that is not known."""
        self.asked_ns = 0
        self.due_ns = 0
        self.sign: LifeSign | None = None
        self._trials = 0
        self._properties: tuple[int, ...] = ()

    @property
    def says_something(self) -> bool:
        """Whether the device has shown that it can tell of a restart."""
        return self.sign is not None and self.sign.says_something

    @property
    def is_on_trial(self) -> bool:
        """Whether the list has not shown yet what was subscribed to, and may still do so."""
        return self.lists is None and 0 < self._trials < TRIALS

    def begin(self) -> None:
        """A new session: what the device can say is found out again."""
        self.lists, self.sign, self._trials, self.asked_ns = None, None, 0, 0
        listed = (bacnet_apdu.ACTIVE_COV_SUBSCRIPTIONS,) if self._subscribes else ()
        self._properties = (*listed, bacnet_apdu.TIME_OF_DEVICE_RESTART)
        self.due_ns = self._clock()

    @property
    def next_ns(self) -> int | None:
        """When to look again; None where there is nothing to see."""
        return self.due_ns if self._properties else None

    async def look(self, device: Device, kept: Iterable[ObjectId]) -> LifeSign | None:
        """Read, and tell. ``kept``: what is subscribed to. None where no answer came, or nothing was decided.

        Until the list has shown one of ``kept``, it is not known whether it can be believed.
        """
        subscribed = tuple(kept)
        asked_ns = told_ns = 0
        try:
            read, asked_ns, told_ns = await self._read(device)
        except NoAnswerError:
            read = {}
        if not read and (self.says_something or not told_ns):
            # No answer, or a device that is too busy for what it could tell before: nothing is known of it meanwhile.
            self.due_ns = self._clock() + LOOK_PERIOD_NS
            return None
        self.due_ns = told_ns + self._period_ns
        values = read.get((bacnet_apdu.DEVICE, device.spec.device), {})
        restarted = values.get(bacnet_apdu.TIME_OF_DEVICE_RESTART)
        listed = self._ours(device, values.get(bacnet_apdu.ACTIVE_COV_SUBSCRIPTIONS))
        if listed is None:
            self.lists = False
        elif not self.lists and subscribed:
            if listed & set(subscribed):
                self.lists = True
            else:
                self._trials += 1
                self.lists = False if self._trials >= TRIALS else None
        if self.lists is None and subscribed:
            return None  # subscribed again before it is looked at again
        believed = bool(self.lists) and listed is not None
        self._properties = tuple(
            number
            for number, has in (
                (bacnet_apdu.ACTIVE_COV_SUBSCRIPTIONS, self.lists is not False and listed is not None),
                (bacnet_apdu.TIME_OF_DEVICE_RESTART, restarted is not None),
            )
            if has
        )
        missing = tuple(it for it in subscribed if listed is not None and it not in listed) if believed else ()
        octets = None if restarted is None else bacnet_apdu.octets_of(restarted)
        sign = LifeSign(lists=believed, missing=missing, restarted=octets)
        self.asked_ns, self.sign = asked_ns, sign
        self._told(asked_ns, told_ns, sign)
        return sign

    async def _read(self, device: Device) -> tuple[dict[tuple[int, int], dict[int, object]], int, int]:
        """What can be read of the two; a list that does not fit into an answer is given up. Raises NoAnswerError."""
        own = [(bacnet_apdu.DEVICE, device.spec.device)]
        begun_ns = self._clock()
        for properties in dict.fromkeys((self._properties, self._properties[-1:])):
            try:
                read, asked_ns, told_ns = await device.read(own, properties)
            except RefusedError:
                continue
            return read, asked_ns or begun_ns, told_ns or self._clock()
        return {}, begun_ns, self._clock()

    def _ours(self, device: Device, value: object) -> set[ObjectId] | None:
        """What the list says that farend subscribed to; None where it cannot be read."""
        if value is None:
            return None
        try:
            entries = bacnet_apdu.subscriptions_of(value)
        except ValueError:
            return None
        host, port = device.app.own_address
        octets, spec = socket.inet_aton(host) + port.to_bytes(2, "big"), device.spec
        mine = (it for it in entries if it.process == spec.process)
        named = (it for it in mine if it.address == octets or (it.address is None and it.device == spec.own_device))
        return {it.object for it in named if it.object is not None}
