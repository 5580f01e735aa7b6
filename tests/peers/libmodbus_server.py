"""A Modbus TCP server made with libmodbus, a C library, as a process of its own: ``python libmodbus_server.py``.

It listens on a free port of 127.0.0.1, prints ``port N``, then takes lines on its standard input: ``TABLE ADDRESS
VALUE...`` sets values and is answered by ``ok`` once they are set; the end of the input ends it. Every table has
``SIZE`` places from address 0; beyond them libmodbus answers exception 02.
"""

from __future__ import annotations

import asyncio
import ctypes
import ctypes.util
import os
import select
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

LIBRARY = ctypes.util.find_library("modbus")
SIZE = 1024
ADU_BYTES_MAX = 260


class Mapping(ctypes.Structure):
    """``modbus_mapping_t`` of modbus.h, libmodbus 3.1."""

    _fields_ = (
        *((name, ctypes.c_int) for name in ("nb_bits", "start_bits", "nb_input_bits", "start_input_bits")),
        *((name, ctypes.c_int) for name in ("nb_input_registers", "start_input_registers", "nb_registers")),
        ("start_registers", ctypes.c_int),
        ("coil", ctypes.POINTER(ctypes.c_uint8)),
        ("discrete_input", ctypes.POINTER(ctypes.c_uint8)),
        ("input_register", ctypes.POINTER(ctypes.c_uint16)),
        ("holding_register", ctypes.POINTER(ctypes.c_uint16)),
    )


def load() -> ctypes.CDLL:
    """libmodbus with the signatures that are used here; also for its client, in the benchmark."""
    assert LIBRARY is not None
    lib = ctypes.CDLL(LIBRARY, use_errno=True)
    lib.modbus_new_tcp.restype = ctypes.c_void_p
    lib.modbus_new_tcp.argtypes = [ctypes.c_char_p, ctypes.c_int]
    lib.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    lib.modbus_mapping_new.argtypes = [ctypes.c_int] * 4
    lib.modbus_tcp_listen.argtypes = [ctypes.c_void_p, ctypes.c_int]
    lib.modbus_set_socket.argtypes = [ctypes.c_void_p, ctypes.c_int]
    lib.modbus_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    lib.modbus_reply.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]
    lib.modbus_connect.argtypes = [ctypes.c_void_p]
    lib.modbus_set_slave.argtypes = [ctypes.c_void_p, ctypes.c_int]
    lib.modbus_read_input_bits.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_int, ctypes.c_char_p]
    lib.modbus_close.argtypes = [ctypes.c_void_p]
    lib.modbus_free.argtypes = [ctypes.c_void_p]
    return lib


def serve() -> None:
    """Serve until standard input ends."""
    lib = load()
    context = lib.modbus_new_tcp(b"127.0.0.1", 0)
    mapping = lib.modbus_mapping_new(SIZE, SIZE, SIZE, SIZE)
    listening = socket.socket(fileno=lib.modbus_tcp_listen(context, 16))
    os.write(1, f"port {listening.getsockname()[1]}\n".encode())
    query = ctypes.create_string_buffer(ADU_BYTES_MAX)
    connections: dict[int, socket.socket] = {}
    commands = b""
    while True:
        ready, _, _ = select.select([0, listening.fileno(), *connections], [], [])
        for one in ready:
            if one == 0:
                data = os.read(0, 65_536)
                if not data:
                    return
                *lines, commands = (commands + data).split(b"\n")
                for line in lines:
                    table, address, *values = line.split()
                    array = getattr(mapping.contents, table.decode().replace("-", "_"))
                    for at, value in enumerate(values):
                        array[int(address) + at] = int(value)
                    os.write(1, b"ok\n")
            elif one == listening.fileno():
                connection = listening.accept()[0]
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connections[connection.fileno()] = connection
            else:
                lib.modbus_set_socket(context, one)
                size = lib.modbus_receive(context, query)
                if size < 0 or (size > 0 and lib.modbus_reply(context, query, size, mapping) < 0):
                    connections.pop(one).close()


class LibmodbusServer:
    """The server process as its starter sees it."""

    def __init__(self, process: asyncio.subprocess.Process, port: int) -> None:
        self._process = process
        self.port = port

    async def set(self, table: str, address: int, *values: int) -> None:
        """Set values from ``address`` on; returns once they are set."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{table} {address} {' '.join(map(str, values))}\n".encode())
        assert await self._process.stdout.readline() == b"ok\n"


@asynccontextmanager
async def libmodbus_server() -> AsyncIterator[LibmodbusServer]:
    """Start it, and end it."""
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(sys.executable, str(Path(__file__)), stdin=pipe, stdout=pipe)
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        line = await process.stdout.readline()
        yield LibmodbusServer(process, int(line.split()[1]))
    finally:
        process.stdin.close()
        await process.wait()


if __name__ == "__main__":
    serve()
