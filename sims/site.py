"""The whole simulated site: plant, controller, and its three ways out, on real sockets in one event loop."""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from types import TracebackType
from typing import Final, Self

from pymodbus.constants import ExcCodes

from sims.alarm_states import Happening
from sims.alarms import ALARMS
from sims.controller import EVERY_ALARM, Action, Change, Controller
from sims.durations import NS_PER_S
from sims.modbus_server import ModbusDevice
from sims.options import SiteOptions
from sims.outputs import Event, Image, OutputQueue
from sims.plant import Plant
from sims.points import BMS, COMMON_ALARM, HORN, LATCHED, STATES, TANK_ADDRESS, Place, Point, Register, Table, Word
from sims.printer import Printer
from sims.truth import TruthLog
from sims.wire import Relay

TRUTH_VERSION: Final = 1
STALL_STEPS_MAX: Final = 5  # scans made up after a stall; a longer stall is skipped, as a controller's watchdog would


class SimulatedSite:
    """``async with SimulatedSite(options) as site:`` starts everything; ports are known inside, all is closed after.

    Raises OSError if a port is taken, ValueError for a defect that makes no sense, NotImplementedError for a
    pseudo-terminal where there are none.
    """

    def __init__(self, options: SiteOptions | None = None) -> None:
        self.options = options or SiteOptions()
        self.plant = Plant()
        self.controller = Controller(self.plant, self.options.lasts_ns)
        self.panel_image = _panel_image()
        self.bms_image = _bms_image()
        self.printer = Printer()
        self.truth = TruthLog(self.options.truth, keep=self.options.keep_truth)
        self.panel_port = 0
        self.bms_port = 0
        self._shown: dict[Point, int] = self.controller.signals()
        self._printed: dict[int, bool] = {}
        self._line_number = 0
        self._queue = OutputQueue(self._publish)
        self._started_ns = 0
        self._tasks: list[asyncio.Task[None]] = []
        self._closers: list[ModbusDevice | Relay | Printer] = []
        self._waiters: list[tuple[Callable[[], bool], asyncio.Future[None]]] = []

    @property
    def printer_port(self) -> int:
        """The TCP port of the printed line."""
        return self.printer.port

    @property
    def pty_path(self) -> str | None:
        """The pseudo-terminal of the printed line, if there is one."""
        return self.printer.pty_path

    def ready(self) -> dict[str, object]:
        """Where everything is: what ``python -m sims`` prints once it listens."""
        return {
            "ready": True,
            "host": self.options.host,
            "panel_port": self.panel_port,
            "bms_port": self.bms_port,
            "printer_port": self.printer_port,
            "printer_pty": self.pty_path,
            "seed": self.options.seed,
        }

    def command(self, alarm: str | None, action: Action) -> None:
        """Do what a write to the test block does; no ``alarm`` means every alarm. Raises ValueError if refused."""
        number = EVERY_ALARM if alarm is None else 1 + next(a.number for a in ALARMS if a.name == alarm)
        if not self._accept(number, int(action)):
            raise ValueError(f"alarm={alarm!r} action={action!r}: refused by the controller")

    async def until(self, what: Callable[[], bool]) -> None:
        """Wait until something is so; looked at after every change of an output and every printed line."""
        if what():
            return
        waiter = (what, asyncio.get_running_loop().create_future())
        self._waiters.append(waiter)
        try:
            await waiter[1]
        finally:
            self._waiters.remove(waiter)

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

    async def wait(self) -> None:
        """Run until cancelled. Raises whatever stopped the site, should anything."""
        await asyncio.gather(*self._tasks)

    async def _start(self) -> None:
        options = self.options
        self.panel_port = await self._start_device(self.panel_image, options.panel_port, self._panel_write)
        self.bms_port = await self._start_device(self.bms_image, options.bms_port, None)
        self._closers.append(self.printer)
        await self.printer.start(options.host, options.printer_port, pty=options.printer_pty)
        self._started_ns = time.monotonic_ns()
        self._log_header()
        self._write_tanks(0)
        for work in (self._scan_forever, self._queue.run, self._heartbeat):
            task = asyncio.create_task(work(), name=f"sims {work.__name__}")
            task.add_done_callback(self._over)
            self._tasks.append(task)

    async def _start_device(
        self, image: Image, port: int, on_write: Callable[[int, int, list[int]], ExcCodes | None] | None
    ) -> int:
        device = ModbusDevice(image) if on_write is None else ModbusDevice(image, on_write)
        self._closers.append(device)
        relay = Relay(await device.start())
        self._closers.append(relay)
        return await relay.start(self.options.host, port)

    async def _stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        ended = await asyncio.gather(*self._tasks, return_exceptions=True)
        for closer in reversed(self._closers):
            await closer.stop()
        if self._started_ns:
            self.truth.add("end", at_ns=time.monotonic_ns())
        self.truth.close()
        for failure in ended:
            if isinstance(failure, Exception):
                raise failure

    # --- the controller's scan ------------------------------------------------------------------------

    async def _scan_forever(self) -> None:
        due_ns = time.monotonic_ns()
        while True:
            self._scan()
            due_ns += self.options.scan_ns
            now_ns = time.monotonic_ns()
            if now_ns - due_ns > STALL_STEPS_MAX * self.options.scan_ns:
                due_ns = now_ns
            await asyncio.sleep(max(0, due_ns - now_ns) / NS_PER_S)

    def _scan(self) -> None:
        now_ns = time.monotonic_ns()
        effects = self.controller.effects
        self.plant.advance(max(0, now_ns - self._started_ns - self.plant.now_ns), effects)
        changes = self.controller.scan(now_ns)
        self._write_tanks(now_ns)
        if not changes and not self.controller.silenced:
            return
        self._log_changes(changes, now_ns)
        for effect in sorted(self.controller.effects ^ effects):
            self.truth.add("effect", effect=effect, in_force=effect in self.controller.effects, at_ns=now_ns)
        signals = self.controller.signals()
        for point, value in signals.items():
            if value != self._shown[point]:
                self._queue.put(point, value, now_ns + self._delay_ns(point))
        self._shown = signals
        for change in changes:
            if change.why is Happening.ACKNOWLEDGE and not change.alarm.local:
                point = Point(Place.PRINTER, Table.LINE, change.alarm.number, None, change.alarm.name)
                self._queue.put(point, Word.ACKED, now_ns + self._delay_ns(point))
        self._queue.publish_due()

    def _delay_ns(self, point: Point) -> int:
        delays = {"panel": 0, "bms": self.options.output_delay_ns, "printer": self.options.printer_delay_ns}
        return delays[point.place.device]

    def _write_tanks(self, now_ns: int) -> None:
        seconds = max(0, now_ns - self._started_ns) // NS_PER_S
        for name, address in TANK_ADDRESS.items():
            tank = self.plant.tanks[name]
            litres = struct.unpack(">HH", struct.pack(">f", tank.level_mm * tank.litres_per_mm))
            values = (
                round(tank.level_mm),
                round(tank.temperature_c * 10) & 0xFFFF,
                *litres,
                round(tank.water_mm),
                seconds & 0xFFFF,
                seconds >> 16 & 0xFFFF,
            )
            self.bms_image.set_registers(Table.INPUT_REGISTER, address, values)

    # --- outputs --------------------------------------------------------------------------------------

    def _publish(self, events: list[Event]) -> None:
        before_ns = time.monotonic_ns()
        changed: list[Event] = []
        for event in events:
            if event.point.place is Place.PRINTER:
                self._print_event(event)
                continue
            image = self.panel_image if event.point.place is Place.PANEL else self.bms_image
            if image.get(event.point) != event.value:
                image.set(event.point, event.value)
                changed.append(event)
        after_ns = time.monotonic_ns()
        for event in changed:
            self._log_output(event.point, event.value, before_ns, after_ns)
        self._tell()

    def _print_event(self, event: Event) -> None:
        number = event.point.address
        if event.value != Word.ACKED:
            if self._printed.get(number, False) == bool(event.value):
                return
            self._printed[number] = bool(event.value)
        alarm = ALARMS[number]
        self._print_line(f"{Word(event.value).name:<8} {alarm.text}", alarm.name, Word(event.value).name)

    def _print_line(self, what: str, alarm: str | None = None, word: str | None = None) -> None:
        self._line_number = self._line_number % 9999 + 1
        clock = datetime.now(UTC) + timedelta(microseconds=self.options.clock_offset_ns / 1000)
        text = f"{self._line_number:04d} {clock:%d-%m %H:%M:%S} {what}"
        before_ns = time.monotonic_ns()
        self.printer.write(text.encode("ascii") + b"\r\n")
        after_ns = time.monotonic_ns()
        self.truth.add(
            "line",
            text=text,
            alarm=alarm,
            word=word,
            number=self._line_number,
            clients=self.printer.clients,
            set_before_ns=before_ns,
            set_after_ns=after_ns,
        )

    async def _heartbeat(self) -> None:
        while True:
            await asyncio.sleep(self.options.heartbeat_ns / NS_PER_S)
            self._print_line("LINE OK")
            self._tell()

    def _tell(self) -> None:
        """Let readers of the truth file, and whoever waits for something, see what happened."""
        self.truth.flush()
        for what, waiter in self._waiters:
            if not waiter.done() and what():
                waiter.set_result(None)

    def _over(self, task: asyncio.Task[None]) -> None:
        """Whoever waits must not wait for ever when the site itself has failed."""
        for _, waiter in self._waiters:
            if not waiter.done():
                waiter.set_exception(RuntimeError(f"the simulated site stopped: {task!r}"))

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
        count = self.controller.accepted & 0xFFFF
        self.panel_image.set_registers(
            Table.HOLDING_REGISTER, Register.TEST_ALARM, (alarm_number, action, alarm_number, action, count)
        )
        name = None if alarm_number == EVERY_ALARM else ALARMS[alarm_number - 1].name
        self.truth.add("stimulus", alarm=name, action=command.action.name.lower(), count=count, at_ns=at_ns)
        return True

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
            started_ns=self._started_ns,
            utc_started=datetime.now(UTC).isoformat(),
            defects=[],
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
        self.truth.flush()

    def _log_changes(self, changes: Iterable[Change], now_ns: int) -> None:
        for change in changes:
            self.truth.add(
                "alarm",
                alarm=change.alarm.name,
                state=change.after,
                active=change.after.active,
                why=change.why,
                at_ns=now_ns,
            )

    def _log_output(self, point: Point, value: int, before_ns: int, after_ns: int) -> None:
        self.truth.add(
            "output",
            place=point.place,
            table=point.table,
            address=point.address,
            bit=point.bit,
            signal=point.signal,
            value=value,
            set_before_ns=before_ns,
            set_after_ns=after_ns,
        )


def _panel_image() -> Image:
    image = Image()
    image.define(Table.DISCRETE_INPUT, 0, len(ALARMS))
    image.define(Table.HOLDING_REGISTER, Register.TEST_ALARM, 5)
    return image


def _bms_image() -> Image:
    image = Image()
    for point in (*BMS, COMMON_ALARM, HORN, *LATCHED, *STATES):
        image.define(point.table, point.address, 1)
    for address in TANK_ADDRESS.values():
        image.define(Table.INPUT_REGISTER, address, 7)
    return image
