"""The gateway: a second hop. It polls the building system as any client does, and serves what it saw as its own.

Between two polls it knows nothing: a change is seen with the next one, and what comes and goes in between never is.
When its source does not answer it answers exception 11 itself (gateway target device failed to respond: Application
Protocol V1.1b3, 7) until the source is back.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Mapping, Sequence
from typing import Final

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import ModbusException

from sims.controller import Situation
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.durations import NS_PER_S
from sims.modbus_server import ModbusDevice
from sims.options import SiteOptions
from sims.output import Surroundings, Value
from sims.outputs import Image
from sims.points import GATEWAY, GATEWAY_COMMON, Place, Point, Register, Table
from sims.shaping import Blocks
from sims.wire import Relay
from sims.wire_faults import WireFaults

SOURCE_ANSWERS_WITHIN_S: Final = 1.0  # on loopback; later is taken for no answer, and the next poll tries again


class Gateway:
    """The output ``gateway``: discrete inputs 0 to 23 and 100, as the building system showed them at the last poll."""

    name: Final = "gateway"
    delay_ns: Final = 0

    def __init__(self, options: SiteOptions) -> None:
        self._options = options
        self.source_port = 0
        self._image = Image()
        self._image.define(Table.DISCRETE_INPUT, 0, len(GATEWAY))
        self._image.define(Table.DISCRETE_INPUT, Register.COMMON_ALARM, 1)
        self._surroundings: Surroundings | None = None
        self._defects: dict[Name, Defect] = {}
        self._blocks = Blocks((), 0)
        self._closers: list[ModbusDevice | Relay] = []
        self._port: int | None = None
        self._source_lost = True  # until the first poll is answered

    def meant(self, situation: Situation) -> Mapping[Point, int]:  # noqa: ARG002
        """Nothing from the controller: it finds out by polling."""
        return {}

    async def start(self, surroundings: Surroundings) -> None:
        """Listen. ``source_port`` is to be set before."""
        self._surroundings = surroundings
        self._defects = {defect.name: defect for defect in surroundings.defects}
        self._blocks = Blocks(surroundings.defects, surroundings.started_ns)
        if Name.OTHER_TABLE in self._defects:
            self._image.move(Table.DISCRETE_INPUT, self._image.defined[Table.DISCRETE_INPUT], Table.COIL)
        device = ModbusDevice(self._image, on_read=self._refusal)
        self._closers.append(device)
        faults = WireFaults(Place.GATEWAY, surroundings.defects, surroundings.seed, self._log_fault)
        relay = Relay(await device.start(), faults.deliver)
        self._closers.append(relay)
        self._port = await relay.start(surroundings.host, self._options.gateway_port or 0)

    async def stop(self) -> None:
        """Close the port and all connections."""
        for closer in reversed(self._closers):
            await closer.stop()
        self._closers.clear()

    async def run(self) -> None:
        """Poll on an absolute schedule; a poll that takes longer than its period skips what it missed."""
        slow = self._defects.get(Name.SLOW_POLLS)
        period_ns = self._options.gateway_poll_ns if slow is None else slow.duration_ns or NS_PER_S
        due_ns = time.monotonic_ns()
        client = AsyncModbusTcpClient(
            "127.0.0.1", port=self.source_port, timeout=SOURCE_ANSWERS_WITHIN_S, retries=0, reconnect_delay=0
        )
        task = asyncio.current_task()
        assert task is not None  # noqa: S101 - the site runs it in one
        try:
            while True:
                await self._poll(client)
                if task.cancelling():  # asyncio.wait_for, which pymodbus uses, can lose it (Python 3.11)
                    raise asyncio.CancelledError
                now_ns = time.monotonic_ns()
                due_ns += period_ns * max(1, -(-(now_ns - due_ns) // period_ns))
                await asyncio.sleep((due_ns - now_ns) / NS_PER_S)
        finally:
            client.close()

    def show(self, values: Sequence[Value]) -> None:
        """Change the image."""
        assert self._surroundings is not None  # noqa: S101 - started
        before_ns = time.monotonic_ns()
        changed = [value for value in values if self._image.get(value.point) != value.value]
        for point, value in changed:
            self._image.set(point, value)
        after_ns = time.monotonic_ns()
        for point, value in changed:
            self._surroundings.shown(self._image.where(point), value, before_ns, after_ns)

    def ready(self) -> Mapping[str, object]:
        """Where it is."""
        return {"gateway_port": self._port}

    async def _poll(self, client: AsyncModbusTcpClient) -> None:
        assert self._surroundings is not None  # noqa: S101 - started
        lost = self._loses_source()
        asked_ns = time.monotonic_ns()
        bits = None if lost else await _asked(client)
        if bits is not None:
            self._surroundings.offer(dict(zip((*GATEWAY, GATEWAY_COMMON), bits, strict=True)))
        if (bits is None) != self._source_lost:
            self._source_lost = bits is None
            told_ns = time.monotonic_ns()
            self._surroundings.log("source", place="gateway", lost=bits is None, asked_ns=asked_ns, told_ns=told_ns)

    def _loses_source(self) -> bool:
        assert self._surroundings is not None  # noqa: S101 - started
        since_ns = time.monotonic_ns() - self._surroundings.started_ns
        return any(
            since_ns >= (self._defects[name].duration_ns or 0)
            for name in (Name.STALE_CACHE, Name.LOST_SOURCE)
            if name in self._defects
        )

    def _refusal(self, table: Table, word: int, count: int) -> ExcCodes | None:
        if self._source_lost and Name.STALE_CACHE not in self._defects:
            return ExcCodes.GATEWAY_NO_RESPONSE
        return self._blocks.exception("gateway", table, word, count)

    def _log_fault(self, defect: Defect, detail: str) -> None:
        assert self._surroundings is not None  # noqa: S101 - started
        self._surroundings.fault(defect.place, defect.name, detail)


async def _asked(client: AsyncModbusTcpClient) -> list[int] | None:
    """The alarms and the common alarm of the building system; None if it did not answer both."""
    with contextlib.suppress(ModbusException, OSError):
        if not client.connected and not await client.connect():
            return None
        alarms = await client.read_discrete_inputs(0, count=len(GATEWAY))
        common = await client.read_discrete_inputs(Register.COMMON_ALARM, count=1)
        if not alarms.isError() and not common.isError():
            return [int(bit) for bit in (*alarms.bits[: len(GATEWAY)], common.bits[0])]
    client.close()  # a late answer would be taken for the next one's
    return None
