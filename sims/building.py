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
from sims.building_cov import ObjectId, Subscriber
from sims.building_events import NO_FAULT, Event, EventMachine, EventState
from sims.building_faults import WRONG_CLASS, Faults
from sims.building_levels import read_level
from sims.building_network import BuildingNetwork
from sims.building_objects import DEVICE_INSTANCE, PROCESS, make_standings, object_of
from sims.building_options import BuildingOptions
from sims.building_outgoing import Recipient
from sims.building_telling import Teller
from sims.building_views import Standing, device_view, fill, fill_events, notification_class_view, view_of
from sims.controller import Action, Situation
from sims.defect_kinds import Name
from sims.levels import Levels
from sims.output import Surroundings, Value
from sims.points import BUILDING, BUILDING_COMMON, BUILDING_LEVELS, BUILDING_STATES, TANKS, Place, Point

LEVELS_EVERY_S: Final = 0.5  # how often a wandering level takes another value
_ORDER: Final = {"analog-input": 0, "binary-input": 3, "binary-value": 5, "multi-state-value": 19}
_ACKNOWLEDGED: Final = (AlarmState.NORM.code, AlarmState.ACKED.code)


class Building:
    """An output of the site, and the keeper of the device's objects."""

    name = "building"

    def __init__(self, options: BuildingOptions) -> None:
        self._options = options
        self._faults = Faults(())
        self.standings: dict[ObjectId, Standing] = {}
        self._views: dict[ObjectId, Any] = {}
        self._dirty: set[ObjectId] = set()
        self._conditions: dict[str, set[str]] = {tank: set() for tank in TANKS}
        self._levels = Levels(0)
        self._shown: dict[Point, int] = {}
        self._networks: list[BuildingNetwork] = []
        self._maybe_teller: Teller | None = None
        self._maybe_site: Surroundings | None = None
        self._due: asyncio.TimerHandle | None = None

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
        self._maybe_site = surroundings
        self._faults = Faults(surroundings.defects)
        self._levels = Levels(surroundings.seed)
        self.standings = make_standings(self._options, self._faults)
        now_ns = time.monotonic_ns()
        for value in surroundings.initial:
            self._take(value)
        self._wander()
        for standing in self.standings.values():
            standing.value = standing.input
            if standing.algorithm is not None:
                standing.machine = EventMachine(standing.algorithm, standing.value, now_ns)
        self._views = {object_id: view_of(standing) for object_id, standing in self.standings.items()}
        self._maybe_teller = Teller(self._options, self._faults, surroundings, self._send_datagram)
        self._networks.append(self._network(list(self._views.values()), self._options.port, self))
        if self._faults.find(Name.DUPLICATE_INSTANCE):
            quiet = make_standings(BuildingOptions(), Faults(()))
            self._networks.append(self._network([view_of(standing) for standing in quiet.values()], 0, None))
        for network in self._networks:
            await network.server.start()
        self._change(())

    def _network(self, views: list[Any], port: int, keeper: Building | None) -> BuildingNetwork:
        options = self._options
        device = device_view(DEVICE_INSTANCE, options.apdu_timeout_s, options.apdu_retries)
        classes = [
            notification_class_view(given, self._teller.recipients, PROCESS, confirmed=options.confirmed)
            for given in (options.notification_class, WRONG_CLASS)
            if given is not WRONG_CLASS or any(self._faults.find(Name.WRONG_CLASS, alarm) for alarm in BY_NAME)
        ]
        return BuildingNetwork(self._site.host, port, device, [*views, *classes], keeper)

    async def run(self) -> None:
        """Let the levels wander, and a cache that is stale at other times be right."""
        stale_s = self._faults.seconds(Name.STALE_READS)
        fresh_s = time.monotonic()
        while True:
            await asyncio.sleep(LEVELS_EVERY_S)
            self._change(self._wander())
            if stale_s is not None and time.monotonic() >= fresh_s + stale_s:
                fresh_s = time.monotonic()
                self._refresh()

    async def stop(self) -> None:
        """Close everything."""
        if self._due is not None:
            self._due.cancel()
        if self._maybe_teller is not None:
            self._maybe_teller.close()
        for network in self._networks:
            await network.server.stop()

    def show(self, values: Sequence[Value]) -> None:
        """Make values visible, and tell of them."""
        changed = [value for value in values if self._shown.get(value.point, 0) != value.value]
        before_ns = time.monotonic_ns()
        touched = dict.fromkeys(self._take(value) for value in changed)
        touched |= dict.fromkeys(self._wander())
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
        return self.standings.get(object_id)

    def reporting(self) -> Iterable[Standing]:
        """The objects that report events, in the order of their identifiers."""
        reporting = [standing for standing in self.standings.values() if standing.alarming is not None]
        return sorted(reporting, key=lambda s: (_ORDER[s.object_id[0]], s.object_id[1]))

    def subscribe(
        self, subscriber: Subscriber, process: int, object_id: ObjectId, *, confirmed: bool, lifetime_s: int
    ) -> None:
        """Take a subscription. Raises NoRoomError."""
        standing = self.standings[object_id]
        self._teller.subscribe(subscriber, process, standing, confirmed=confirmed, lifetime_s=lifetime_s)

    def subscribed(self, object_id: ObjectId) -> None:
        """The first notification of a subscription says how things stand."""
        self._teller.subscribed(self.standings[object_id])

    def unsubscribe(self, subscriber: Subscriber, process: int, object_id: ObjectId) -> None:
        """End a subscription, if there is one."""
        if object_id in self.standings:
            self._teller.unsubscribe(subscriber, process, self.standings[object_id])

    def acknowledge(self, object_id: ObjectId, state: EventState, stamp: datetime | None, source: str) -> None:
        """Acknowledge a transition: its recipients are told, and so is the controller. Raises AckRefusedError."""
        standing = self.standings[object_id]
        assert standing.alarming is not None  # noqa: S101 - the network has looked
        notice = standing.alarming.acknowledge(state, stamp, _now())
        self._fill_events(standing)
        self._teller.event(standing, notice)
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
        return self._teller.answered(sender, invoke_id, outcome)

    # --- how the objects come to stand ----------------------------------------------------------------

    @property
    def _site(self) -> Surroundings:
        assert self._maybe_site is not None  # noqa: S101 - started
        return self._maybe_site

    @property
    def _teller(self) -> Teller:
        assert self._maybe_teller is not None  # noqa: S101 - started
        return self._maybe_teller

    def _send_datagram(self, data: bytes, recipient: Recipient) -> None:
        self._networks[0].server.send(data, recipient)

    def _take(self, value: Value) -> ObjectId:
        """Let an object's input be what a point is to show; the object."""
        point, number = value
        self._shown[point] = number
        standing = self.standings[object_of(point)]
        if point.place is Place.BUILDING_LEVELS:
            tank, _, condition = point.signal.partition(".")
            conditions = self._conditions[tank]
            (conditions.add if number else conditions.discard)(condition)
        else:
            standing.input = number + 1 if point.place is Place.BUILDING_STATES else number
            if not standing.out_of_service:
                standing.value = standing.input
        return standing.object_id

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
            if self._is_stale(object_id):
                continue
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

    # --- what reads find, and who is told -------------------------------------------------------------

    def _is_stale(self, object_id: ObjectId) -> bool:
        """Whether reads go on finding the old values for now."""
        if self._faults.find(Name.STALE_READS):
            self._dirty.add(object_id)
        return object_id in self._dirty

    def _refresh(self) -> None:
        for object_id in self._dirty:
            fill(self._views[object_id], self.standings[object_id])
            fill_events(self._views[object_id], self.standings[object_id])
        self._dirty.clear()

    def _fill_events(self, standing: Standing) -> None:
        if not self._is_stale(standing.object_id):
            fill_events(self._views[standing.object_id], standing)

    def _tell(self, touched: Iterable[ObjectId], events: Sequence[tuple[Standing, Event]]) -> None:
        for object_id in touched:
            self._teller.values(self.standings[object_id])
        for standing, event in events:
            assert standing.alarming is not None  # noqa: S101 - it has a machine
            notice = standing.alarming.happened(event, _now())
            self._fill_events(standing)
            self._log_event(standing, event, notified=notice is not None)
            if notice is not None:
                self._teller.event(standing, notice)

    def _acknowledged_elsewhere(self, signal: str) -> None:
        """Someone acknowledged the alarm at the panel: its object's transitions count as acknowledged too."""
        for standing in self.standings.values():
            if standing.signal == signal and standing.alarming is not None and standing.alarming.waiting:
                notices = standing.alarming.acknowledge_all(_now())
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


def _now() -> datetime:
    """The device's clock: UTC, to the hundredth of a second, as a BACnet time stamp has it."""
    now = datetime.now(UTC)
    return now.replace(microsecond=now.microsecond // 10_000 * 10_000)
