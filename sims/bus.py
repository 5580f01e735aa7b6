"""The RS-485 bus: Modbus RTU units on one paced line, reached over TCP (raw RTU frames) and a pseudo-terminal.

Whoever is connected is one more place on the same two wires: it hears everything that it did not send itself. A *tap*
only hears; what is sent into it is thrown away and told to the truth log.
"""

from __future__ import annotations

import asyncio
import dataclasses
import functools
import socket
import time
from collections.abc import Mapping, Sequence
from typing import Final

from sims.bus_ends import Ends
from sims.bus_wire import Answered, BusWire
from sims.controller import Situation
from sims.defects import Defect
from sims.loops import AnalogModule
from sims.options import SiteOptions
from sims.output import Surroundings, Value
from sims.outputs import Image
from sims.points import LOOP_UNIT, LOOPS, REPEATED, REPEATERS, Place, Point, Table
from sims.pty import Pty
from sims.units import Unit, at_addresses, reading

_ALARMS: Final = (*LOOPS, *(point for points in REPEATED.values() for point in points))


class Bus:
    """The output ``bus``: repeaters at units 1, 3, 4, 5, and an analog module at unit 2."""

    name: Final = "bus"

    def __init__(self, options: SiteOptions) -> None:
        self._options = options
        self.delay_ns = options.bus_delay_ns
        self._images = {place: Image() for place in REPEATERS.values()}
        for image in self._images.values():
            image.define(Table.DISCRETE_INPUT, 0, 24)
        self._module: AnalogModule | None = None
        self._surroundings: Surroundings | None = None
        self._wire: BusWire | None = None
        self._ends: Ends | None = None
        self._port: int | None = None
        self._tap_port: int | None = None
        self._pty_path: str | None = None
        self._tap_pty_path: str | None = None

    @property
    def tapped_bytes(self) -> int:
        """How many bytes were sent into taps, where nobody may send."""
        return 0 if self._ends is None else self._ends.thrown_away

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """Every repeater and every loop follows its alarms."""
        return {point: int(situation.states[point.signal].active) for point in _ALARMS}

    async def start(self, surroundings: Surroundings) -> None:
        """Listen, and set the line in motion in a thread of its own: the event loop is too coarse to pace bytes."""
        self._surroundings = surroundings
        options, defects = self._options, surroundings.defects
        self._module = AnalogModule(options.seed, options.loop_failure_ma, defects)
        for point, value in surroundings.initial:
            if point.place is not Place.BUS_LOOP:
                self._images[point.place].set(point, value)
        for point, value in self._module.start(surroundings):
            surroundings.shown(point, value, surroundings.started_ns, surroundings.started_ns)
        loop = asyncio.get_running_loop()

        def log(defect: Defect, detail: str) -> None:
            loop.call_soon_threadsafe(surroundings.fault, defect.place, defect.name, detail)

        def answered(answer: Answered) -> None:
            loop.call_soon_threadsafe(functools.partial(surroundings.log, "answer", **dataclasses.asdict(answer)))

        def threw_away(data: bytes) -> None:
            loop.call_soon_threadsafe(surroundings.fault, Place.BUS_ALL, "sent-into-tap", data.hex(" "))

        reads = {number: reading(self._images[place]) for number, place in REPEATERS.items()}
        reads[LOOP_UNIT] = self._module.read
        units = {number: Unit(number, read, defects, surroundings.seed, log) for number, read in reads.items()}
        self._ends = ends = Ends(threw_away)
        self._listen(ends)
        self._wire = BusWire(
            loop,
            ends,
            {address: units[number] for address, number in at_addresses(defects).items()},
            baud=options.bus_baud,
            turnaround_ns=options.bus_turnaround_ns,
            round_ns=options.bus_round_ns if options.bus_master else None,
            answered=answered if options.log_answers else None,
        )
        if not options.bus_in_loop:
            self._wire.start()

    def _listen(self, ends: Ends) -> None:
        options, host = self._options, self._options.host
        if options.bus_port is not None:
            self._port = ends.listen(_listening(host, options.bus_port), receive_only=False)
        if options.bus_tap_port is not None:
            self._tap_port = ends.listen(_listening(host, options.bus_tap_port), receive_only=True)
        if options.bus_pty:
            self._pty_path = ends.add_pty(Pty("bus_pty"), receive_only=False)
        if options.bus_tap_pty:
            self._tap_pty_path = ends.add_pty(Pty("bus_tap_pty"), receive_only=True)

    async def run(self) -> None:
        """Until cancelled, or the thread of the line fails."""
        assert self._wire is not None  # noqa: S101 - started
        if self._options.bus_in_loop:
            await self._wire.run()
        else:
            await self._wire.failed

    async def stop(self) -> None:
        """Stop the line, and close everything."""
        if self._wire is not None:
            await asyncio.to_thread(self._wire.stop)
            late = self._wire.lateness
            if self._surroundings is not None:
                self._surroundings.log(
                    "paced", place="bus", characters=late.characters, late_mean_ns=late.mean_ns, late_max_ns=late.max_ns
                )
            self._wire = None
        if self._ends is not None:
            self._ends.close()

    def show(self, values: Sequence[Value]) -> None:
        """Change the images; a request that ends later is answered from them."""
        assert self._surroundings is not None  # noqa: S101 - started
        assert self._module is not None  # noqa: S101 - started
        before_ns = time.monotonic_ns()
        changed = self._module.show([value for value in values if value.point.place is Place.BUS_LOOP])
        for point, value in values:
            if point.place is not Place.BUS_LOOP and self._images[point.place].get(point) != value:
                self._images[point.place].set(point, value)
                changed.append(Value(point, value))
        after_ns = time.monotonic_ns()
        for point, value in changed:
            self._surroundings.shown(point, value, before_ns, after_ns)

    def ready(self) -> Mapping[str, object]:
        """Where the bus is."""
        return {
            "bus_port": self._port,
            "bus_pty": self._pty_path,
            "bus_tap_port": self._tap_port,
            "bus_tap_pty": self._tap_pty_path,
            "bus_baud": self._options.bus_baud,
        }


def _listening(host: str, port: int) -> socket.socket:
    return socket.create_server((host, port), backlog=8)
