"""Reading the objects of one BACnet device: again and again on an absolute schedule, or once.

One ReadPropertyMultiple reads several objects. A device that does not know the service is read property by property,
and one whose answer does not fit into one message is asked for fewer objects at a time.
"""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from harness.core.instants import NS_PER_S, NS_PER_US, Clock
from harness.core.links import BacnetLink
from harness.links import bacnet_apdu
from harness.links.bacnet_app import Answer, BacnetApp, NoAnswerError, RefusedError
from harness.links.bacnet_datagrams import HostPort
from harness.links.bacnet_messages import ObjectId
from harness.links.bacnet_values import ObjectReading, pack
from harness.links.base import ObjectBlock, Observer

EARLY_MAX_NS: Final = 500 * NS_PER_US
"""Some event loops round timers to milliseconds. A poll that would be early by less than this is begun at once."""

TIMEOUTS_IN_A_ROW_MAX: Final = 3
"""Datagrams get lost; after so many requests in a row without any answer, the device is taken for gone."""

UNRECOGNIZED_SERVICE: Final = 9
"""Reject reason (ASHRAE 135, 18.8)."""

TOO_LONG: Final = {"abort": (1, 4, 11), "reject": (1,)}
"""Reasons (18.8, 18.10): buffer-overflow, and of an abort segmentation-not-supported and apdu-too-long."""

UNKNOWN: Final = frozenset((31, 32))
"""Error codes (clause 18): unknown-object, unknown-property. Some devices answer so for the whole of a request."""


@dataclass(slots=True, kw_only=True)
class ObjectPoll:
    """A block that is read again and again. ``due_ns``: when next, on the absolute schedule of ``period_ns``.

    ``seen`` is called with every reading: what a slow shadow poll is for. ``one_by_one``: even one object at a time
    does not fit into the device's messages, so it is read property by property.
    """

    block: ObjectBlock
    period_ns: int
    due_ns: int
    seen: Callable[[ObjectBlock, Sequence[ObjectReading], int, int], None] | None = None
    one_by_one: bool = False


@dataclass(slots=True, kw_only=True)
class Device:
    """One device as it is asked: the application, its address, how long to wait, and what it cannot do."""

    spec: BacnetLink
    app: BacnetApp
    peer: HostPort
    knows_multiple: bool = True

    async def ask(self, apdu: Any) -> Answer:
        """Raises NoAnswerError or RefusedError."""
        return await self.app.ask(apdu, self.peer, self.spec.timeout_ns)

    async def read(
        self, objects: Sequence[tuple[int, int]], properties: Sequence[int], *, one_by_one: bool = False
    ) -> tuple[dict[tuple[int, int], dict[int, Any]], int, int]:
        """What each object answered for each property; asked and told of the whole.

        What a device answers an error for is left out. Raises NoAnswerError, or RefusedError where all is refused.
        """
        if self.knows_multiple and not one_by_one:
            try:
                answer = await self.ask(bacnet_apdu.read_multiple(objects, properties))
            except RefusedError as exc:
                if exc.refusal.kind != "reject" or exc.refusal.number != UNRECOGNIZED_SERVICE:
                    raise
                self.knows_multiple = False
            else:
                return bacnet_apdu.results_of(answer.apdu), answer.asked_ns, answer.told_ns
        found: dict[tuple[int, int], dict[int, Any]] = {}
        first_ns = last_ns = 0
        for object_id in objects:
            for number in properties:
                try:
                    answer = await self.ask(bacnet_apdu.read_one(object_id, number))
                except RefusedError as exc:
                    first_ns, last_ns = first_ns or exc.asked_ns, exc.given_up_ns
                    continue
                first_ns, last_ns = first_ns or answer.asked_ns, answer.told_ns
                found.setdefault(object_id, {})[number] = answer.apdu.propertyValue
        return found, first_ns, last_ns


class Aside(Protocol):
    """What is read now and then where there is time between two polls."""

    due_ns: int

    async def look(self, device: Device) -> None:
        """Read once, and set ``due_ns`` anew."""


@dataclass(slots=True, kw_only=True)
class Polls:
    """The blocks of one device, one request at a time. Outlives a session: blocks keep their ids and schedule."""

    spec: BacnetLink
    observer: Observer
    clock: Clock
    next_block_id: Callable[[], int]
    waiting: list[ObjectPoll] = field(default_factory=list)
    on_answer: Callable[[int], None] = lambda _asked_ns: None
    on_no_answer: Callable[[], None] = lambda: None
    aside: Aside | None = None

    def add(self, objects: Iterable[ObjectId], period_ns: int, seen: Any = None) -> None:
        """Blocks of ``objects_per_read`` objects, spread over the period from a phase that the link's name gives."""
        ordered = list(dict.fromkeys(objects))
        size = self.spec.objects_per_read
        parts = [tuple(ordered[at : at + size]) for at in range(0, len(ordered), size)]
        phase_ns = zlib.crc32(self.spec.name.encode()) % period_ns
        now_ns = self.clock()
        for number, part in enumerate(parts):
            due_ns = now_ns + (phase_ns + number * period_ns // len(parts)) % period_ns
            self._add(part, period_ns, due_ns, seen)

    def _add(self, objects: tuple[ObjectId, ...], period_ns: int, due_ns: int, seen: Any) -> None:
        block = ObjectBlock(id=self.next_block_id(), link=self.spec.name, objects=objects)
        self.observer.block(block)
        self.waiting.append(ObjectPoll(block=block, period_ns=period_ns, due_ns=due_ns, seen=seen))

    def begin(self) -> None:
        """Shadow polls are due at once: a session begins, or something may have been lost."""
        now_ns = self.clock()
        for poll in self.waiting:
            if poll.seen is not None:
                poll.due_ns = min(poll.due_ns, now_ns)

    def hasten(self, block: ObjectBlock, due_ns: int) -> None:
        """Read a block no later than ``due_ns``, once, and go on as scheduled."""
        for poll in self.waiting:
            if poll.block is block and poll.due_ns > due_ns:
                poll.due_ns = due_ns

    async def run(self, device: Device) -> str:
        """Poll until the device is gone; returns why. What fell due while it was away is skipped without a report."""
        now_ns = self.clock()
        self.begin()
        for poll in self.waiting:
            if poll.due_ns < now_ns and poll.seen is None:
                poll.due_ns += -(-(now_ns - poll.due_ns) // poll.period_ns) * poll.period_ns
        timeouts = 0
        while self.waiting:
            poll = min(self.waiting, key=lambda it: (it.due_ns, it.block.id))
            wait_ns = poll.due_ns - EARLY_MAX_NS - self.clock()
            if wait_ns > 0 and self.aside is not None and self.aside.due_ns <= self.clock():
                await self.aside.look(device)
            elif wait_ns > 0:
                # No longer than a period of the fastest: a block may be hastened meanwhile.
                await asyncio.sleep(min(wait_ns, self.spec.poll_period_ns) / NS_PER_S)
            else:
                why = await self._one(device, poll)
                timeouts = timeouts + 1 if why else 0
                if timeouts >= TIMEOUTS_IN_A_ROW_MAX:
                    return f"{why}, {timeouts} times in a row"
        await asyncio.Event().wait()
        return ""

    async def _one(self, device: Device, poll: ObjectPoll) -> str:
        """One poll; '' where it was answered, even by a refusal."""
        begun_ns = self.clock()
        missed = max(0, begun_ns - poll.due_ns) // poll.period_ns
        if missed and poll.seen is None:
            self.observer.overrun(self.spec.name, poll.due_ns, begun_ns)
        poll.due_ns += (missed + 1) * poll.period_ns
        numbers = [bacnet_apdu.number_of(it) for it in poll.block.objects]
        try:
            found, asked_ns, told_ns = await device.read(numbers, bacnet_apdu.READ, one_by_one=poll.one_by_one)
        except NoAnswerError as exc:
            self.observer.poll_failed(poll.block.id, exc.asked_ns, exc.given_up_ns, str(exc))
            self.on_no_answer()
            return str(exc)
        except RefusedError as exc:
            self.observer.poll_failed(poll.block.id, exc.asked_ns, exc.given_up_ns, str(exc))
            self._refused(poll, exc)
            return ""
        except asyncio.CancelledError:
            self.observer.poll_failed(poll.block.id, begun_ns, self.clock(), "stopped before the answer came")
            raise
        strange = set(found) - set(numbers)
        if strange or not told_ns:
            why = f"the answer is about other objects: {sorted(strange)}" if strange else "nothing was answered"
            self.observer.poll_failed(poll.block.id, asked_ns or begun_ns, told_ns or self.clock(), why)
            return ""
        readings = [bacnet_apdu.reading_of(found.get(number, {})) for number in numbers]
        self.observer.poll(poll.block.id, asked_ns, told_ns, b"".join(pack(it) for it in readings))
        self.on_answer(asked_ns)
        if poll.seen is not None:
            poll.seen(poll.block, readings, asked_ns, told_ns)
        return ""

    def _refused(self, poll: ObjectPoll, exc: RefusedError) -> None:
        """Smaller blocks from now on where that may help, due at once, since their points are blind."""
        too_long = exc.refusal.number in TOO_LONG.get(exc.refusal.kind, ())
        one_of_them = exc.refusal.kind == "error" and exc.refusal.number in UNKNOWN
        if too_long and len(poll.block.objects) == 1:
            poll.one_by_one = True
        if (too_long or one_of_them) and len(poll.block.objects) > 1:
            self._halve(poll)

    def fit(self, octets: int | None) -> None:
        """Smaller blocks where a request would be longer than the device takes; None where it does not say."""
        if octets is None:
            return
        room = octets - bacnet_apdu.REQUEST_HEAD_OCTETS
        most = max(1, room // bacnet_apdu.REQUEST_OBJECT_OCTETS)
        while True:
            long = [it for it in self.waiting if len(it.block.objects) > most]
            if not long:
                return
            for poll in long:
                self._halve(poll)

    def _halve(self, poll: ObjectPoll) -> None:
        self.waiting.remove(poll)
        objects, middle = poll.block.objects, len(poll.block.objects) // 2
        for part in (objects[:middle], objects[middle:]):
            self._add(part, poll.period_ns, self.clock(), poll.seen)
