"""Opening a serial port: what is declared is taken or refused, what is not declared is left alone. On pseudo-terminals,
which have no control lines; that a real port's lines move as declared is not shown on hardware.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from harness.core.errors import LinkError
from harness.core.links import ControlLine, SerialPort
from harness.links.serial_port import check_port, lines_not_taken, open_to_ask, open_to_listen, settings_not_taken

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
if sys.platform != "win32":
    import termios


class Heard(asyncio.Protocol):
    def __init__(self) -> None:
        self.data = b""
        self.lost = asyncio.Event()
        self.some = asyncio.Event()

    def data_received(self, data: bytes) -> None:
        self.data += data
        self.some.set()

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost.set()


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """The device's side, and the name of the port. The port is held open, so that its settings stay to be read."""
    device, port = os.openpty()
    yield device, os.ttyname(port)
    os.close(device)
    os.close(port)


async def close(transport: asyncio.BaseTransport, heard: Heard) -> None:
    transport.close()
    async with asyncio.timeout(10):
        await heard.lost.wait()


async def test_both_ways_pass_every_byte_and_use_no_software_flow_control(pty: tuple[int, str]) -> None:
    device, name = pty
    heard = Heard()
    transport = await open_to_ask(SerialPort(port=name, baud=19200, parity="even"), heard)
    every_byte = bytes(range(256))
    transport.write(every_byte)
    sent = b""
    while len(sent) < 256:
        sent += await asyncio.to_thread(os.read, device, 256)
    assert sent == every_byte
    os.write(device, every_byte)
    async with asyncio.timeout(10):
        while len(heard.data) < 256:
            heard.some.clear()
            await heard.some.wait()
    assert heard.data == every_byte
    settings = termios.tcgetattr(device)
    assert not settings[0] & (termios.IXON | termios.IXOFF | termios.IXANY)
    await close(transport, heard)


@pytest.mark.parametrize("settings", [{"parity": "even"}, {"parity": "odd", "data_bits": 7}])
async def test_a_pseudo_terminal_is_opened_again_whatever_its_settings_are(
    pty: tuple[int, str], settings: dict[str, Any]
) -> None:
    """It keeps neither parity nor data bits, which the second time is all that would change: an error (tcsetattr)."""
    _, name = pty
    for _ in range(3):
        heard = Heard()
        transport = await open_to_listen(SerialPort(port=name, baud=19200, **settings), heard)
        await close(transport, heard)


@pytest.mark.parametrize("rts_cts", [True, False])
async def test_hardware_flow_control_is_used_only_where_it_is_declared(pty: tuple[int, str], rts_cts: bool) -> None:
    device, name = pty
    heard = Heard()
    transport = await open_to_listen(SerialPort(port=name, rts_cts=rts_cts), heard)
    assert bool(termios.tcgetattr(device)[2] & termios.CRTSCTS) is rts_cts
    await close(transport, heard)


@pytest.mark.parametrize("line", ["dtr", "rts"])
@pytest.mark.parametrize("state", [ControlLine.ON, ControlLine.OFF])
async def test_a_declared_control_line_that_the_port_has_not_is_refused(
    pty: tuple[int, str], line: str, state: ControlLine
) -> None:
    _, name = pty
    heard = Heard()
    spec = replace(SerialPort(port=name), **{line: state})  # type: ignore[arg-type]
    with pytest.raises(LinkError, match=f"{name}: {line}={state.value}: the port has no such line; take a port"):
        await open_to_listen(spec, heard)
    # It is free again, and the refused one heard nothing.
    transport = await open_to_listen(SerialPort(port=name), heard)
    await close(transport, heard)


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        (SerialPort(port="socket://host:1"), "port=socket://host:1: expected the name of a serial port"),
        (SerialPort(port="/dev/x", parity="both"), "parity=both: expected one of none, even, odd"),
        (SerialPort(port="/dev/x", rts=ControlLine.ON, rts_cts=True), "rts=on rts_cts=true: hardware flow control"),
    ],
)
def test_what_cannot_be_is_refused(spec: SerialPort, message: str) -> None:
    with pytest.raises(LinkError, match=message):
        check_port(spec)


async def test_a_port_that_is_not_there() -> None:
    with pytest.raises(LinkError, match=r"/dev/no-such-port: cannot be opened: .*; look whether it is plugged in"):
        await open_to_listen(SerialPort(port="/dev/no-such-port"), Heard())


def test_control_lines_that_a_port_did_not_take_are_seen() -> None:
    spec = SerialPort(port="x", dtr=ControlLine.ON, rts=ControlLine.OFF)
    assert lines_not_taken(termios.TIOCM_DTR | termios.TIOCM_CTS, spec) is None
    assert lines_not_taken(termios.TIOCM_DTR | termios.TIOCM_RTS, spec) == "rts=off: the port did not take it"
    assert lines_not_taken(0, spec) == "dtr=on: the port did not take it"
    assert lines_not_taken(0, SerialPort(port="x")) is None
    assert lines_not_taken(None, SerialPort(port="x")) is None


def test_settings_that_a_driver_did_not_take_are_seen() -> None:
    """tcsetattr succeeds where any of the changes could be made (POSIX.1-2017)."""
    spec = SerialPort(port="x", data_bits=8, parity="even", stop_bits=1)
    right = termios.CS8 | termios.PARENB | termios.CREAD | termios.CLOCAL
    assert settings_not_taken(right, spec) is None
    assert settings_not_taken(right & ~termios.PARENB, spec) == "parity=even"
    assert settings_not_taken(right | termios.PARODD, spec) == "parity=even"
    assert settings_not_taken(right | termios.CSTOPB, spec) == "stop_bits=1"
    assert settings_not_taken(right & ~termios.CSIZE | termios.CS7, spec) == "data_bits=8"
    assert settings_not_taken(right, replace(spec, rts_cts=True)) == "rts_cts=true"
    assert settings_not_taken(right, replace(spec, parity="none")) == "parity=none"
