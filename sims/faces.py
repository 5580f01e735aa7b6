"""What the site shows to the outside: two Modbus devices, the printed line, and every output that is plugged in.

Everything that becomes visible goes through here, so this is where the truth log is told of it.
"""

from __future__ import annotations

import struct
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from pymodbus.constants import ExcCodes

from sims.alarms import ALARMS
from sims.clock import SiteClock
from sims.controller import Situation
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.durations import NS_PER_S
from sims.options import SiteOptions
from sims.output import Output, Value
from sims.outputs import Event, Image, OutputQueue, locate
from sims.plant import Plant
from sims.plugged import Plugged
from sims.points import (
    ALARM_POINTS,
    BMS,
    COMMON_ALARM,
    HORN,
    LATCHED,
    OTHER_TABLE,
    PRINTER,
    STATES,
    TANK_ADDRESS,
    TANK_REGISTERS,
    Place,
    Point,
    Register,
    Table,
    Word,
)
from sims.printer import Printer
from sims.shaping import Blocks, Sender, Shaper, swapped_bytes
from sims.truth import TruthLog
from sims.wire_faults import WireFaults

_OWN_DEVICES: Final = ("panel", "bms", "printer")


class Faces:
    """Takes what the controller's outputs should show, and shows it: later, and spoiled as the defects have it.

    ``tell`` is called after everything that became visible.
    """

    def __init__(
        self,
        options: SiteOptions,
        defects: Sequence[Defect],
        truth: TruthLog,
        tell: Callable[[], None],
        outputs: Sequence[Output] = (),
    ) -> None:
        self.panel = _panel_image()
        self.bms = _bms_image()
        for defect in defects:
            if defect.name is Name.OTHER_TABLE and defect.place.device in _OWN_DEVICES:
                self._move_block(defect.place)
        self.printer = Printer(tell)
        self.queue = OutputQueue(self._publish)
        self._truth = truth
        self._tell = tell
        self._shaper = Shaper([defect for defect in defects if defect.place.device in _OWN_DEVICES])
        self._sender = Sender(self.queue, defects)
        self.plugged = {output.name: Plugged(output, defects, self._sender) for output in outputs}
        self._blocks = Blocks(defects, 0)
        self._defects = defects
        self._printer_faults = WireFaults(Place.PRINTER, defects, options.seed, self.log_fault)
        self._again = {
            defect.alarm: (defect.duration_ns or 0, deque[bytes]())
            for defect in defects
            if defect.name is Name.RETRANSMITTED_LINE
        }
        self._tank_orders = {defect.name for defect in defects if defect.place is Place.TANKS}
        self._delays_ns = {"panel": 0, "bms": options.output_delay_ns, "printer": options.printer_delay_ns}
        self.clock = SiteClock(options.clock_offset_ns, options.clock_drift_ppm, options.clock_set)
        self._line_number = 0
        self._publishing = False
        self._meant: dict[Point, int] = {}

    def start(self, signals: Mapping[Point, int], situation: Situation, plant: Plant, started_ns: int) -> list[Event]:
        """Show what is so from the start, before anyone can look; returns what is other than 0."""
        self._blocks = Blocks(self._defects, started_ns)
        self._meant = self._shaper.shape(signals, situation.states)
        self.write_tanks(plant, 0, started_ns - 1)
        initial: list[Event] = []
        for point, value in self._meant.items():
            if value and point.place is not Place.PRINTER and not self._blocks.is_still(point.place, started_ns - 1):
                self._image(point).set(point, value)
                initial.append(Event(started_ns, 0, point, value))
        for plugged in self.plugged.values():
            plugged.start(situation, lambda point: self.is_still(point.place, started_ns - 1))
            initial += [Event(started_ns, 0, point, value) for point, value in plugged.initial]
        return initial

    def show(self, signals: Mapping[Point, int], situation: Situation, now_ns: int) -> None:
        """The controller's outputs are to show this, each after its delay."""
        meant = self._shaper.shape(signals, situation.states)
        for point, value in meant.items():
            if value != self._meant[point]:
                self._sender.send(point, value, now_ns + self._delays_ns[point.place.device])
        self._meant = meant
        for plugged in self.plugged.values():
            plugged.show(situation, now_ns)

    def show_acknowledged(self, alarm_number: int, now_ns: int) -> None:
        """An alarm was acknowledged: the printed line says so."""
        for number in self._shaper.printed_as(alarm_number):
            self._sender.acknowledged(PRINTER[number], now_ns + self._delays_ns["printer"])

    def write_tanks(self, plant: Plant, seconds: int, now_ns: int) -> None:
        """Refresh the tank data: level mm, temperature 0.1 C, litres f32, water mm, seconds u32 low word first."""
        if self._blocks.is_still(Place.TANKS, now_ns):
            return
        for name, address in TANK_ADDRESS.items():
            tank = plant.tanks[name]
            litres: tuple[int, int] = struct.unpack(">HH", struct.pack(">f", tank.level_mm * tank.litres_per_mm))
            counter = (seconds & 0xFFFF, seconds >> 16 & 0xFFFF)
            if Name.WORD_ORDER in self._tank_orders:
                litres, counter = (litres[1], litres[0]), (counter[1], counter[0])
            level, water = round(tank.level_mm) & 0xFFFF, round(tank.water_mm) & 0xFFFF
            values: tuple[int, ...] = (level, round(tank.temperature_c * 10) & 0xFFFF, *litres, water, *counter)
            if Name.BYTE_ORDER in self._tank_orders:
                values = tuple(swapped_bytes(value) for value in values)
            self.bms.set_registers(Table.INPUT_REGISTER, address, values)

    def exception(self, device: str) -> Callable[[Table, int, int], ExcCodes | None]:
        """The check of every read of one device: an exception to answer in place of values, or None."""
        return lambda table, word, count: self._blocks.exception(device, table, word, count)

    def print_heartbeat(self) -> None:
        """Print that the line is alive."""
        self._print("LINE OK", None, None)
        self._tell()

    def log_output(self, point: Point, value: int, before_ns: int, after_ns: int) -> None:
        """Tell the truth log what became visible."""
        if point.place.device in _OWN_DEVICES:
            point = self._image(point).where(point)
        self._truth.add(
            "output",
            place=point.place,
            table=point.table,
            address=int(point.address),
            bit=point.bit,
            signal=point.signal,
            value=value,
            set_before_ns=before_ns,
            set_after_ns=after_ns,
        )

    def shown(self, point: Point, value: int, before_ns: int, after_ns: int) -> None:
        """An output that is plugged in shows a new value."""
        self._log_change(point, value, before_ns, after_ns)
        if not self._publishing:  # else it is told when all is published
            self._tell()

    def is_still(self, place: Place, now_ns: int | None = None) -> bool:
        """Whether a defect keeps a block as it is, now or at another instant."""
        return self._blocks.is_still(place, time.monotonic_ns() if now_ns is None else now_ns)

    def log_fault(self, defect: Defect, detail: str) -> None:
        """Tell the truth log what was done to an answer, a line or a connection."""
        self.fault(defect.place, defect.name, detail)

    def fault(self, place: Place, what: str, detail: str) -> None:
        """Tell the truth log what was done on purpose to an answer, a message or a connection."""
        self._truth.add("fault", place=place, what=what, detail=detail, at_ns=time.monotonic_ns())
        self._tell()

    def _log_change(self, point: Point, value: int, before_ns: int, after_ns: int) -> None:
        self.log_output(point, value, before_ns, after_ns)
        if value and (frozen := self._blocks.showed(point)) is not None:
            self.log_fault(frozen, f"froze with {point.signal}")

    def _image(self, point: Point) -> Image:
        return self.panel if point.place is Place.PANEL else self.bms

    def _move_block(self, place: Place) -> None:
        points = ALARM_POINTS[place]
        table = points[0].table
        self._image(points[0]).move(table, {locate(point)[0] for point in points}, OTHER_TABLE[table])

    def _publish(self, events: list[Event]) -> None:
        before_ns = time.monotonic_ns()
        changed: list[Event] = []
        elsewhere: dict[str, list[Value]] = {}
        for event in events:
            place = event.point.place
            if place is Place.PRINTER or self._blocks.is_still(place, before_ns):
                continue
            if place.device not in _OWN_DEVICES:
                elsewhere.setdefault(place.device, []).append(Value(event.point, event.value))
                continue
            image = self._image(event.point)
            if image.get(event.point) != event.value:
                image.set(event.point, event.value)
                changed.append(event)
        after_ns = time.monotonic_ns()
        for event in changed:
            self._log_change(event.point, event.value, before_ns, after_ns)
        self._publishing = True
        for name, values in elsewhere.items():
            self.plugged[name].output.show(values)
        self._publishing = False
        for event in events:
            if event.point.place is Place.PRINTER:
                self._print_event(event)
        self._tell()

    def _print_event(self, event: Event) -> None:
        alarm = ALARMS[event.point.address]
        if event.value == Word.AGAIN:
            self._hand_over(self._again[alarm.name][1].popleft(), alarm.name, Word.AGAIN)
            return
        word = Word(event.value)
        line = self._print(f"{word.name:<8} {alarm.text}", alarm.name, word)
        if alarm.name in self._again:
            apart_ns, lines = self._again[alarm.name]
            lines.append(line)
            self.queue.put(event.point, Word.AGAIN, time.monotonic_ns() + apart_ns)

    def _print(self, what: str, alarm: str | None, word: Word | None) -> bytes:
        self._line_number = self._line_number % 9999 + 1
        line = f"{self._line_number:04d} {self.clock.read():%d-%m %H:%M:%S} {what}\r\n".encode("ascii")
        self._hand_over(line, alarm, word)
        return line

    def _hand_over(self, line: bytes, alarm: str | None, word: Word | None) -> None:
        fault = self._printer_faults.fate(line)
        halved = fault is not None and fault.name is Name.HALF_FRAMES
        before_ns = time.monotonic_ns()
        self.printer.write(line[: len(line) // 2] if halved else line)
        after_ns = time.monotonic_ns()
        self._truth.add(
            "line",
            text=line.decode("ascii").rstrip(),
            alarm=alarm,
            word=None if word is None else word.name,
            whole=not halved,
            number=int(line[:4]),
            clients=self.printer.clients,
            set_before_ns=before_ns,
            set_after_ns=after_ns,
        )
        if fault is not None and fault.name is Name.RESETS:
            self.printer.reset_connections()


def seconds_since(started_ns: int, now_ns: int) -> int:
    """Whole seconds from the start."""
    return max(0, now_ns - started_ns) // NS_PER_S


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
        image.define(Table.INPUT_REGISTER, address, TANK_REGISTERS)
    return image
