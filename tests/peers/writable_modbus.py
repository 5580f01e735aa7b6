"""A Modbus TCP device, served by pymodbus, on which coils and registers can be written: it holds them, or does not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from pymodbus.constants import ExcCodes

from sims.modbus_server import ModbusDevice
from sims.outputs import Image
from sims.points import Table

SIZE = 64
"""Coils and registers from address 0; beyond them exception 02."""


@dataclass(slots=True)
class Writable:
    """The device's image, and every write that came: function, address, values."""

    image: Image
    port: int = 0
    writes: list[tuple[int, int, list[int]]] = field(default_factory=list)
    refuse: ExcCodes | None = None
    keeps: Callable[[int, int, list[int]], None] | None = None
    """What it does in place of keeping what was written."""

    def keep(self, function: int, address: int, values: list[int]) -> None:
        """Hold what was written."""
        if function in (5, 15):
            for at, value in enumerate(values, address):
                words = self.image.words[Table.COIL]
                words[at // 16] = words[at // 16] & ~(1 << at % 16) | bool(value) << at % 16
        else:
            self.image.set_registers(Table.HOLDING_REGISTER, address, values)

    def keep_later(self, after_s: float) -> Callable[[int, int, list[int]], None]:
        """Hold what was written only after a time, as a device that scans does."""

        def later(function: int, address: int, values: list[int]) -> None:
            asyncio.get_running_loop().call_later(after_s, self.keep, function, address, values)

        return later

    def take(self, function: int, address: int, values: list[int]) -> ExcCodes | None:
        """Called for each write."""
        self.writes.append((function, address, values))
        if self.refuse is None:
            (self.keeps or self.keep)(function, address, values)
        return self.refuse


@asynccontextmanager
async def writable_device() -> AsyncIterator[Writable]:
    """Serve on a free port of 127.0.0.1."""
    image = Image()
    for table in (Table.COIL, Table.HOLDING_REGISTER):
        image.define(table, 0, SIZE)
    made = Writable(image)
    device = ModbusDevice(image, made.take)
    made.port = await device.start()
    try:
        yield made
    finally:
        await device.stop()
