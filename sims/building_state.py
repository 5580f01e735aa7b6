"""How the objects of the simulated building device stand: what their inputs do to them, and the events of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from typing import NamedTuple

from sims.building_cov import ObjectId
from sims.building_events import NO_FAULT, Event, EventMachine
from sims.building_levels import read_level
from sims.building_objects import object_of
from sims.building_views import Standing
from sims.levels import Levels
from sims.output import Value
from sims.points import TANKS, Place, Point


class Happened(NamedTuple):
    """An object's event."""

    standing: Standing
    event: Event


class Objects:
    """All objects, and what their inputs have become.

    ``levels``: of the tanks. ``is_still``: whether a defect keeps a block as it is. Out of service, an object keeps its
    value whatever its input does (ASHRAE 135, 12: Present_Value is decoupled from the input).
    """

    def __init__(
        self, standings: dict[ObjectId, Standing], levels: Levels, started_ns: int, is_still: Callable[[Place], bool]
    ) -> None:
        self.standings = standings
        self._levels = levels
        self._started_ns = started_ns
        self._is_still = is_still
        self._shown: dict[Point, int] = {}
        self._conditions: dict[str, set[str]] = {tank: set() for tank in TANKS}

    def start(self, initial: Iterable[Value]) -> None:
        """Let every object stand as its input is, in service or not, and begin to watch for events."""
        for value in initial:
            self.take(value)
        self.wander()
        now_ns = time.monotonic_ns()
        for standing in self.standings.values():
            standing.value = standing.input
            if standing.algorithm is not None:
                standing.machine = EventMachine(standing.algorithm, standing.value, now_ns)

    def is_new(self, value: Value) -> bool:
        """Whether a value of a point is another than the one taken before."""
        return self._shown.get(value.point, 0) != value.value

    def take(self, value: Value) -> ObjectId:
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

    def wander(self) -> list[ObjectId]:
        """Let every level read what it should by now; which ones changed."""
        since_ns = time.monotonic_ns() - self._started_ns
        changed = []
        for number, tank in enumerate(TANKS):
            standing = self.standings["analog-input", number + 1]
            reading = read_level(self._levels, tank, self._conditions[tank], since_ns)
            standing.input = reading.percent
            if standing.out_of_service or self._is_still(Place.BUILDING_LEVELS):
                continue
            if (standing.value, standing.reliability) != reading:
                standing.value, standing.reliability = reading
                changed.append(standing.object_id)
        return changed

    def write(self, object_id: ObjectId, name: str, value: float) -> bool:
        """Take an object out of service, write to one that is, or put it back; False for anything else."""
        standing = self.standings.get(object_id)
        if standing is None or (name != "outOfService" and not standing.out_of_service):
            return False
        if name == "outOfService":
            standing.out_of_service = bool(value)
            if not value:
                standing.value = standing.input
                standing.reliability = NO_FAULT
                self.wander()
        elif name == "reliability":
            standing.reliability = int(value)
        else:
            standing.value = value
        return True

    def settle(self, touched: Iterable[ObjectId]) -> list[Happened]:
        """Let the event states follow; the events that happened."""
        now_ns = time.monotonic_ns()
        return [
            Happened(standing, event)
            for standing in (self.standings[object_id] for object_id in touched)
            if standing.machine is not None
            for event in standing.machine.update(standing.value, standing.reliability, now_ns)
        ]

    @property
    def due_ns(self) -> int | None:
        """When the next delay runs out."""
        return min((due for _, due in self._dues()), default=None)

    def overdue(self) -> list[ObjectId]:
        """The objects whose delay has run out by now."""
        now_ns = time.monotonic_ns()
        return [object_id for object_id, due in self._dues() if due <= now_ns]

    def _dues(self) -> Iterable[tuple[ObjectId, int]]:
        for object_id, standing in self.standings.items():
            if standing.machine is not None and (due_ns := standing.machine.due_ns) is not None:
                yield object_id, due_ns
