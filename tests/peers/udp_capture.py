"""A packet capture of one UDP port on the loopback interface by tshark, and its dissection as BACnet/IP."""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

TSHARK = shutil.which("tshark")
DEADLINE_S = 30.0


class UdpCapture:
    """A capture under way."""

    def __init__(self, process: asyncio.subprocess.Process, path: Path, port: int) -> None:
        self._process = process
        self.path = path
        self._port = port

    async def caught_up(self) -> None:
        """Wait until everything sent before now is in the file: until an empty datagram sent now is seen in it."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as marker:
            marker.bind(("127.0.0.1", 0))
            marker.sendto(b"", ("127.0.0.1", self._port))
            mine = f" {marker.getsockname()[1]} "
            assert self._process.stdout is not None
            async with asyncio.timeout(DEADLINE_S):
                while mine not in (line := (await self._process.stdout.readline()).decode()):
                    assert line != "", "tshark ended by itself"


@asynccontextmanager
async def capture_udp(port: int, path: Path) -> AsyncIterator[UdpCapture]:
    """Capture everything to and from a UDP port of this machine. It runs when this is entered."""
    assert TSHARK is not None
    pipe = asyncio.subprocess.PIPE
    fields = ("-T", "fields", "-E", "separator= ", "-e", "frame.number", "-e", "udp.srcport", "-e", "udp.dstport")
    command = (TSHARK, "-i", "lo", "-f", f"udp port {port}", "-w", str(path), "-P", "-l", "-n", *fields)
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
        yield UdpCapture(process, path, port)
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGINT)
        await process.communicate()


async def dissect_bacnet(path: Path, port: int) -> list[dict[str, Any]]:
    """The layers of every datagram with a payload, when tshark is told that the port speaks BACnet/IP."""
    assert TSHARK is not None
    command = (TSHARK, "-r", str(path), "-n", "-d", f"udp.port=={port},bvlc", "-Y", "udp.length > 8", "-T", "json")
    process = await asyncio.create_subprocess_exec(
        *command, "--no-duplicate-keys", stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    return [entry["_source"]["layers"] for entry in json.loads(out)]
