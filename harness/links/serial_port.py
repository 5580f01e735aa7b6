"""Opening a serial port, disturbing as little as can be.

What is not done: no byte is written, and neither DTR nor RTS is set by us, on opening or on closing, unless the site
file says so. What cannot be avoided, because the operating system or the driver does it: the kernel raises DTR and RTS
when a port is opened that nobody had open, so that a line declared to be off is on for a moment; input that had waited
before is discarded; on Windows the port's settings name a state for DTR and RTS, and the driver raises them. Of other
programs, only those that ask are kept out (flock on POSIX). Software flow control is always off: XON and XOFF are bytes
like any other.

A terminal echoes by default what it receives, which on a printer's line would be bytes sent. So echo is
switched off in the same moment in which the port is first opened, before anything else is set.

What was declared and not taken is an error, and not a port that works otherwise than the site file says: control
lines are read back, and so are the settings where the port is a real one. A pseudo-terminal has no control lines, and
takes any parity without having one.
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path
from typing import Final

import serialx

from harness.core.errors import LinkError
from harness.core.links import ControlLine, SerialPort
from harness.links.os_reasons import os_reason

CLOSE_TIMEOUT_S: Final = 2.0
"""Closing waits for a thread of the event loop's pool, and for nothing else; a driver that hangs is not waited for."""

_PARITY: Final = {
    "none": serialx.Parity.NONE,
    "even": serialx.Parity.EVEN,
    "odd": serialx.Parity.ODD,
    "mark": serialx.Parity.MARK,
    "space": serialx.Parity.SPACE,
}
_PIN: Final = {
    ControlLine.LEFT: serialx.PinState.UNDEFINED,
    ControlLine.ON: serialx.PinState.HIGH,
    ControlLine.OFF: serialx.PinState.LOW,
}


async def open_to_listen(spec: SerialPort, protocol: asyncio.Protocol) -> asyncio.BaseTransport:
    """Connect ``protocol`` to the serial port of ``spec``. LinkError, with what to do, where it cannot be opened."""
    return await _open(spec, protocol)


async def open_to_ask(spec: SerialPort, protocol: asyncio.Protocol) -> asyncio.WriteTransport:
    """As ``open_to_listen``, for a protocol that sends requests: only that of a bus on which farend is the master."""
    transport = await _open(spec, protocol)
    assert isinstance(transport, asyncio.WriteTransport)  # noqa: S101 - told to the type checker
    return transport


def check_port(spec: SerialPort) -> None:
    """LinkError where ``spec`` asks for what cannot be."""
    if "://" in spec.port:
        raise LinkError(f"port={spec.port}: expected the name of a serial port, such as /dev/ttyUSB0 or COM3")
    if spec.parity not in _PARITY:
        raise LinkError(f"parity={spec.parity}: expected one of {', '.join(_PARITY)}")
    if spec.rts_cts and spec.rts is not ControlLine.LEFT:
        raise LinkError(
            f"{spec.port}: rts={spec.rts.value} rts_cts=true: hardware flow control moves RTS by itself; "
            "declare one of the two"
        )


async def _open(spec: SerialPort, protocol: asyncio.Protocol) -> serialx.BaseSerialTransport:
    """``protocol`` hears of the port only once everything declared was taken; until then what comes in is let go."""
    check_port(spec)
    port, gate = spec.port, _Gate()
    held = None
    parity, data_bits = spec.parity, spec.data_bits
    try:
        if os.name == "posix":
            held = await asyncio.to_thread(_open_without_echo, port)
            if _lines_of(held) is None:
                # A pseudo-terminal: it keeps none of the two, and where nothing else changes that is an error.
                parity, data_bits = "none", 8
        transport, _ = await serialx.create_serial_connection(
            asyncio.get_running_loop(),
            lambda: gate,
            port,
            baudrate=spec.baud,
            parity=_PARITY[parity],
            stopbits=serialx.StopBits(spec.stop_bits),
            byte_size=data_bits,
            xonxoff=False,
            rtscts=spec.rts_cts,
            exclusive=True,
            dtr_on_open=_PIN[spec.dtr],
            rts_on_open=_PIN[spec.rts],
            dtr_on_close=serialx.PinState.UNDEFINED,
            rts_on_close=serialx.PinState.UNDEFINED,
        )
        try:
            if held is not None:
                _check_taken(held, spec)
            gate.check()
        except BaseException:
            transport.abort()
            await gate.wait_lost()
            raise
    except (OSError, serialx.SerialException, ValueError) as exc:
        told = os_reason(exc) if isinstance(exc, OSError) else exc
        raise LinkError(f"{port}: cannot be opened: {told}; look whether it is plugged in and free") from exc
    finally:
        if held is not None:
            os.close(held)
    transport.set_protocol(protocol)
    protocol.connection_made(transport)
    return transport


class _Gate(asyncio.Protocol):
    """Stands in for the protocol while a port is opened and looked at."""

    def __init__(self) -> None:
        self._lost: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self._lost.done():
            self._lost.set_result(str(exc or "it was closed"))

    def check(self) -> None:
        """OSError where the port went away meanwhile."""
        if self._lost.done():
            raise OSError(self._lost.result())

    async def wait_lost(self) -> None:
        """Until the port is closed, so that it is free again."""
        await asyncio.wait([self._lost], timeout=CLOSE_TIMEOUT_S)


def settings_not_taken(flags: int, spec: SerialPort) -> str | None:
    """Which setting of ``spec`` the port's control flags (termios c_cflag) do not show; None where all are there.

    Needed because tcsetattr succeeds where *any* of the changes could be made (POSIX.1-2017, tcsetattr).
    """
    import termios

    bits = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}[spec.data_bits]
    odd = spec.parity in ("odd", "mark")
    checks = (
        (f"data_bits={spec.data_bits}", flags & termios.CSIZE == bits),
        (f"parity={spec.parity}", bool(flags & termios.PARENB) == (spec.parity != "none")),
        (f"parity={spec.parity}", spec.parity == "none" or bool(flags & termios.PARODD) == odd),
        (f"stop_bits={spec.stop_bits}", bool(flags & termios.CSTOPB) == (spec.stop_bits == 2)),
        (f"rts_cts={str(spec.rts_cts).lower()}", bool(flags & getattr(termios, "CRTSCTS", 0)) == spec.rts_cts),
    )
    return next((name for name, taken in checks if not taken), None)


def lines_not_taken(lines: int | None, spec: SerialPort) -> str | None:
    """Which declared control line is not as declared, and how; None where all are. ``lines``: as TIOCMGET gives them,
    None for a port that has none. Needed because serialx passes over a port that does not take them.
    """
    import termios

    for name, declared, bit in (("dtr", spec.dtr, termios.TIOCM_DTR), ("rts", spec.rts, termios.TIOCM_RTS)):
        if declared is ControlLine.LEFT:
            continue
        if lines is None:
            return f"{name}={declared.value}: the port has no such line"
        if bool(lines & bit) != (declared is ControlLine.ON):
            return f"{name}={declared.value}: the port did not take it"
    return None


def _check_taken(held: int, spec: SerialPort) -> None:
    """LinkError where a port did not take what was declared. ``held``: a descriptor of it."""
    import termios

    lines = _lines_of(held)
    missing = lines_not_taken(lines, spec)
    if missing is None and lines is not None:
        setting = settings_not_taken(termios.tcgetattr(held)[2], spec)
        missing = setting and f"{setting}: the port did not take it"
    if missing is not None:
        raise LinkError(f"{spec.port}: {missing}; take a port that can, or correct the site file")


def _lines_of(held: int) -> int | None:
    """The control lines as TIOCMGET gives them; None for a pseudo-terminal, which has none."""
    import fcntl
    import termios

    try:
        return int.from_bytes(fcntl.ioctl(held, termios.TIOCMGET, bytes(4)), sys.byteorder)
    except OSError:
        return None


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
