"""The building side over BACnet/IP: a device that shows every alarm that may leave the panel, and tells of it.

Reads find it in objects; subscribers get change-of-value notifications; the recipients of notification class 1 get
event notifications. What is kept here is the order of things: a value changes and becomes readable, then subscribers
are told of it, then its event, if there is one, is notified.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from sims.alarm_states import AlarmState
from sims.alarms import BY_NAME
from sims.building_cov import ObjectId, Subscriber
from sims.building_events import Event, EventState
from sims.building_faults import WRONG_CLASS, Faults
from sims.building_network import BuildingNetwork
from sims.building_objects import DEVICE_INSTANCE, PROCESS, make_standings
from sims.building_options import BuildingOptions
from sims.building_outgoing import Recipient
from sims.building_state import Happened, Objects
from sims.building_telling import Teller
from sims.building_views import Standing, device_view, fill, fill_events, notification_class_view, view_of
from sims.clock import SiteClock
from sims.controller import Action, Situation
from sims.defect_kinds import Name
from sims.levels import Levels
from sims.output import Surroundings, Value
from sims.points import BUILDING, BUILDING_COMMON, BUILDING_LEVELS, BUILDING_STATES, Place, Point

MINIMUM_ON_OFF: Final = 6  # the priority of an object's own minimum on and off times (ASHRAE 135, 19.2, from memory)
LEVELS_EVERY_S: Final = 0.5  # how often a wandering level takes another value
_ORDER: Final = {"analog-input": 0, "binary-input": 3, "binary-value": 5, "multi-state-value": 19}
_ACKNOWLEDGED: Final = (AlarmState.NORM.code, AlarmState.ACKED.code)


class Building:
    """An output of the site, and the keeper of the device's objects."""

    name = "building"

    def __init__(self, options: BuildingOptions) -> None:
        self._options = options
        self._faults = Faults(())
        self._views: dict[ObjectId, Any] = {}
        self._dirty: set[ObjectId] = set()
        self._networks: list[BuildingNetwork] = []
        self._due: asyncio.TimerHandle | None = None
        self.clock = SiteClock(options.clock_offset_ns, options.clock_drift_ppm, options.clock_set)

    # --- an output of the site ------------------------------------------------------------------------

    @property
    def delay_ns(self) -> int:
        """From a scan until the objects show it."""
        return self._options.delay_ns

    def ready(self) -> Mapping[str, object]:
        """Where it is; the second port is that of a device with the same instance, where there is one."""
        ports = [network.server.address[1] for network in self._networks]
        names = ("building_port", "building_duplicate_port")
        return {"building_instance": DEVICE_INSTANCE, **dict(zip(names, ports, strict=False))}

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """Binary inputs and the conditions of the levels: whether active; multi-state values: the code of the state."""
        states = situation.states
        meant = {point: int(states[point.signal].active) for point in (*BUILDING, *BUILDING_LEVELS)}
        meant |= {point: states[point.signal].code for point in BUILDING_STATES}
        return meant | {BUILDING_COMMON: int(situation.common_alarm)}

    async def start(self, surroundings: Surroundings) -> None:
        """Listen. Raises OSError where the port is taken."""
        self._site = surroundings
        self._faults = Faults(surroundings.defects)
        standings = make_standings(self._options, self._faults)
        levels = Levels(surroundings.seed)
        self._objects = Objects(standings, levels, surroundings.started_ns, surroundings.is_still)
        self._objects.start(surroundings.initial)
        self._views = {object_id: view_of(standing) for object_id, standing in standings.items()}
        self._teller = Teller(self._options, self._faults, surroundings, self._send)
        self._networks.append(self._network(list(self._views.values()), self._options.port, self))
        if self._faults.find(Name.DUPLICATE_INSTANCE):
            quiet = make_standings(BuildingOptions(), Faults(()))
            self._networks.append(self._network([view_of(standing) for standing in quiet.values()], 0, None))
        for network in self._networks:
            await network.server.start()
        self._change(())

    def _network(self, views: list[Any], port: int, keeper: Building | None) -> BuildingNetwork:
        options = self._options
        device = device_view(DEVICE_INSTANCE, options.apdu_timeout_s, options.apdu_retries, self.clock)
        classes = [
            notification_class_view(given, self._teller.recipients(given.number), PROCESS, confirmed=options.confirmed)
            for given in (options.notification_class, WRONG_CLASS)
            if given is not WRONG_CLASS or any(self._faults.find(Name.WRONG_CLASS, alarm) for alarm in BY_NAME)
        ]
        return BuildingNetwork(self._site.host, port, device, [*views, *classes], keeper)

    def _send(self, data: bytes, recipient: Recipient) -> None:
        self._networks[0].server.send(data, recipient)

    async def run(self) -> None:
        """Let the levels wander, and a cache that is stale at other times be right."""
        stale_s = self._faults.seconds(Name.STALE_READS)
        fresh_s = time.monotonic()
        while True:
            await asyncio.sleep(LEVELS_EVERY_S)
            self._change(self._objects.wander())
            if stale_s is not None and time.monotonic() >= fresh_s + stale_s:
                fresh_s = time.monotonic()
                self._refresh()

    async def stop(self) -> None:
        """Close everything."""
        if self._due is not None:
            self._due.cancel()
        if self._networks:
            self._teller.close()
        for network in self._networks:
            await network.server.stop()

    def show(self, values: Sequence[Value]) -> None:
        """Make values visible, and tell of them."""
        changed = [value for value in values if self._objects.is_new(value)]
        before_ns = time.monotonic_ns()
        touched = dict.fromkeys(self._objects.take(value) for value in changed)
        touched |= dict.fromkeys(self._objects.wander())
        events = self._settle(touched)
        after_ns = time.monotonic_ns()
        for point, value in changed:
            self._site.shown(point, value, before_ns, after_ns)
        self._tell(touched, events)
        for point, code in changed:
            if point.place is Place.BUILDING_STATES and code in _ACKNOWLEDGED:
                self._acknowledged_elsewhere(point.signal)

    # --- the keeper of the objects --------------------------------------------------------------------

    def standing(self, object_id: ObjectId) -> Standing | None:
        """One object, or None where there is none."""
        return self._objects.standings.get(object_id)

    def reporting(self) -> Iterable[Standing]:
        """The objects that report events, in the order of their identifiers."""
        reporting = [standing for standing in self._objects.standings.values() if standing.alarming is not None]
        return sorted(reporting, key=lambda s: (_ORDER[s.object_id[0]], s.object_id[1]))

    def subscribe(
        self, subscriber: Subscriber, process: int, object_id: ObjectId, *, confirmed: bool, lifetime_s: int
    ) -> None:
        """Take a subscription. Raises NoRoomError."""
        standing = self._objects.standings[object_id]
        self._teller.subscribe(subscriber, process, standing, confirmed=confirmed, lifetime_s=lifetime_s)

    def subscribed(self, object_id: ObjectId) -> None:
        """The first notification of a subscription says how things stand."""
        self._teller.subscribed(self._objects.standings[object_id])

    def unsubscribe(self, subscriber: Subscriber, process: int, object_id: ObjectId) -> None:
        """End a subscription, if there is one."""
        if (standing := self.standing(object_id)) is not None:
            self._teller.unsubscribe(subscriber, process, standing)

    def acknowledge(self, object_id: ObjectId, state: EventState, stamp: datetime | None, source: str) -> None:
        """Acknowledge a transition: its recipients are told, and so is the controller. Raises AckRefusedError."""
        standing = self._objects.standings[object_id]
        assert standing.alarming is not None  # noqa: S101 - the network has looked
        notice = standing.alarming.acknowledge(state, stamp, self._now())
        self._fill_events(standing)
        self._teller.event(standing, notice)
        if standing.signal in BY_NAME:
            self._site.press(standing.signal, Action.ACKNOWLEDGE, f"building: {source}")

    def write(self, object_id: ObjectId, name: str, value: float) -> bool:
        """Take an object out of service, write to one that is, or put it back; False for anything else."""
        written = self._objects.write(object_id, name, value)
        if written:
            self._change([object_id])
        return written

    def command(self, object_id: ObjectId, value: float | None, priority: int) -> bool:
        """Command a test object at a priority, or relinquish; where it changes by that, its alarm comes or goes."""
        standing = self._objects.standings[object_id]
        if standing.commands is None or priority == MINIMUM_ON_OFF:
            return False
        before, at_ns = standing.value, time.monotonic_ns()
        standing.commands[priority - 1] = value
        standing.value = standing.input = standing.commanded
        table, address = object_id
        said = {"table": table, "address": address, "signal": standing.signal, "priority": priority}
        self._site.log("command", place=Place.BUILDING, **said, value=value, present=standing.value, at_ns=at_ns)
        self._change([object_id])
        if standing.value != before:
            action = Action.RAISE if standing.value else Action.CLEAR
            self._site.press(standing.signal, action, f"building: {table} {address}")
        return True

    def answered(self, sender: Recipient, invoke_id: int, outcome: str) -> bool:
        """A peer answered a confirmed notification."""
        return self._teller.answered(sender, invoke_id, outcome)

    # --- what reads find, and who is told -------------------------------------------------------------

    def _change(self, touched: Iterable[ObjectId]) -> None:
        """Objects changed by themselves or by a write."""
        objects = list(touched)
        self._tell(objects, self._settle(objects))

    def _settle(self, touched: Iterable[ObjectId]) -> list[Happened]:
        """Let the event states follow and the views show it; the events that happened."""
        objects = list(touched)
        happened = self._objects.settle(objects)
        for object_id in objects:
            if not self._is_stale(object_id):
                fill(self._views[object_id], self._objects.standings[object_id])
        if self._due is not None:
            self._due.cancel()
            self._due = None
        if (due_ns := self._objects.due_ns) is not None:
            wait_s = max(0, due_ns - time.monotonic_ns()) / 1e9
            self._due = asyncio.get_running_loop().call_later(wait_s, lambda: self._change(self._objects.overdue()))
        return happened

    def _is_stale(self, object_id: ObjectId) -> bool:
        """Whether reads go on finding the old values for now."""
        if self._faults.find(Name.STALE_READS):
            self._dirty.add(object_id)
        return object_id in self._dirty

    def _refresh(self) -> None:
        for object_id in self._dirty:
            fill(self._views[object_id], self._objects.standings[object_id])
            fill_events(self._views[object_id], self._objects.standings[object_id])
        self._dirty.clear()

    def _fill_events(self, standing: Standing) -> None:
        if not self._is_stale(standing.object_id):
            fill_events(self._views[standing.object_id], standing)

    def _tell(self, touched: Iterable[ObjectId], events: Sequence[Happened]) -> None:
        for object_id in touched:
            self._teller.values(self._objects.standings[object_id])
        for standing, event in events:
            assert standing.alarming is not None  # noqa: S101 - it has a machine
            notice = standing.alarming.happened(event, self._now())
            self._fill_events(standing)
            self._log_event(standing, event, notified=notice is not None)
            if notice is not None:
                self._teller.event(standing, notice)

    def _acknowledged_elsewhere(self, signal: str) -> None:
        """Someone acknowledged the alarm at the panel: its object's transitions count as acknowledged too."""
        for standing in self._objects.standings.values():
            if standing.signal == signal and standing.alarming is not None and standing.alarming.waiting:
                notices = standing.alarming.acknowledge_all(self._now())
                self._fill_events(standing)
                for notice in notices:
                    self._teller.event(standing, notice)

    def _log_event(self, standing: Standing, event: Event, *, notified: bool) -> None:
        table, address = standing.object_id
        self._site.log(
            "event",
            place=Place.BUILDING,
            table=table,
            address=address,
            signal=standing.signal,
            from_state=event.from_state.name.lower(),
            to_state=event.to_state.name.lower(),
            value=event.value,
            notified=notified,
            due_ns=event.at_ns,
            at_ns=time.monotonic_ns(),
        )

    def _now(self) -> datetime:
        """The device's clock: UTC, to the hundredth of a second, as a BACnet time stamp has it."""
        now = self.clock.read()
        return now.replace(microsecond=now.microsecond // 10_000 * 10_000)
