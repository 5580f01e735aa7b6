"""The COV subscriptions of one link: asked for, renewed, missed when the device lost them, cancelled at the end.

bacpypes3 keeps subscriptions too, but a renewal that fails there is an exception that nobody sees, and none is
cancelled when its block ends by an exception. Clauses are those of ASHRAE 135.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.places import BacnetPlace, ObjectType
from harness.links import bacnet_apdu
from harness.links.bacnet_datagrams import Arrival
from harness.links.bacnet_life import Life
from harness.links.bacnet_messages import ObjectId, Reporting, Subscription, SubscriptionStep, ValueChange, object_words
from harness.links.bacnet_polls import Device
from harness.links.bacnet_values import ObjectReading, is_on
from harness.links.base import ObjectBlock

RETRY_NS: Final = 2 * NS_PER_S
"""Between tries of a renewal that failed: a lost datagram is made good in time, a busy device is left alone."""

REFUSED_RETRY_NS: Final = 30 * NS_PER_S
"""A device whose subscription slots are all taken may have one later."""

CANCEL_MAX_NS: Final = 3 * NS_PER_S
"""For cancelling all subscriptions at the end; what is not cancelled by then ends with its lifetime."""

CONFIRM_MIN_NS: Final = 1 * NS_PER_S
"""A notification may still be on its way when a poll shows the new value already: so long it is waited for."""

LOOKED_JUST_NOW_NS: Final = 20 * NS_PER_MS
"""A renewal would hide that a subscription was lost, so it is looked for first, not longer ago than this: with what
the renewal itself takes it is far from ``RESTART_MIN_NS``."""

_ANALOG: Final = (ObjectType.ANALOG_INPUT, ObjectType.ANALOG_VALUE)


@dataclass(slots=True)
class _Kept:
    """One subscription. All instants in ns; ``heard_ns``: what last showed that it is there (its answer, a
    notification, the device's list); ``differs_ns``: since when polls show what no notification told, 0 where they do
    not."""

    object: ObjectId
    due_ns: int = 0
    is_kept: bool = False
    kept_ns: int = 0
    heard_ns: int = 0
    notified: ObjectReading | None = None
    differs_ns: int = 0


class Subscriptions:
    """Keeps one subscription for each object while a session lasts."""

    def __init__(
        self,
        objects: Sequence[ObjectId],
        places: Sequence[BacnetPlace],
        told: Callable[[int, int, Subscription], None],
        clock: Clock,
        hasten: Callable[[ObjectBlock, int], None],
    ) -> None:
        """``told`` takes every step with its bounds in time; ``hasten`` has a block polled again soon."""
        self._kept = {object_id: _Kept(object_id) for object_id in objects}
        self._places = {it: [place for place in places if (place.object_type, place.instance) == it] for it in objects}
        self._told = told
        self._clock = clock
        self._hasten = hasten
        self._reporting: dict[ObjectId, Reporting] = {}
        self._woken = asyncio.Event()

    def takes(self, object_id: ObjectId) -> bool:
        """Whether the object is subscribed to here."""
        return object_id in self._kept

    def learn(self, reporting: dict[ObjectId, Reporting]) -> None:
        """What is known of the objects: their COV_Increment."""
        self._reporting = reporting

    def begin(self) -> None:
        """A new session: whatever was subscribed before, all is asked for again."""
        now_ns = self._clock()
        for kept in self._kept.values():
            kept.is_kept, kept.due_ns, kept.notified, kept.differs_ns = False, now_ns, None, 0

    async def run(self, device: Device, life: Life) -> None:
        """Subscribe, renew, and look whether the subscriptions are still there, until cancelled."""
        while True:
            self._woken.clear()
            kept = min(self._kept.values(), key=lambda it: it.due_ns, default=None)
            look_ns = life.next_ns if kept is None or any(it.kept_ns for it in self._kept.values()) else None
            due = [it for it in (None if kept is None else kept.due_ns, look_ns) if it is not None]
            if not due:
                return
            wait_ns = min(due) - self._clock()
            if wait_ns > 0:
                try:
                    async with asyncio.timeout(wait_ns / NS_PER_S):
                        await self._woken.wait()
                except TimeoutError:
                    pass
            elif kept is None or (look_ns is not None and look_ns <= kept.due_ns):
                await self._look(device, life)
            else:
                if kept.is_kept and life.lists and self._clock() - life.asked_ns > LOOKED_JUST_NOW_NS:
                    await self._look(device, life)
                await self._ask(device, kept)

    async def _look(self, device: Device, life: Life) -> None:
        asked = [it for it in self._kept.values() if it.is_kept]
        sign = await life.look(device, [it.object for it in asked])
        if sign is None:
            if life.is_on_trial and asked:
                # Subscribed to again, to see whether the list then holds it.
                asked[0].is_kept, asked[0].due_ns = False, self._clock()
                life.due_ns = asked[0].due_ns + 1
            return
        if not sign.lists:
            return
        for kept in asked:
            if kept.object in sign.missing:
                what = f"{object_words(kept.object)} is not in the device's list of subscriptions"
                self._lost(kept, f"{what}: the device lost it", kept.heard_ns)
            else:
                kept.heard_ns = max(kept.heard_ns, life.asked_ns)

    async def _ask(self, device: Device, kept: _Kept) -> None:
        spec = device.spec
        step = SubscriptionStep.RENEWING if kept.is_kept else SubscriptionStep.ASKED
        begun_ns = self._clock()
        self._told(begun_ns, begun_ns, Subscription(object=kept.object, step=step))
        request = bacnet_apdu.subscribe(kept.object, spec.process, spec.cov, spec.cov_lifetime_s)
        try:
            answer = await device.ask(request)
        except LinkError as exc:
            self._failed(kept, str(exc), spec.cov_lifetime_s)
            return
        kept.is_kept, kept.kept_ns = True, answer.asked_ns
        kept.heard_ns = max(kept.heard_ns, answer.told_ns)
        # At half of its life, so that there is time for several tries; 0 has no end (13.14.1.1.4).
        lifetime_ns = spec.cov_lifetime_s * NS_PER_S
        kept.due_ns = answer.told_ns + (lifetime_ns // 2 if lifetime_ns else NS_PER_S * 86_400 * 365)
        self._told(answer.asked_ns, answer.told_ns, Subscription(object=kept.object, step=SubscriptionStep.KEPT))

    def _failed(self, kept: _Kept, why: str, lifetime_s: int) -> None:
        """A subscription without an answer: tried again; one that has outlived its life is gone."""
        now_ns = self._clock()
        step = SubscriptionStep.RENEWING if kept.is_kept else SubscriptionStep.REFUSED
        self._told(now_ns, now_ns, Subscription(object=kept.object, step=step, why=f"failed: {why}"))
        if not kept.is_kept:
            kept.due_ns = now_ns + (RETRY_NS if "no answer" in why else REFUSED_RETRY_NS)
            return
        ends_ns = kept.kept_ns + lifetime_s * NS_PER_S
        if lifetime_s and now_ns >= ends_ns:
            self._lost(kept, f"not renewed within its lifetime of {lifetime_s} s: {why}", ends_ns)
        kept.due_ns = now_ns + RETRY_NS

    def _lost(self, kept: _Kept, why: str, since_ns: int) -> None:
        now_ns = self._clock()
        lost = Subscription(object=kept.object, step=SubscriptionStep.LOST, why=why, since_ns=min(since_ns, now_ns))
        self._told(now_ns, now_ns, lost)
        kept.is_kept, kept.notified, kept.differs_ns, kept.due_ns = False, None, 0, now_ns
        self._woken.set()

    def notified(self, change: ValueChange, arrival: Arrival) -> None:
        """A notification of one of these objects."""
        kept = self._kept[change.object]
        kept.notified, kept.heard_ns, kept.differs_ns = change.reading, arrival.last_ns, 0

    def restarted(self, why: str, since_ns: int) -> None:
        """The device seems to have restarted since then: it may have forgotten all of them, and all are asked for."""
        for kept in self._kept.values():
            if kept.is_kept:
                self._lost(kept, why, max(kept.heard_ns, since_ns))

    def renew(self) -> None:
        """Renew all that are kept at once: the value that answers a renewal says how things stand."""
        for kept in self._kept.values():
            if kept.is_kept:
                kept.due_ns = self._clock()
        self._woken.set()

    def look(self) -> None:
        """Whatever :meth:`run` waits for, it looks again what is due."""
        self._woken.set()

    def polled(
        self, block: ObjectBlock, readings: Sequence[ObjectReading], asked_ns: int, told_ns: int, delay_ns: int
    ) -> None:
        """A shadow poll. One difference is looked at again; a second one means that the subscription is gone."""
        for object_id, reading in zip(block.objects, readings, strict=True):
            kept = self._kept.get(object_id)
            if kept is None or not kept.is_kept or kept.kept_ns > asked_ns:
                continue
            if kept.notified is not None and not self._differs(object_id, reading, kept.notified):
                kept.differs_ns = 0
            elif kept.heard_ns > asked_ns:
                continue  # told while the poll was under way
            elif not kept.differs_ns:
                kept.differs_ns = told_ns
                self._hasten(block, told_ns + max(delay_ns, CONFIRM_MIN_NS))
            elif asked_ns >= kept.differs_ns + max(delay_ns, CONFIRM_MIN_NS) - NS_PER_S // 100:
                what = "never told a value" if kept.notified is None else "told another value than is read"
                self._lost(kept, f"{object_words(object_id)} {what}: the device lost it", kept.heard_ns)

    def _differs(self, object_id: ObjectId, read: ObjectReading, told: ObjectReading) -> bool:
        """Whether a notification must have been sent between the two (13.1): not for less than COV_Increment."""
        if read.status is not None and told.status is not None and read.status != told.status:
            return True
        if read.value is None or told.value is None:
            return False
        if object_id[0] not in _ANALOG:
            return read.value != told.value
        reporting = self._reporting.get(object_id)
        if reporting is not None and reporting.cov_increment is not None:
            moved = abs(read.value - told.value)
            return moved > 0 and moved >= reporting.cov_increment
        return any(is_on(place, read) is not is_on(place, told) for place in self._places[object_id])

    async def cancel(self, device: Device) -> None:
        """Cancel all that are kept, as long as the device answers and ``CANCEL_MAX_NS`` have not passed."""
        now_ns = self._clock()
        try:
            async with asyncio.timeout(CANCEL_MAX_NS / NS_PER_S):
                for kept in self._kept.values():
                    if kept.is_kept:
                        kept.is_kept = False
                        await device.ask(bacnet_apdu.unsubscribe(kept.object, device.spec.process))
                        now_ns = self._clock()
                        ended = Subscription(object=kept.object, step=SubscriptionStep.ENDED)
                        self._told(now_ns, now_ns, ended)
        except (LinkError, TimeoutError) as exc:
            now_ns = self._clock()
            why = str(exc) or "not all cancelled in time"
            for kept in self._kept.values():
                if kept.is_kept:
                    kept.is_kept = False
                    ended = Subscription(object=kept.object, step=SubscriptionStep.ENDED, why=why)
                    self._told(now_ns, now_ns, ended)
