"""A Modbus RTU unit made with libmodbus, a C library, on a serial port: ``python libmodbus_rtu.py PORT UNIT``.

It prints ``ready``, then for every request that it answered the instant at which it had it (time.monotonic_ns) and its
number; input register ``a`` holds ``1000 * a + number`` of the request, modulo 65536, and discrete input ``a`` is bit
``a`` of that number. The end of its standard input ends it.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import select
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.peers.libmodbus_server import ADU_BYTES_MAX, load

SIZE = 32


def serve(port: str, unit: int, baud: int) -> None:
    """Serve until standard input ends."""
    lib = load()
    lib.modbus_new_rtu.restype = ctypes.c_void_p
    lib.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
    lib.modbus_get_socket.argtypes = [ctypes.c_void_p]
    context = lib.modbus_new_rtu(port.encode(), baud, b"E", 8, 1)
    mapping = lib.modbus_mapping_new(SIZE, SIZE, SIZE, SIZE)
    if lib.modbus_set_slave(context, unit) or lib.modbus_connect(context):
        raise OSError(ctypes.get_errno(), f"libmodbus cannot use {port}")
    os.write(1, b"ready\n")
    query = ctypes.create_string_buffer(ADU_BYTES_MAX)
    number = 0
    while True:
        ready, _, _ = select.select([0, lib.modbus_get_socket(context)], [], [])
        if 0 in ready:
            return
        size = lib.modbus_receive(context, query)
        if size <= 0:
            continue
        heard_ns = time.monotonic_ns()
        for address in range(SIZE):
            mapping.contents.input_register[address] = (1000 * address + number) % 65_536
            mapping.contents.discrete_input[address] = number >> address & 1
        if lib.modbus_reply(context, query, size, mapping) >= 0:
            os.write(1, f"{number} {heard_ns}\n".encode())
            number += 1


class LibmodbusUnit:
    """The unit as its starter sees it: when it had each request, by number."""

    def __init__(self) -> None:
        self.heard_ns: list[int] = []


@asynccontextmanager
async def libmodbus_unit(port: str, unit: int, baud: int = 19_200) -> AsyncIterator[LibmodbusUnit]:
    """Start it, and end it; what it heard is complete once this is left."""
    pipe = asyncio.subprocess.PIPE
    command = (sys.executable, str(Path(__file__)), port, str(unit), str(baud))
    process = await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe)
    assert process.stdin is not None
    assert process.stdout is not None
    heard = LibmodbusUnit()
    try:
        assert await process.stdout.readline() == b"ready\n"
        yield heard
    finally:
        process.stdin.close()
        rest = await process.stdout.read()
        heard.heard_ns += [int(line.split()[1]) for line in rest.splitlines()]
        await process.wait()


if __name__ == "__main__":
    serve(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
