"""A packet capture on the loopback interface by tshark, and what tshark's own dissector makes of it."""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

TSHARK = shutil.which("tshark")
DEADLINE_S = 30


class Capture:
    """A capture under way. ``lines`` are tshark's summaries, one a packet, in the order in which it wrote them."""

    def __init__(self, process: asyncio.subprocess.Process, path: Path) -> None:
        self._process = process
        self.path = path

    async def next_line(self) -> str:
        """Wait for the next packet; '' once the capture has ended."""
        assert self._process.stdout is not None
        async with asyncio.timeout(DEADLINE_S):
            return (await self._process.stdout.readline()).decode()

    async def caught_up(self, port: int) -> None:
        """Wait until everything sent before now is in the file: until a connection made now is seen in it."""
        _, writer = await asyncio.open_connection("127.0.0.1", port)
        mine = writer.get_extra_info("sockname")[1]
        writer.close()
        await writer.wait_closed()
        while f" {mine} " not in (line := await self.next_line()):
            assert line != "", "tshark ended by itself"


@asynccontextmanager
async def capture(port: int, path: Path) -> AsyncIterator[Capture]:
    """Capture everything to and from a TCP port of this machine. It runs when this is entered."""
    assert TSHARK is not None
    pipe = asyncio.subprocess.PIPE
    fields = ("-T", "fields", "-E", "separator= ", "-e", "frame.number", "-e", "tcp.srcport", "-e", "tcp.dstport")
    # -P with -w: every packet is written and then told of. -l: at once.
    command = (TSHARK, "-i", "lo", "-f", f"tcp port {port}", "-w", str(path), "-P", "-l", "-n", *fields)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """One TCP packet with a payload. ``frames``: the Modbus frames in it, each as the dissector's fields by name."""

    to_device: bool
    payload_bytes: int
    frames: tuple[dict[str, list[str]], ...]


async def dissect(path: Path, port: int) -> list[Packet]:
    """What tshark makes of a capture, when told that the port speaks Modbus TCP."""
    assert TSHARK is not None
    known = ("-d", f"tcp.port=={port},mbtcp", "-o", f"mbtcp.tcp.port:{port}")
    command = (TSHARK, "-r", str(path), "-n", *known, "-Y", "tcp.len > 0", "-T", "json")
    process = await asyncio.create_subprocess_exec(
        *command, "--no-duplicate-keys", stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    packets = []
    for entry in json.loads(out):
        layers = entry["_source"]["layers"]
        mbtcp, modbus = _as_list(layers.get("mbtcp", [])), _as_list(layers.get("modbus", []))
        assert len(mbtcp) == len(modbus)
        frames: list[dict[str, list[str]]] = []
        for header, body in zip(mbtcp, modbus, strict=True):
            fields: dict[str, list[str]] = {}
            _flatten(header, fields)
            _flatten(body, fields)
            frames.append(fields)
        packets.append(
            Packet(
                to_device=layers["tcp"]["tcp.dstport"] == str(port),
                payload_bytes=int(layers["tcp"]["tcp.len"]),
                frames=tuple(frames),
            )
        )
    return packets


def _as_list(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


def _flatten(value: object, fields: dict[str, list[str]]) -> None:
    """All fields of a dissected layer by name, in the order of the packet."""
    if isinstance(value, dict):
        for name, inner in value.items():
            for one in _as_list(inner):
                if isinstance(one, dict):
                    _flatten(one, fields)
                else:
                    fields.setdefault(name, []).append(str(one))
