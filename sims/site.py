"""The whole simulated site: plant, controller, and all its ways out, on real sockets in one event loop."""

from __future__ import annotations

import asyncio
import dataclasses
import functools
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Final, Self

from pymodbus.constants import ExcCodes

from sims.alarm_states import Happening
from sims.alarms import ALARMS, BY_NAME
from sims.annunciator import Annunciator
from sims.controller import EVERY_ALARM, Action, Change, Controller
from sims.defects import resolve
from sims.durations import NS_PER_S
from sims.faces import Faces, seconds_since
from sims.gateway import Gateway
from sims.modbus_server import ModbusDevice, WriteHandler, refuse_writes
from sims.options import SiteOptions
from sims.output import Output, Surroundings
from sims.outputs import Image
from sims.plant import Plant
from sims.plugged import Plugged
from sims.points import Place, Point, Register, Table
from sims.printer import Printer
from sims.truth import TruthLog
from sims.wire import Relay
from sims.wire_faults import WireFaults

TRUTH_VERSION: Final = 1
STALL_SCANS_MAX: Final = 5  # scans made up after a stall; a longer stall is skipped, as a controller's watchdog would


class SimulatedSite:
    """``async with SimulatedSite(options) as site:`` starts everything; ports are known inside, all is closed after.

    Raises ValueError for a defect that makes no sense, OSError if a port is taken, NotImplementedError for a
    pseudo-terminal where there are none.
    """

    def __init__(self, options: SiteOptions | None = None) -> None:
        self.options = options or SiteOptions()
        self.outputs = _outputs(self.options)
        devices = {"panel", "bms", "printer", *(output.name for output in self.outputs)}
        places = [place for place in Place if place.device in devices]
        self.defects = resolve(self.options.defects, self.options.seed, places)
        self.plant = Plant()
        self.controller = Controller(self.plant, self.options.lasts_ns)
        self.truth = TruthLog(self.options.truth, keep=self.options.keep_truth, header_first=True)
        self.panel_port = 0
        self.bms_port = 0
        self._faces = Faces(self.options, self.defects, self.truth, self._tell, self.outputs)
        self._started_ns = 0
        self._tasks: list[asyncio.Task[None]] = []
        self._closers: list[ModbusDevice | Relay | Printer | Output] = []
        self._written = 0
        self._waiters: list[tuple[Callable[[], bool], asyncio.Future[None]]] = []

    @property
    def printer_port(self) -> int:
        """The TCP port of the printed line."""
        return self._faces.printer.port

    @property
    def pty_path(self) -> str | None:
        """The pseudo-terminal of the printed line, if there is one."""
        return self._faces.printer.pty_path

    @property
    def bus_port(self) -> int:
        """The TCP port of the bus, for RTU frames as they are."""
        return self._port("bus_port")

    @property
    def bus_tap_port(self) -> int:
        """The TCP port on which everything on the bus is heard, and nothing can be sent."""
        return self._port("bus_tap_port")

    @property
    def bus_pty_path(self) -> str:
        """The pseudo-terminal of the bus."""
        return self._path("bus_pty")

    @property
    def bus_tap_pty_path(self) -> str:
        """The pseudo-terminal on which everything on the bus is heard."""
        return self._path("bus_tap_pty")

    @property
    def gateway_port(self) -> int:
        """The Modbus TCP port of the gateway."""
        return self._port("gateway_port")

    @property
    def annunciator_port(self) -> int:
        """The TCP port of the annunciator."""
        return self._port("annunciator_port")

    @property
    def building_port(self) -> int:
        """The UDP port of the BACnet/IP device."""
        port = self.ready().get("building_port")
        if not isinstance(port, int):
            raise ValueError("building_port: this site has none; give building=BuildingOptions()")  # noqa: TRY004
        return port

    def _port(self, name: str) -> int:
        port = self.ready().get(name)
        if not isinstance(port, int):
            raise ValueError(f"{name}: this site has none; give {name}=0 in its options")  # noqa: TRY004
        return port

    def _path(self, name: str) -> str:
        path = self.ready().get(name)
        if not isinstance(path, str):
            raise ValueError(f"{name}: this site has none; give {name}=True in its options")  # noqa: TRY004
        return path

    @property
    def printer_clients(self) -> int:
        """How many clients listen to the printed line over TCP."""
        return self._faces.printer.clients

    def ready(self) -> dict[str, object]:
        """Where everything is: what ``python -m sims`` prints once it listens."""
        return {
            "ready": True,
            "host": self.options.host,
            "panel_port": self.panel_port,
            "bms_port": self.bms_port,
            "printer_port": self.printer_port,
            "printer_pty": self.pty_path,
            **{key: value for output in self.outputs for key, value in output.ready().items()},
            "seed": self.options.seed,
            "defects": [defect.spec for defect in self.defects],
        }

    def command(self, alarm: str | None, action: Action) -> None:
        """Do what a write to the test block does; no ``alarm`` means every alarm. Raises ValueError if refused."""
        number = EVERY_ALARM if alarm is None else 1 + BY_NAME[alarm].number
        if not self._accept(number, int(action)):
            raise ValueError(f"alarm={alarm!r} action={action!r}: refused by the controller")

    async def until(self, what: Callable[[], bool]) -> None:
        """Wait until something is so.

        It is looked at whenever an output changed, a line was printed, a fault was done to an answer, or a client of
        the printed line came or went.
        """
        if what():
            return
        waiter = (what, asyncio.get_running_loop().create_future())
        self._waiters.append(waiter)
        try:
            await waiter[1]
        finally:
            self._waiters.remove(waiter)

    async def wait(self) -> None:
        """Run until cancelled. Raises whatever stopped the site, should anything."""
        await asyncio.gather(*self._tasks)

    async def __aenter__(self) -> Self:
        try:
            await self._start()
        except BaseException:
            await self._stop()
            raise
        return self

    async def __aexit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        await self._stop()

    async def _start(self) -> None:
        options, faces = self.options, self._faces
        self._started_ns = time.monotonic_ns()
        controller = self.controller
        initial = faces.start(controller.signals(), controller.situation(), self.plant, self._started_ns)
        self.panel_port = await self._start_device(Place.PANEL, faces.panel, options.panel_port, self._panel_write)
        self.bms_port = await self._start_device(Place.BMS, faces.bms, options.bms_port, refuse_writes)
        self._closers.append(faces.printer)
        await faces.printer.start(options.host, options.printer_port, pty=options.printer_pty)
        for plugged in faces.plugged.values():
            self._closers.append(plugged.output)
            await plugged.output.start(self._surroundings(plugged))
        self._log_header()
        for event in initial:
            faces.log_output(event.point, event.value, self._started_ns, self._started_ns)
        self.truth.flush()
        for work in (self._scan_forever, faces.queue.run, self._heartbeat):
            task = asyncio.create_task(work(), name=f"sims {work.__name__}")
            task.add_done_callback(self._over)
            self._tasks.append(task)
        for output in self.outputs:
            task = asyncio.create_task(output.run(), name=f"sims {output.name}")
            task.add_done_callback(self._output_over)
            self._tasks.append(task)

    def _surroundings(self, plugged: Plugged) -> Surroundings:
        faces = self._faces
        return Surroundings(
            host=self.options.host,
            seed=self.options.seed,
            started_ns=self._started_ns,
            defects=plugged.defects,
            initial=plugged.initial,
            shown=faces.shown,
            offer=functools.partial(self._offer, plugged),
            is_still=faces.is_still,
            fault=faces.fault,
            press=self._press,
            log=self._log_entry,
            changed=self._tell,
        )

    async def _start_device(self, place: Place, image: Image, port: int, on_write: WriteHandler) -> int:
        device = ModbusDevice(image, on_write, self._faces.exception(place.device))
        self._closers.append(device)
        device_port = await device.start()
        faults = WireFaults(place, self.defects, self.options.seed, self._faces.log_fault)
        relay = Relay(device_port, faults.deliver)
        self._closers.append(relay)
        for output in self.outputs:
            if place is Place.BMS and isinstance(output, Gateway):
                output.source_port = await self._relay_for_gateway(device_port)
        return await relay.start(self.options.host, port)

    async def _relay_for_gateway(self, device_port: int) -> int:
        """A way of its own, just as faulty: or the gateway's polls would decide which answers to others are lost."""
        faults = WireFaults(
            Place.BMS,
            self.defects,
            f"{self.options.seed}/gateway",
            lambda defect, detail: self._faces.log_fault(defect, f"to the gateway: {detail}"),
        )
        relay = Relay(device_port, faults.deliver)
        self._closers.append(relay)
        return await relay.start("127.0.0.1", 0)

    async def _stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        ended = await asyncio.gather(*self._tasks, return_exceptions=True)
        for closer in reversed(self._closers):
            await closer.stop()
        self.truth.add("end", at_ns=time.monotonic_ns())
        self.truth.close()
        for failure in ended:
            if isinstance(failure, Exception):
                raise failure

    def _tell(self) -> None:
        """Let readers of the truth file, and whoever waits for something, see what happened."""
        self.truth.flush()
        for what, waiter in self._waiters:
            if not waiter.done() and what():
                waiter.set_result(None)

    def _over(self, task: asyncio.Task[None]) -> None:
        """Whoever waits must not wait for ever when the site itself has ended."""
        for _, waiter in self._waiters:
            if not waiter.done():
                waiter.set_exception(RuntimeError(f"the simulated site has stopped: {task!r}"))

    def _offer(self, plugged: Plugged, meant: Mapping[Point, int]) -> None:
        plugged.offer(meant)
        self._faces.queue.publish_due()

    def _output_over(self, task: asyncio.Task[None]) -> None:
        """An output may have nothing to do; one that failed stops the site."""
        if not task.cancelled() and task.exception() is not None:
            self._over(task)

    # --- the controller at work -----------------------------------------------------------------------

    async def _scan_forever(self) -> None:
        due_ns = time.monotonic_ns()
        while True:
            self._scan()
            due_ns += self.options.scan_ns
            now_ns = time.monotonic_ns()
            if now_ns - due_ns > STALL_SCANS_MAX * self.options.scan_ns:
                due_ns = now_ns
            await asyncio.sleep(max(0, due_ns - now_ns) / NS_PER_S)

    def _scan(self) -> None:
        now_ns = time.monotonic_ns()
        controller, faces = self.controller, self._faces
        effects = controller.effects
        self.plant.advance(max(0, now_ns - self._started_ns - self.plant.now_ns), effects)
        changes = controller.scan(now_ns)
        faces.write_tanks(self.plant, seconds_since(self._started_ns, now_ns), now_ns)
        if not changes and not controller.silenced:
            return
        self._log_changes(changes, now_ns)
        for effect in sorted(controller.effects ^ effects):
            self.truth.add("effect", effect=effect, in_force=effect in controller.effects, at_ns=now_ns)
        faces.show(controller.signals(), controller.situation(), now_ns)
        for change in changes:
            if change.why is Happening.ACKNOWLEDGE and not change.alarm.local:
                faces.show_acknowledged(change.alarm.number, now_ns)
        faces.queue.publish_due()

    async def _heartbeat(self) -> None:
        while True:
            await asyncio.sleep(self.options.heartbeat_ns / NS_PER_S)
            self._faces.print_heartbeat()

    # --- the test block of the panel ------------------------------------------------------------------

    def _panel_write(self, function: int, address: int, values: list[int]) -> ExcCodes | None:
        if function != 16 or address != Register.TEST_ALARM or len(values) != 2:
            return ExcCodes.ILLEGAL_ADDRESS
        return None if self._accept(*values) else ExcCodes.ILLEGAL_VALUE

    def _accept(self, alarm_number: int, action: int) -> bool:
        command = self.controller.accept(alarm_number, action)
        if command is None:
            return False
        at_ns = time.monotonic_ns()
        self._written += 1
        count = self._written & 0xFFFF
        values = (alarm_number, action, alarm_number, action, count)
        self._faces.panel.set_registers(Table.HOLDING_REGISTER, Register.TEST_ALARM, values)
        self._log_stimulus(alarm_number, command.action, "test block", count, at_ns)
        return True

    def _press(self, alarm: str | None, action: Action, by: str) -> bool:
        """A button somewhere else: the controller obeys, and the test block knows nothing of it."""
        number = EVERY_ALARM if alarm is None else 1 + BY_NAME[alarm].number
        if self.controller.accept(number, int(action)) is None:
            return False
        self._log_stimulus(number, action, by, None, time.monotonic_ns())
        self._tell()
        return True

    def _log_stimulus(self, number: int, action: Action, by: str, count: int | None, at_ns: int) -> None:
        name = None if number == EVERY_ALARM else ALARMS[number - 1].name
        self.truth.add("stimulus", alarm=name, action=action.name.lower(), by=by, count=count, at_ns=at_ns)

    # --- the truth log --------------------------------------------------------------------------------

    def _log_header(self) -> None:
        options = self.options
        self.truth.add(
            "header",
            version=TRUTH_VERSION,
            seed=options.seed,
            scan_ns=options.scan_ns,
            output_delay_ns=options.output_delay_ns,
            printer_delay_ns=options.printer_delay_ns,
            bus_delay_ns=options.bus_delay_ns,
            bus_baud=options.bus_baud,
            gateway_poll_ns=options.gateway_poll_ns,
            annunciator_delay_ns=options.annunciator_delay_ns,
            started_ns=self._started_ns,
            utc_started=datetime.now(UTC).isoformat(),
            defects=[
                {**dataclasses.asdict(defect), "spec": defect.spec, "sentence": defect.sentence}
                for defect in self.defects
            ],
            alarms=[
                {
                    "name": alarm.name,
                    "class": alarm.alarm_class,
                    "number": alarm.number,
                    "also_raises": list(alarm.also_raises),
                    "effect": alarm.effect,
                    "lasts_ns": options.lasts_ns.get(alarm.name, alarm.lasts_ns),
                }
                for alarm in ALARMS
            ],
            ports=self.ready(),
        )

    def _log_entry(self, kind: str, **entry: Any) -> None:
        self.truth.add(kind, **entry)
        self._tell()

    def _log_changes(self, changes: Iterable[Change], now_ns: int) -> None:
        for change in changes:
            state = change.after
            self.truth.add(
                "alarm", alarm=change.alarm.name, state=state, active=state.active, why=change.why, at_ns=now_ns
            )


def _outputs(options: SiteOptions) -> tuple[Output, ...]:
    """The outputs that are plugged in, as the options ask for them. What an output needs is imported only with it."""
    outputs: list[Output] = []
    if options.bus_port is not None or options.bus_pty:
        from sims.bus import Bus

        outputs.append(Bus(options))
    if options.gateway_port is not None:
        outputs.append(Gateway(options))
    if options.annunciator_port is not None:
        outputs.append(Annunciator(options))
    if options.mqtt_host is not None:
        from sims.mqtt_publisher import MqttPublisher

        outputs.append(MqttPublisher(options.mqtt_host, options.mqtt_port, options.mqtt_delay_ns, options.heartbeat_ns))
    if options.building is not None:
        from sims.building import Building

        outputs.append(Building(options.building))
    return tuple(outputs)
