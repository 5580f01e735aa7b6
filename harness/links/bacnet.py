"""The BACnet/IP listener: polls the objects of one device, subscribes to their changes, and takes its notifications.

It never writes. What it sends: ReadProperty and ReadPropertyMultiple, Who-Is, SubscribeCOV (and its cancelling), a
SimpleAck for each confirmed notification, and the registration as a foreign device where one is declared. At most two
requests are outstanding: one poll, and one of setting up.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any, Final

from harness.core.errors import IdentityError, LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import BacnetLink
from harness.core.model import Point
from harness.core.places import Arrival as Way
from harness.core.places import BacnetPlace
from harness.links import bacnet_apdu
from harness.links.bacnet_app import BacnetApp, BacnetPorts, resolved
from harness.links.bacnet_clock import ClockLooks
from harness.links.bacnet_cov import Subscriptions
from harness.links.bacnet_datagrams import Arrival, HostPort
from harness.links.bacnet_life import Life
from harness.links.bacnet_messages import (
    LATE_ANSWER,
    SHADOW_PERIOD_NS,
    BacnetMessage,
    Gap,
    LifeSign,
    ObjectId,
    Reporting,
    encode,
)
from harness.links.bacnet_polls import Device, Polls
from harness.links.bacnet_reporting import check_identity, longest_request, read_reporting
from harness.links.bacnet_values import ObjectReading
from harness.links.base import LISTENER_ENDED, LinkState, ObjectBlock, Observer

RECONNECT_FIRST_NS: Final = 100 * NS_PER_MS
RECONNECT_MAX_NS: Final = 2 * NS_PER_S
"""Back-off between attempts that came to nothing: short enough to lose little, long enough to spare the device."""

ROUTED_MAX_NS: Final = 500 * NS_PER_MS
"""Where another device answers at the address: how long it is listened for the right one from behind a router."""

ANSWERS_TO_WHO_IS_NS: Final = 5 * NS_PER_S
"""An I-Am of the device itself later than this after our Who-Is was not the answer to it."""

RESTARTS_APART_NS: Final = 10 * NS_PER_S
"""I-Ams of the device closer together than this count as one: other programs ask who is there too."""

DROPPED_BYTES_MAX: Final = 64


class BacnetListener:
    """Listens to one BACnet/IP device until cancelled; one of the links behind ``Link``.

    ``next_block_id`` gives ids that are unique in a run. Links that listen on the same host and port must be given
    the same ``ports``.
    """

    def __init__(
        self,
        spec: BacnetLink,
        points: Iterable[Point],
        observer: Observer,
        clock: Clock,
        next_block_id: Callable[[], int],
        ports: BacnetPorts | None = None,
    ) -> None:
        """Points of other links are passed over. Raises ValueError where the spec asks for what cannot be done."""
        if spec.poll_period_ns <= 0 or spec.timeout_ns <= 0 or not 1 <= spec.objects_per_read <= 200:
            asked = f"poll_period_ns={spec.poll_period_ns} timeout_ns={spec.timeout_ns} objects={spec.objects_per_read}"
            raise ValueError(f"link {spec.name}: {asked}: expected times above 0, and 1 to 200 objects in a read")
        self.name = spec.name
        self.device = spec.device
        self.peer: HostPort = ("", 0)
        self._spec = spec
        self._observer = observer
        self._clock = clock
        self._ports = BacnetPorts() if ports is None else ports
        places = [it.place for it in points if it.link == spec.name and isinstance(it.place, BacnetPlace)]
        self._polled = _objects(places, Way.POLL)
        self._events = _objects(places, Way.EVENT)
        changing = _objects(places, Way.COV)
        self._polls = Polls(spec=spec, observer=observer, clock=clock, next_block_id=next_block_id)
        self._cov = Subscriptions(
            changing, [it for it in places if it.arrives is Way.COV], self._tell, clock, self._polls.hasten
        )
        self._life = Life(self._lived, clock, len(changing))
        self._clock_looks = ClockLooks(self._tell, clock)
        self._polls.aside = self._clock_looks
        self._told = tuple(dict.fromkeys((*changing, *self._events)))
        self._state: tuple[LinkState, str] | None = None
        self._up_why = self._behind = ""
        self._routed = asyncio.Event()
        self._failed: asyncio.Future[str] | None = None
        self._asked_who_ns = self._restart_ns = self._answered_ns = 0
        self._sign: tuple[int, LifeSign] | None = None

    async def run(self) -> None:
        """Listen until cancelled. A device that is down is reported to the observer, never raised.

        Raises IdentityError where two devices claim the instance of this one.
        """
        if not self._polled and not self._told:
            return
        self._plan()
        wait_ns = 0
        try:
            while True:
                try:
                    was_up = await self._attempt()
                except IdentityError:
                    raise
                except LinkError as exc:
                    self._report(LinkState.DOWN, f"{exc}{self._behind}")
                    was_up = False
                wait_ns = 0 if was_up else min(max(2 * wait_ns, RECONNECT_FIRST_NS), RECONNECT_MAX_NS)
                await asyncio.sleep(max(wait_ns, RECONNECT_FIRST_NS) / NS_PER_S)
        finally:
            self._report(LinkState.DOWN, LISTENER_ENDED)

    def _plan(self) -> None:
        """What is polled: what must be read, one object to show that the device lives, and the slow shadow polls."""
        spec = self._spec
        self._polls.on_answer = self._answered
        self._polls.on_no_answer = self._unanswered
        if self._polled:
            self._polls.add(self._polled, spec.poll_period_ns)
        elif self._told:
            self._polls.add(self._told[:1], spec.poll_period_ns)
        if self._told:
            self._polls.add(self._told, max(SHADOW_PERIOD_NS, spec.poll_period_ns), self._shadowed)

    async def _attempt(self) -> bool:
        """One session: from opening the port until the device is gone. True where it was up."""
        spec = self._spec
        app = await self._ports.open(spec, self._clock)
        try:
            self.peer = await resolved(spec.host, spec.port)
            self._check_own_port(app)
            device = Device(spec=spec, app=app, peer=self.peer)
            self._failed = asyncio.get_running_loop().create_future()
            app.sides.append(self)
            try:
                await self._registered(app)
                await self._look_for_doubles(app)
                await self._check_identity(device)
                self._polls.fit(await longest_request(device))
                self._up_why = f"device {spec.device} answers at {self.peer[0]}:{self.peer[1]}"
                self._report(LinkState.UP, self._up_why)
                why = await self._session(device)
                self._report(LinkState.DOWN, why)
            finally:
                app.sides.remove(self)
        finally:
            await self._ports.close(spec)
        return True

    def _check_own_port(self, app: BacnetApp) -> None:
        if self.peer == app.own_address:
            raise LinkError(
                f"{self.peer[0]}:{self.peer[1]} is the address on which farend itself listens; give the link another "
                "listen port"
            )

    async def _registered(self, app: BacnetApp) -> None:
        """Wait for the BBMD's confirmation, where a registration is declared."""
        try:
            async with asyncio.timeout(self._spec.timeout_ns / NS_PER_S):
                while not app.is_registered:  # noqa: ASYNC110 - bacpypes3 gives no event that tells of a refusal too
                    await asyncio.sleep(0.01)
        except TimeoutError as exc:
            where = f"bbmd {self._spec.bbmd_host}:{self._spec.bbmd_port}"
            raise LinkError(f"{where}: the registration as a foreign device was not confirmed") from exc

    async def _look_for_doubles(self, app: BacnetApp) -> None:
        """Ask who is there; whoever else answers, now or later, ends the run."""
        self._asked_who_ns = self._clock()
        await app.who_is_there(self._spec.device, self.peer)

    async def _check_identity(self, device: Device) -> None:
        """Raises LinkError; not before an answer from behind a router has had the time to come, which explains it."""
        try:
            await check_identity(device)
        except LinkError as exc:
            self._report(LinkState.DOWN, f"{exc}{self._behind}")
            with suppress(TimeoutError):
                async with asyncio.timeout(ROUTED_MAX_NS / NS_PER_S):
                    await self._routed.wait()
            raise

    async def _session(self, device: Device) -> str:
        """Poll, subscribe and listen until the device is gone; returns why. Subscriptions are cancelled in any case."""
        assert self._failed is not None  # noqa: S101 - set by the only caller
        self._cov.begin()
        self._life.begin()
        self._clock_looks.begin()
        self._sign, self._answered_ns = None, self._clock()
        tasks = [
            asyncio.create_task(self._polls.run(device), name=f"polls of {self.name}"),
            asyncio.create_task(self._set_up(device), name=f"subscriptions of {self.name}"),
        ]
        gone = False
        try:
            done, _ = await asyncio.wait([*tasks, self._failed], return_when=asyncio.FIRST_COMPLETED)
            while tasks[1] in done and not tasks[1].cancelled() and tasks[1].exception() is None and len(done) == 1:
                # Nothing (more) to set up; the polls go on.
                done, _ = await asyncio.wait([tasks[0], self._failed], return_when=asyncio.FIRST_COMPLETED)
            if self._failed.done():
                self._failed.result()
            gone = tasks[0].done() and tasks[0].exception() is None
            return next(iter(it.result() or "the session ended" for it in tasks if it.done()))
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            if not gone:
                await self._cov.cancel(device)

    async def _set_up(self, device: Device) -> str:
        """Read how the objects report, then subscribe, keep subscribed, and look whether it lasts."""
        if not self._told:
            return ""
        await self._life.look(device, ())
        reporting = await read_reporting(device, self._told)
        for one in reporting.values():
            self._tell_now(one if one.object in self._events else _without_recipient(one))
        self._cov.learn(reporting)
        await self._cov.run(device, self._life)
        return ""

    # --- what comes in --------------------------------------------------------------------------------

    def notified(self, apdu: Any, arrival: Arrival) -> None:
        """See ``DeviceSide.notified``."""
        if self._state is None or self._state[0] is not LinkState.UP:
            # A subscription of the session before may be alive still; but who is there was not looked at yet.
            self.dropped(arrival.last_ns, f"{LATE_ANSWER}: a notification while the link was down", b"")
            return
        if hasattr(apdu, "monitoredObjectIdentifier"):
            change = bacnet_apdu.change_of(apdu)
            if change is None or change.process != self._spec.process or not self._cov.takes(change.object):
                which = "of an object that was not subscribed to" if change is None else f"process {change.process}"
                self.dropped(arrival.last_ns, f"{LATE_ANSWER}: a COV notification, {which}", b"")
                return
            self._cov.notified(change, arrival)
            self._tell(arrival.first_ns, arrival.last_ns, change)
            return
        event = bacnet_apdu.event_of(apdu)
        if event.process != self._spec.process:
            what = f"{LATE_ANSWER}: an event for process {event.process}, expected {self._spec.process}"
            self.dropped(arrival.last_ns, what, b"")
            return
        self._tell(arrival.first_ns, arrival.last_ns, event)

    def heard_i_am(self, source: HostPort, arrival: Arrival, network: int | None) -> None:
        """See ``DeviceSide.heard_i_am``."""
        if network is not None and self._state != (LinkState.UP, self._up_why):
            self._behind = (
                f"; a device of instance {self.device} answers from network {network} behind the router at "
                f"{source[0]}:{source[1]}: devices behind a BACnet router are not supported, only such as have an IP "
                "address of their own"
            )
            self._routed.set()
            return
        if source != self.peer or network is not None:
            behind = "" if network is None else f", from network {network} behind it"
            if self._failed is not None and not self._failed.done():
                self._failed.set_exception(
                    IdentityError(
                        f"link {self.name}: device instance {self.device} is claimed by {self.peer[0]}:{self.peer[1]} "
                        f"and by {source[0]}:{source[1]}{behind}; whatever is read may be the other's: give one of "
                        "them an instance of its own, and test again"
                    )
                )
            return
        at_ns = arrival.last_ns
        if at_ns - self._asked_who_ns > ANSWERS_TO_WHO_IS_NS and at_ns - self._restart_ns > RESTARTS_APART_NS:
            self._restart_ns = at_ns
            self._restarted("the device announced itself, as after a restart", self._answered_ns)

    def dropped(self, at_ns: int, what: str, data: bytes) -> None:
        """See ``DeviceSide.dropped``."""
        self._observer.dropped(self.name, at_ns, what, data[:DROPPED_BYTES_MAX])

    def overflowed(self, since_ns: int) -> None:
        """See ``DeviceSide.overflowed``."""
        self._tell_now(Gap(since_ns=since_ns, why="this computer was too busy, and dropped what came in"))

    # --- whether the device still tells ------------------------------------------------------------------

    def _answered(self, asked_ns: int) -> None:
        self._answered_ns = asked_ns

    def _unanswered(self) -> None:
        """A read without an answer: the network lost it, or the device is restarting. Who was told last cannot know."""
        if not self._told:
            return
        if self._life.says_something:
            self._life.due_ns = self._clock()
            self._cov.look()
            return
        self._tell_now(Gap(since_ns=self._answered_ns, why="a read was not answered: the device may have restarted"))
        self._answered_ns = self._clock()
        self._cov.renew()
        self._polls.begin()

    def _lived(self, asked_ns: int, told_ns: int, sign: LifeSign) -> None:
        """What the device says of its life; where that shows that it restarted, all since the look before is open."""
        before, self._sign = self._sign, (asked_ns, sign)
        self._tell(asked_ns, told_ns, sign)
        if before is None:
            return
        if before[1].restarted != sign.restarted:
            self._restarted("its Time_Of_Device_Restart is another: it restarted", before[0])
        elif sign.missing:
            self._tell_now(Gap(since_ns=before[0], why="the device lost subscriptions: it may have restarted"))

    def _restarted(self, why: str, since_ns: int) -> None:
        """Whatever it was to tell meanwhile is lost, and so may be all that was subscribed to."""
        self._tell_now(Gap(since_ns=since_ns, why=why))
        self._cov.restarted(why, since_ns)
        self._polls.begin()

    def _shadowed(self, block: ObjectBlock, readings: Sequence[ObjectReading], asked_ns: int, told_ns: int) -> None:
        self._cov.polled(block, readings, asked_ns, told_ns, self._spec.longest_delay_ns or 0)

    def _tell_now(self, message: BacnetMessage) -> None:
        now_ns = self._clock()
        self._tell(now_ns, now_ns, message)

    def _tell(self, first_ns: int, last_ns: int, message: BacnetMessage) -> None:
        self._observer.message(self.name, first_ns, last_ns, encode(message))

    def _report(self, state: LinkState, why: str) -> None:
        """Tell the observer where something changed; a device that stays away for days is one report, not thousands."""
        if self._state != (state, why):
            self._state = (state, why)
            self._observer.link_state(self.name, self._clock(), state, why)


def _objects(places: Iterable[BacnetPlace], way: Way) -> tuple[ObjectId, ...]:
    return tuple(dict.fromkeys((it.object_type, it.instance) for it in places if it.arrives is way))


def _without_recipient(reporting: Reporting) -> Reporting:
    """For an object that need not send events, no recipient list matters."""
    return replace(reporting, is_recipient=None, why="")
