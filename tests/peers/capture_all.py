"""One packet capture of many ports of the loopback interface, and tshark's dissection of it with its time stamps."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from harness.core.instants import NS_PER_S
from tests.peers.capture import DEADLINE_S, TSHARK, Capture, _as_list, _flatten


@asynccontextmanager
async def capture_ports(ports: list[int], path: Path) -> AsyncIterator[Capture]:
    """Capture TCP and UDP of these ports. It runs when this is entered."""
    assert TSHARK is not None
    pipe = asyncio.subprocess.PIPE
    fields = ("-T", "fields", "-E", "separator= ", "-e", "frame.number", "-e", "tcp.srcport", "-e", "tcp.dstport")
    only = " or ".join(f"port {port}" for port in ports)
    command = (TSHARK, "-i", "lo", "-B", "16", "-f", only, "-w", str(path), "-P", "-l", "-n", *fields)
    process = await asyncio.create_subprocess_exec(*command, stdout=pipe, stderr=pipe)
    assert process.stderr is not None
    lines: asyncio.Queue[str] = asyncio.Queue()

    async def read() -> None:
        # Read all the while: a pipe that is full would hold tshark up, and packets would be lost.
        assert process.stdout is not None
        while line := (await process.stdout.readline()).decode():
            lines.put_nowait(line)

    reading = asyncio.create_task(read(), name="tshark's lines")
    wire = _Read(process, path, lines)
    try:
        async with asyncio.timeout(DEADLINE_S):
            told = b""
            while b"Capture started" not in told:
                line = await process.stderr.readline()
                if not line:
                    raise OSError(told.decode())
                told += line
        yield wire
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGINT)
        rest = (await process.stderr.read()).decode()
        await process.wait()
        await reading
    assert " dropped" not in rest, rest


class _Read(Capture):
    """A capture whose lines are read as they come."""

    def __init__(self, process: asyncio.subprocess.Process, path: Path, lines: asyncio.Queue[str]) -> None:
        super().__init__(process, path)
        self._lines = lines

    async def next_line(self) -> str:
        async with asyncio.timeout(DEADLINE_S):
            return await self._lines.get()


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One packet with a payload, to or from one of the devices.

    ``at_ns``: UTC, when the capture saw it. ``sequence``: TCP's, of its first byte. ``client``: the other side's port.
    ``layers``: of the protocol that was asked for, each as its fields by name; a packet may hold several.
    """

    to_device: bool
    client: int
    at_ns: int
    sequence: int
    payload: bytes
    layers: tuple[Mapping[str, list[str]], ...]


async def frames(path: Path, port: int, protocol: str, *layers: str, options: tuple[str, ...] = ()) -> list[Frame]:
    """What tshark makes of the packets of one port, when told which protocol is spoken there.

    ``layers``: names of dissected layers; the fields of those that belong together are put together.
    """
    assert TSHARK is not None
    kind = "udp" if protocol == "bvlc" else "tcp"
    has_data = "udp.length > 8" if kind == "udp" else "tcp.len > 0"
    command = (TSHARK, "-r", str(path), "-n", "-d", f"{kind}.port=={port},{protocol}", *options)
    process = await asyncio.create_subprocess_exec(
        *command, "-Y", f"{kind}.port == {port} and {has_data}", "-T", "json", "--no-duplicate-keys",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    found = [_frame(entry["_source"]["layers"], kind, port, layers) for entry in json.loads(out)]
    return found if kind == "udp" else list(_first_time(found))


def _first_time(found: Iterable[Frame]) -> Iterator[Frame]:
    """Without what was sent once more, as TCP does where an acknowledgement is late: a sequence number passed by."""
    ahead: dict[tuple[int, bool], int] = {}
    for frame in found:
        way = (frame.client, frame.to_device)
        if frame.sequence >= ahead.get(way, 0):
            ahead[way] = frame.sequence + len(frame.payload)
            yield frame


def _frame(found: Mapping[str, Any], kind: str, port: int, names: tuple[str, ...]) -> Frame:
    transport = _as_list(found[kind])[0]
    assert isinstance(transport, dict)
    to_device = transport[f"{kind}.dstport"] == str(port)
    parts = [_as_list(found[name]) for name in names if name in found]
    together = []
    for group in zip(*parts, strict=True) if len(parts) == len(names) else ():
        fields: dict[str, list[str]] = {}
        for layer in group:
            _flatten(layer, fields)
        together.append(fields)
    return Frame(
        to_device=to_device,
        client=int(transport[f"{kind}.{'srcport' if to_device else 'dstport'}"]),
        at_ns=round(Decimal(_epoch(found["frame"])) * NS_PER_S),
        sequence=int(transport.get("tcp.seq", "0")),
        payload=bytes.fromhex(str(transport.get(f"{kind}.payload", "")).replace(":", "")),
        layers=tuple(together),
    )


def _epoch(frame: Mapping[str, Any]) -> str:
    return str(frame["frame.time_epoch"])
