"""A Modbus TCP device that answers from an image, served by pymodbus.

pymodbus decodes, checks and encodes; the values come from the image at the very instant at which an answer is made up.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Final

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from sims.outputs import Image
from sims.points import Table

UNIT: Final = 1

_TABLE_OF_FUNCTION: Final = {
    1: Table.COIL,
    2: Table.DISCRETE_INPUT,
    3: Table.HOLDING_REGISTER,
    4: Table.INPUT_REGISTER,
    5: Table.COIL,
    6: Table.HOLDING_REGISTER,
    15: Table.COIL,
    16: Table.HOLDING_REGISTER,
    22: Table.HOLDING_REGISTER,
    23: Table.HOLDING_REGISTER,
}

# Given the function code, the address and the values of a write: None if it was taken, else the exception to answer.
WriteHandler = Callable[[int, int, list[int]], ExcCodes | None]
# Given a table, the first word and the number of words of a read: an exception to answer in place of values, or None.
ReadCheck = Callable[[Table, int, int], ExcCodes | None]


def refuse_writes(function: int, address: int, values: list[int]) -> ExcCodes | None:  # noqa: ARG001
    """The handler of a device on which nothing can be written."""
    return ExcCodes.ILLEGAL_ADDRESS


class ModbusDevice:
    """One device, unit 1, on a loopback port of its own."""

    def __init__(self, image: Image, on_write: WriteHandler = refuse_writes, on_read: ReadCheck | None = None) -> None:
        self._image = image
        self._on_write = on_write
        self._on_read = on_read
        self._server: ModbusTcpServer | None = None

    async def start(self) -> int:
        """Listen on a free port of 127.0.0.1, and return it."""
        device = SimDevice(id=UNIT, simdata=self._sim_data(), action=self._action)
        self._server = ModbusTcpServer([device], address=("127.0.0.1", 0))
        await self._server.serve_forever(background=True)
        listening: list[socket.socket] = self._server.transport.sockets  # type: ignore[attr-defined]
        return int(listening[0].getsockname()[1])

    async def stop(self) -> None:
        """Close the port and all connections."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None

    def _sim_data(self) -> tuple[list[SimData], list[SimData], list[SimData], list[SimData]]:
        """Blocks that span every defined word; which of them exist is decided for each request."""
        spans = {table: max(words, default=0) + 1 for table, words in self._image.defined.items()}
        return (
            [SimData(0, values=[False] * 16 * spans[Table.COIL], datatype=DataType.BITS)],
            [SimData(0, values=[False] * 16 * spans[Table.DISCRETE_INPUT], datatype=DataType.BITS)],
            [SimData(0, values=[0] * spans[Table.HOLDING_REGISTER], datatype=DataType.REGISTERS)],
            [SimData(0, values=[0] * spans[Table.INPUT_REGISTER], datatype=DataType.REGISTERS)],
        )

    async def _action(
        self,
        function: int,
        start_word: int,
        address: int,
        word_count: int,
        registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Called by pymodbus for each request. It awaits nothing, so nothing changes before the values are taken.

        ``start_word`` is where ``registers`` begins; ``address`` counts bits in bit tables, ``word_count`` never does.
        """
        table = _TABLE_OF_FUNCTION[function]
        word = address // 16 if table in (Table.COIL, Table.DISCRETE_INPUT) else address
        if not self._image.exists(table, word, word_count):
            return ExcCodes.ILLEGAL_ADDRESS
        if set_values is not None and (refused := self._on_write(function, address, [int(v) for v in set_values])):
            return refused
        if set_values is None and self._on_read is not None and (refused := self._on_read(table, word, word_count)):
            return refused
        offset = word - start_word
        registers[offset : offset + word_count] = self._image.words[table][word : word + word_count]
        return None
