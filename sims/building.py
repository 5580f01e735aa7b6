"""The building side over BACnet/IP: a device that shows every alarm that may leave the panel, and tells of it.

Reads find it in objects; subscribers get change-of-value notifications; the recipients of notification class 1 get
event notifications. What is kept here is how the objects stand, and the order of things: a value changes and becomes
readable, then subscribers are told of it, then its event, if there is one, is notified.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from sims.alarm_states import AlarmState
from sims.alarms import BY_NAME
from sims.building_alarming import Notice
from sims.building_apdu import datagram
from sims.building_cov import ObjectId, Reported, Subscriber, Subscriptions
from sims.building_events import NO_FAULT, Event, EventMachine, EventState
from sims.building_levels import read_level
from sims.building_network import BuildingNetwork
from sims.building_notices import cov_encoder, event_encoder, event_words
from sims.building_objects import DEVICE_INSTANCE, PROCESS, make_standings, object_of
from sims.building_options import BuildingOptions
from sims.building_outgoing import About, Encode, Outgoing, Recipient
from sims.building_views import Standing, device_view, fill, fill_events, notification_class_view, view_of
from sims.controller import Action, Situation
from sims.levels import Levels
from sims.output import Surroundings, Value
from sims.points import BUILDING, BUILDING_COMMON, BUILDING_LEVELS, BUILDING_STATES, TANKS, Place, Point

LEVELS_EVERY_S: Final = 0.5  # how often a wandering level takes another value
_ORDER: Final = {"analog-input": 0, "binary-input": 3, "binary-value": 5, "multi-state-value": 19}


class Building:
    """An output of the site, and the keeper of the device's objects."""

    name = "building"

    def __init__(self, options: BuildingOptions) -> None:
        self._options = options
        self.standings = make_standings(options)
        self._views: dict[ObjectId, Any] = {}
        self._subscriptions = Subscriptions()
        self._conditions: dict[str, set[str]] = {tank: set() for tank in TANKS}
        self._levels = Levels(0)
        self._shown: dict[Point, int] = {}
        self._network: BuildingNetwork | None = None
        self._outgoing: Outgoing | None = None
        self._surroundings: Surroundings | None = None
        self._due: asyncio.TimerHandle | None = None

    # --- an output of the site ------------------------------------------------------------------------

    @property
    def delay_ns(self) -> int:
        """From a scan until the objects show it."""
        return self._options.delay_ns

    @property
    def port(self) -> int:
        """The UDP port."""
        return 0 if self._network is None else int(self._network.server.address[1])

    def ready(self) -> Mapping[str, object]:
        """Where it is."""
        return {"building_port": self.port, "building_instance": DEVICE_INSTANCE}

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """Binary inputs and the conditions of the levels: whether active; multi-state values: the code of the state."""
        states = situation.states
        meant = {point: int(states[point.signal].active) for point in (*BUILDING, *BUILDING_LEVELS)}
        meant |= {point: states[point.signal].code for point in BUILDING_STATES}
        return meant | {BUILDING_COMMON: int(situation.common_alarm)}

    async def start(self, surroundings: Surroundings) -> None:
        """Listen. Raises OSError where the port is taken."""
        options = self._options
        self._surroundings = surroundings
        self._levels = Levels(surroundings.seed)
        now_ns = time.monotonic_ns()
        for value in surroundings.initial:
            self._take(value)
        self._wander()
        for standing in self.standings.values():
            standing.value = standing.input
            if standing.algorithm is not None:
                standing.machine = EventMachine(standing.algorithm, standing.value, now_ns)
        self._views = {object_id: view_of(standing) for object_id, standing in self.standings.items()}
        device = device_view(DEVICE_INSTANCE, options.apdu_timeout_s, options.apdu_retries)
        classes = notification_class_view(
            options.notification_class, options.recipients, PROCESS, confirmed=options.confirmed
        )
        self._outgoing = Outgoing(
            self, asyncio.get_running_loop(), timeout_s=options.apdu_timeout_s, retries=options.apdu_retries
        )
        network = BuildingNetwork(surroundings.host, options.port, device, [*self._views.values(), classes], self)
        self._network = network
        await network.server.start()

    async def run(self) -> None:
        """Let the levels wander, and events happen whose delay runs out."""
        while True:
            await asyncio.sleep(LEVELS_EVERY_S)
            self._change(self._wander())

    async def stop(self) -> None:
        """Close everything."""
        if self._due is not None:
            self._due.cancel()
        if self._outgoing is not None:
            self._outgoing.close()
        if self._network is not None:
            await self._network.server.stop()

    def show(self, values: Sequence[Value]) -> None:
        """Make values visible, and tell of them."""
        surroundings = self._site
        changed = [value for value in values if self._shown.get(value.point, 0) != value.value]
        before_ns = time.monotonic_ns()
        touched = [object_id for value in changed for object_id in self._take(value)]
        self._wander()
        events = self._settle(dict.fromkeys(touched))
        after_ns = time.monotonic_ns()
        for point, value in changed:
            surroundings.shown(point, value, before_ns, after_ns)
        self._tell(dict.fromkeys(touched), events)
        for point, code in changed:
            if point.place is Place.BUILDING_STATES and code in _ACKNOWLEDGED:
                self._acknowledged_elsewhere(point.signal)

    # --- the keeper of the objects --------------------------------------------------------------------

    def standing(self, object_id: ObjectId) -> Standing | None:
        """One object, or None where there is none."""
        return self.standings.get(object_id)

    def reporting(self) -> Iterable[Standing]:
        """The objects that report events, in the order of their identifiers."""
        reporting = [standing for standing in self.standings.values() if standing.alarming is not None]
        return sorted(reporting, key=lambda s: (_ORDER[s.object_id[0]], s.object_id[1]))

    def subscribe(
        self, subscriber: Subscriber, process: int, object_id: ObjectId, *, confirmed: bool, lifetime_s: int
    ) -> None:
        """Take a subscription. Raises NoRoomError."""
        now_ns = time.monotonic_ns()
        self._subscriptions.subscribe(
            subscriber, process, object_id, confirmed=confirmed, lifetime_s=lifetime_s, now_ns=now_ns
        )
        self._log("subscription", object_id, what="subscribed", confirmed=confirmed, lifetime_s=lifetime_s)

    def subscribed(self, object_id: ObjectId) -> None:
        """The first notification of a subscription says how things stand."""
        self._notify_of_values(object_id)

    def unsubscribe(self, subscriber: Subscriber, process: int, object_id: ObjectId) -> None:
        """End a subscription, if there is one."""
        if self._subscriptions.cancel(subscriber, process, object_id):
            self._log("subscription", object_id, what="cancelled")

    def acknowledge(self, object_id: ObjectId, state: EventState, stamp: datetime | None, source: str) -> None:
        """Acknowledge a transition: its recipients are told, and so is the controller. Raises AckRefusedError."""
        standing = self.standings[object_id]
        assert standing.alarming is not None  # noqa: S101 - the network has looked
        notice = standing.alarming.acknowledge(state, stamp, _now())
        fill_events(self._views[object_id], standing)
        self._notify_of_event(standing, notice)
        if standing.signal in BY_NAME:
            self._site.press(standing.signal, Action.ACKNOWLEDGE, f"building: {source}")

    def write(self, object_id: ObjectId, name: str, value: float) -> bool:
        """Take an object out of service, write to one that is, or put it back."""
        standing = self.standings.get(object_id)
        if standing is None or (name != "outOfService" and not standing.out_of_service):
            return False
        if name == "outOfService":
            standing.out_of_service = bool(value)
            if not value:
                standing.value = standing.input
                standing.reliability = NO_FAULT
                self._wander()
        elif name == "reliability":
            standing.reliability = int(value)
        else:
            standing.value = value
        self._change([object_id])
        return True

    def answered(self, sender: Recipient, invoke_id: int, outcome: str) -> bool:
        """A peer answered a confirmed notification."""
        return self._outgoing is not None and self._outgoing.answered(sender, invoke_id, outcome)

    # --- how the objects come to stand ----------------------------------------------------------------

    @property
    def _site(self) -> Surroundings:
        assert self._surroundings is not None  # noqa: S101 - started
        return self._surroundings

    def _take(self, value: Value) -> list[ObjectId]:
        """Let an object's input be what a point is to show; the objects that this may change."""
        point, number = value
        self._shown[point] = number
        object_id = object_of(point)
        standing = self.standings[object_id]
        if point.place is Place.BUILDING_LEVELS:
            tank, _, condition = point.signal.partition(".")
            conditions = self._conditions[tank]
            (conditions.add if number else conditions.discard)(condition)
        else:
            standing.input = number + 1 if point.place is Place.BUILDING_STATES else number
            if not standing.out_of_service:
                standing.value = standing.input
        return [object_id]

    def _wander(self) -> list[ObjectId]:
        """Let every level read what it should by now; which ones changed."""
        since_ns = time.monotonic_ns() - self._site.started_ns
        changed = []
        for number, tank in enumerate(TANKS):
            standing = self.standings["analog-input", number + 1]
            reading = read_level(self._levels, tank, self._conditions[tank], since_ns)
            standing.input = reading.percent
            if standing.out_of_service or self._site.is_still(Place.BUILDING_LEVELS):
                continue
            if (standing.value, standing.reliability) != reading:
                standing.value, standing.reliability = reading
                changed.append(standing.object_id)
        return changed

    def _settle(self, touched: Iterable[ObjectId]) -> list[tuple[Standing, Event]]:
        """Let the event states follow and the views show it; the events that happened."""
        now_ns = time.monotonic_ns()
        happened = []
        for object_id in touched:
            standing = self.standings[object_id]
            if standing.machine is not None:
                events = standing.machine.update(standing.value, standing.reliability, now_ns)
                happened += [(standing, event) for event in events]
            fill(self._views[object_id], standing)
        self._wait_for_next()
        return happened

    def _change(self, touched: Iterable[ObjectId]) -> None:
        """Objects changed by themselves or by a write."""
        objects = list(touched)
        self._tell(objects, self._settle(objects))

    def _wait_for_next(self) -> None:
        """Look again when the next delay runs out."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
        dues = [s.machine.due_ns for s in self.standings.values() if s.machine is not None]
        due_ns = min((due for due in dues if due is not None), default=None)
        if due_ns is not None:
            wait_s = max(0, due_ns - time.monotonic_ns()) / 1e9
            self._due = asyncio.get_running_loop().call_later(wait_s, self._delays_ran_out)

    def _delays_ran_out(self) -> None:
        now_ns = time.monotonic_ns()
        machines = [(s, s.machine) for s in self.standings.values() if s.machine is not None]
        self._change([s.object_id for s, m in machines if m.due_ns is not None and m.due_ns <= now_ns])

    # --- who is told ----------------------------------------------------------------------------------

    def _tell(self, touched: Iterable[ObjectId], events: Sequence[tuple[Standing, Event]]) -> None:
        for object_id in touched:
            self._notify_of_values(object_id)
        for standing, event in events:
            assert standing.alarming is not None  # noqa: S101 - it has a machine
            notice = standing.alarming.happened(event, _now())
            fill_events(self._views[standing.object_id], standing)
            self._log(
                "event",
                standing.object_id,
                signal=standing.signal,
                from_state=event.from_state.name.lower(),
                to_state=event.to_state.name.lower(),
                value=event.value,
                notified=notice is not None,
                due_ns=event.at_ns,
            )
            if notice is not None:
                self._notify_of_event(standing, notice)

    def _notify_of_values(self, object_id: ObjectId) -> None:
        standing = self.standings[object_id]
        now = Reported(standing.value, standing.flags)
        now_ns = time.monotonic_ns()
        for subscription in self._subscriptions.due(object_id, now, standing.increment, now_ns):
            process, confirmed = subscription.process, subscription.confirmed
            encode = cov_encoder(standing, now, process, subscription.remaining_s(now_ns), confirmed=confirmed)
            about = _about(standing, "cov") | {"value": now.value, "flags": now.flags, "process": process}
            self._send(subscription.subscriber, encode, about, confirmed=confirmed)

    def _notify_of_event(self, standing: Standing, notice: Notice) -> None:
        confirmed = self._options.confirmed
        encode = event_encoder(standing, notice, confirmed=confirmed)
        about = _about(standing, "event" if notice.event is not None else "acknowledgement") | event_words(notice)
        for recipient in self._options.recipients:
            self._send(recipient, encode, about | {"process": PROCESS}, confirmed=confirmed)

    def _acknowledged_elsewhere(self, signal: str) -> None:
        """Someone acknowledged the alarm at the panel: its object's transitions count as acknowledged too."""
        for standing in self.standings.values():
            if standing.signal == signal and standing.alarming is not None:
                for notice in standing.alarming.acknowledge_all(_now()):
                    self._notify_of_event(standing, notice)
                fill_events(self._views[standing.object_id], standing)

    def _send(self, recipient: Recipient, encode: Encode, about: About, *, confirmed: bool) -> None:
        assert self._outgoing is not None  # noqa: S101 - started
        if confirmed:
            self._outgoing.confirmed(recipient, encode, about)
        else:
            self._outgoing.unconfirmed(recipient, encode, about)

    def sent(self, about: About, recipient: Recipient, invoke_id: int | None, attempt: int, data: bytes) -> None:
        """Hand a notification to the socket, and tell the truth log between which instants that happened."""
        assert self._network is not None  # noqa: S101 - started
        whole = datagram(data)
        before_ns = time.monotonic_ns()
        self._network.server.send(whole, recipient)
        after_ns = time.monotonic_ns()
        host, port = recipient
        self._site.log(
            "notification",
            place=Place.BUILDING,
            **about,
            confirmed=invoke_id is not None,
            recipient=f"{host}:{port}",
            invoke_id=invoke_id,
            attempt=attempt,
            sent_before_ns=before_ns,
            sent_after_ns=after_ns,
        )

    def ended(self, about: About, recipient: Recipient, invoke_id: int | None, outcome: str) -> None:
        """A confirmed notification was answered, given up or dropped."""
        host, port = recipient
        self._site.log(
            "notification-end",
            place=Place.BUILDING,
            **about,
            recipient=f"{host}:{port}",
            invoke_id=invoke_id,
            outcome=outcome,
            at_ns=time.monotonic_ns(),
        )

    def _log(self, kind: str, object_id: ObjectId, **entry: Any) -> None:
        table, address = object_id
        self._site.log(kind, place=Place.BUILDING, table=table, address=address, **entry, at_ns=time.monotonic_ns())


_ACKNOWLEDGED: Final = (AlarmState.NORM.code, AlarmState.ACKED.code)


def _about(standing: Standing, what: str) -> dict[str, Any]:
    table, address = standing.object_id
    return {"what": what, "table": table, "address": address, "signal": standing.signal}


def _now() -> datetime:
    """The device's clock: UTC, to the hundredth of a second, as a BACnet time stamp has it."""
    now = datetime.now(UTC)
    return now.replace(microsecond=now.microsecond // 10_000 * 10_000)
