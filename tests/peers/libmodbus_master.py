"""An RTU master made with libmodbus, a C library, on a serial port or pseudo-terminal."""

from __future__ import annotations

import ctypes
from types import TracebackType
from typing import Self

from tests.peers.libmodbus_server import load

ANSWERS_WITHIN_S = 20
WORDS_MAX = 125


class LibmodbusError(Exception):
    """What libmodbus says of a request that failed."""


class RtuMaster:
    """``with RtuMaster(path) as master:``; every call blocks until the answer is there, or raises LibmodbusError."""

    def __init__(self, path: str, baud: int = 19_200) -> None:
        self._lib = load()
        self._lib.modbus_new_rtu.restype = ctypes.c_void_p
        self._lib.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
        self._lib.modbus_read_input_registers.argtypes = [
            ctypes.c_void_p,
            ctypes.c_int,
            ctypes.c_int,
            ctypes.POINTER(ctypes.c_uint16),
        ]
        self._lib.modbus_set_response_timeout.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32]
        self._lib.modbus_set_byte_timeout.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32]
        self._lib.modbus_strerror.restype = ctypes.c_char_p
        # A pseudo-terminal has no parity: the kernel refuses to set one.
        self._context = self._lib.modbus_new_rtu(path.encode(), baud, b"N", 8, 1)
        self._lib.modbus_set_response_timeout(self._context, ANSWERS_WITHIN_S, 0)
        self._lib.modbus_set_byte_timeout(self._context, ANSWERS_WITHIN_S, 0)  # or a busy computer decides a test

    def __enter__(self) -> Self:
        self._checked(self._lib.modbus_connect(self._context))
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._lib.modbus_close(self._context)
        self._lib.modbus_free(self._context)

    def discrete_inputs(self, unit: int, address: int, count: int) -> list[int]:
        """Function 02."""
        bits = ctypes.create_string_buffer(count)
        self._lib.modbus_set_slave(self._context, unit)
        self._checked(self._lib.modbus_read_input_bits(self._context, address, count, bits))
        return list(bits.raw)

    def input_registers(self, unit: int, address: int, count: int) -> list[int]:
        """Function 04."""
        words = (ctypes.c_uint16 * WORDS_MAX)()
        self._lib.modbus_set_slave(self._context, unit)
        self._checked(self._lib.modbus_read_input_registers(self._context, address, count, words))
        return list(words[:count])

    def _checked(self, result: int) -> None:
        if result < 0:
            raise LibmodbusError(self._lib.modbus_strerror(ctypes.get_errno()).decode())
