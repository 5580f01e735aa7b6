"""A packet capture of UDP on the loopback interface by tshark, and what its dissector says of BACnet/IP in it."""

from __future__ import annotations

import asyncio
import re
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.peers.capture import DEADLINE_S, TSHARK, Capture


@asynccontextmanager
async def capture_udp(port: int, path: Path) -> AsyncIterator[Capture]:
    """Capture everything to and from a UDP port of this machine. It runs when this is entered."""
    assert TSHARK is not None
    fields = ("-T", "fields", "-E", "separator= ", "-e", "frame.number", "-e", "udp.srcport", "-e", "udp.dstport")
    command = (TSHARK, "-i", "lo", "-f", f"udp port {port}", "-w", str(path), "-P", "-l", "-n", *fields)
    pipe = asyncio.subprocess.PIPE
    process = await asyncio.create_subprocess_exec(*command, stdout=pipe, stderr=pipe)
    try:
        assert process.stderr is not None
        async with asyncio.timeout(DEADLINE_S):
            told = b""
            while b"Capture started" not in told:
                line = await process.stderr.readline()
                if not line:
                    raise OSError(told.decode())
                told += line
        yield Capture(process, path)
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGINT)
        await process.communicate()


async def caught_up(wire: Capture, port: int) -> None:
    """Wait until everything sent before now is in the file: until a datagram sent now is seen in it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mark:
        mark.bind(("127.0.0.1", 0))
        mark.sendto(b"\x00", ("127.0.0.1", port))
        mine = mark.getsockname()[1]
        while f" {mine} " not in (line := await wire.next_line()):
            assert line != "", "tshark ended by itself"


@dataclass
class Dissected:
    """One APDU. ``kind`` and ``service`` in tshark's words; ``values``: by object, what it says of its properties."""

    to_device: bool
    kind: str
    service: str
    values: dict[str, dict[str, str]] = field(default_factory=dict)


_OBJECT = re.compile(r"ObjectIdentifier: (\S+), (\d+)$")
_VALUES = {
    "value": re.compile(r"(?:Present Value|present-value)[^:]*: *(?:\([^)]*\) *)?(?:[a-z-]+ \()?(-?[\d.]+)"),
    "flags": re.compile(r"status-flags: \(Bit String\) \(([TF]{4})\)"),
    "event-state": re.compile(r"event-state: .*\((\d+)\)"),
    "from": re.compile(r"From State: .*\((\d+)\)"),
    "to": re.compile(r"To State: .*\((\d+)\)"),
}


async def dissect_bacnet(path: Path, port: int) -> list[Dissected]:
    """What tshark makes of every BACnet APDU in a capture, when told that the device's port speaks it."""
    assert TSHARK is not None
    command = (TSHARK, "-r", str(path), "-n", "-d", f"udp.port=={port},bvlc", "-Y", "bacapp", "-V")
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    found = []
    for frame in re.split(r"^Frame \d+:", out.decode(), flags=re.MULTILINE)[1:]:
        assert "Malformed" not in frame
        to_device = re.search(rf"Dst Port: {port}\b", frame) is not None
        said = frame[frame.index("Building Automation and Control Network APDU") :]
        kind = re.search(r"APDU Type: (\S+)", said)
        service = re.search(r"Service Choice: (\S+)", said)
        assert kind is not None
        one = Dissected(to_device, kind[1], "" if service is None else service[1])
        mine: dict[str, str] = {}
        for line in said.splitlines():
            named = _OBJECT.search(line)
            if named is not None:
                mine = one.values.setdefault(f"{named[1]} {named[2]}", {})
            for name, pattern in _VALUES.items():
                match = pattern.search(line)
                if match is not None:
                    mine.setdefault(name, match[1])
        found.append(one)
    return found
