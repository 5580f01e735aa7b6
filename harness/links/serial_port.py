"""Opening a serial port to listen, disturbing as little as can be.

What is not done: no byte is written, and neither DTR nor RTS is set by us, on opening or on closing. What cannot be
avoided, because the operating system or the driver does it: the kernel raises DTR and RTS when a port is opened that
nobody had open; input that had waited before is discarded; on Windows the port's settings name a state for DTR and
RTS, and the driver raises them. Of other programs, only those that ask are kept out (flock on POSIX).

A terminal echoes by default what it receives, which on a printer's line would be bytes sent. So echo is
switched off in the same moment in which the port is first opened, before anything else is set.
"""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Final

import serialx

from harness.core.errors import LinkError
from harness.core.links import SerialPort

_PARITY: Final = {
    "none": serialx.Parity.NONE,
    "even": serialx.Parity.EVEN,
    "odd": serialx.Parity.ODD,
    "mark": serialx.Parity.MARK,
    "space": serialx.Parity.SPACE,
}


async def open_to_listen(spec: SerialPort, protocol: asyncio.Protocol) -> asyncio.BaseTransport:
    """Connect ``protocol`` to the serial port of ``spec``. LinkError, with what to do, where it cannot be opened."""
    port = spec.port
    if "://" in port:
        raise LinkError(f"port={port}: expected the name of a serial port, such as /dev/ttyUSB0 or COM3")
    if spec.parity not in _PARITY:
        raise LinkError(f"parity={spec.parity}: expected one of {', '.join(_PARITY)}")
    held = None
    try:
        if os.name == "posix":
            held = await asyncio.to_thread(_open_without_echo, port)
        transport, _ = await serialx.create_serial_connection(
            asyncio.get_running_loop(),
            lambda: protocol,
            port,
            baudrate=spec.baud,
            parity=_PARITY[spec.parity],
            stopbits=serialx.StopBits(spec.stop_bits),
            byte_size=spec.data_bits,
            exclusive=True,
            dtr_on_open=serialx.PinState.UNDEFINED,
            rts_on_open=serialx.PinState.UNDEFINED,
            dtr_on_close=serialx.PinState.UNDEFINED,
            rts_on_close=serialx.PinState.UNDEFINED,
        )
    except (OSError, serialx.SerialException, ValueError) as exc:
        raise LinkError(f"{port}: cannot be opened: {exc}; look whether it is plugged in and free") from exc
    finally:
        if held is not None:
            os.close(held)
    return transport


def _open_without_echo(port: str) -> int:
    """A descriptor of ``port``, its echo off. Another program's port is left as it is. OSError."""
    import fcntl
    import termios

    held = os.open(Path(port), os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        settings = termios.tcgetattr(held)
        settings[3] &= ~(termios.ECHO | termios.ECHOE | termios.ECHOK | termios.ECHONL)
        termios.tcsetattr(held, termios.TCSANOW, settings)
        fcntl.flock(held, fcntl.LOCK_UN)
    except BlockingIOError as exc:
        os.close(held)
        raise OSError("another program has it open") from exc
    except termios.error as exc:
        os.close(held)
        raise OSError(f"it is no serial port ({exc.args[-1]})") from exc
    except BaseException:
        os.close(held)
        raise
    return held
