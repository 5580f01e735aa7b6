"""BACnet/IP beyond one loopback port: through a foreign-device registration, and with real broadcasts between hosts.

Hosts are network namespaces, which takes a right that not every account has.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import struct
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from harness.core.errors import IdentityError
from harness.core.instants import NS_PER_MS
from harness.links.bacnet import BacnetListener
from harness.links.base import LinkState
from tests.peers.bacnet import bacnet_link, bacnet_point
from tests.peers.hand_bacnet import BINARY_INPUT, DEVICE, Address, enumerated, hand_device, identifier
from tests.peers.recorder import Recorder, eventually, listening

IP = shutil.which("ip")
DEADLINE_S = 30


@dataclass
class Bbmd:
    """A BBMD by its octets (Annex J.2): takes registrations, keeps what it was asked to distribute."""

    answers: bool = True
    registrations: list[tuple[Address, int]] = field(default_factory=list)
    distributed: list[bytes] = field(default_factory=list)
    transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:
        self.transport = transport

    def connection_lost(self, exc: Exception | None) -> None:
        pass

    def error_received(self, exc: Exception) -> None:
        pass

    def datagram_received(self, data: bytes, to: Address) -> None:
        assert self.transport is not None
        if data[:2] == b"\x81\x05":
            self.registrations.append((to, int.from_bytes(data[4:6], "big")))
            if self.answers:
                self.transport.sendto(b"\x81\x00\x00\x06\x00\x00", to)
        elif data[:2] == b"\x81\x09":
            self.distributed.append(data[4:])

    def forward(self, npdu: bytes, source: Address, to: Address) -> None:
        """Forwarded-NPDU: what somebody on the other side broadcast."""
        assert self.transport is not None
        head = bytes(int(part) for part in source[0].split(".")) + struct.pack(">H", source[1])
        self.transport.sendto(b"\x81\x04" + struct.pack(">H", 10 + len(npdu)) + head + npdu, to)


@asynccontextmanager
async def bbmd(*, answers: bool = True) -> AsyncIterator[tuple[Bbmd, int]]:
    made = Bbmd(answers=answers)
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: made, local_addr=("127.0.0.1", 0))  # type: ignore[type-var]
    try:
        yield made, transport.get_extra_info("sockname")[1]
    finally:
        transport.close()
        await asyncio.sleep(0)


async def test_a_foreign_device_registers_as_declared_asks_through_the_bbmd_and_leaves() -> None:
    async with hand_device() as device, bbmd() as (made, port):
        device.set(BINARY_INPUT, 1, enumerated(1))
        heard = Recorder()
        spec = bacnet_link(device.address[1], 4, "building", bbmd_host="127.0.0.1", bbmd_port=port)
        link = BacnetListener(spec, [bacnet_point(1)], heard, time.monotonic_ns, heard.next_id)
        async with listening(link):
            await heard.until(lambda: len(heard.polls) >= 2)
            assert made.registrations == [(("127.0.0.1", spec.listen_port), 60)]
            # Who-Is for exactly this instance (16.10): the two limits are 4.
            assert [it[-4:] for it in made.distributed] == [b"\x09\x04\x19\x04"]
        await eventually(lambda: [ttl for _, ttl in made.registrations] == [60, 0])


async def test_a_double_that_is_heard_through_the_bbmd_ends_the_run() -> None:
    async with hand_device() as device, bbmd() as (made, port):
        device.set(BINARY_INPUT, 1, enumerated(1))
        heard = Recorder()
        spec = bacnet_link(device.address[1], 4, "building", bbmd_host="127.0.0.1", bbmd_port=port)
        link = BacnetListener(spec, [bacnet_point(1)], heard, time.monotonic_ns, heard.next_id)
        task = asyncio.create_task(link.run())
        await heard.until(lambda: len(heard.polls) >= 1)
        i_am = b"\x01\x00\x10\x00\xc4" + identifier(DEVICE, 4) + bytes.fromhex("2205C491032100")
        made.forward(i_am, ("10.9.8.7", 47808), ("127.0.0.1", spec.listen_port))
        with pytest.raises(IdentityError, match=r"by 10\.9\.8\.7:47808"):
            await asyncio.wait_for(task, 20)


async def test_a_registration_that_nobody_confirms_is_said() -> None:
    async with hand_device() as device, bbmd(answers=False) as (_, port):
        heard = Recorder()
        rest = {"bbmd_host": "127.0.0.1", "bbmd_port": port, "timeout_ns": 100 * NS_PER_MS}
        spec = bacnet_link(device.address[1], 4, "building", **rest)
        link = BacnetListener(spec, [bacnet_point(1)], heard, time.monotonic_ns, heard.next_id)
        async with listening(link):
            await heard.until(lambda: bool(heard.states))
    assert heard.states[0][2] is LinkState.DOWN
    assert "registration as a foreign device was not confirmed" in heard.states[0][3]


# --- hosts with real broadcasts ---------------------------------------------------------------------

DEVICE_PROGRAM = """
import asyncio, sys
import rusty_bacnet as rusty
async def main():
    server = rusty.BACnetServer(260001, "peer", interface=sys.argv[1], port=47808, broadcast_address="10.77.0.255")
    server.add_binary_input(1, "one")
    await server.start()
    print("ready", flush=True)
    await asyncio.Event().wait()
asyncio.run(main())
"""
LISTENER_PROGRAM = """
import asyncio, json, sys, time
from harness.core.errors import FarendError
from harness.links.bacnet import BacnetListener
from tests.peers.bacnet import bacnet_point
from harness.core.links import BacnetLink
from harness.core.places import Arrival
from tests.peers.recorder import ORIGIN, Recorder
async def main():
    heard = Recorder()
    spec = BacnetLink(name="building", host="10.77.0.2", device=260001, listen_host=sys.argv[1], poll_period_ns=10**8,
                      timeout_ns=2 * 10**9, origin=ORIGIN)
    points = [bacnet_point(1), bacnet_point(1, Arrival.COV)]
    task = asyncio.create_task(BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id).run())
    told = 0
    while not task.done():
        await asyncio.wait([task], timeout=0.05)
        if len(heard.polls) > told and heard.lines:
            told = len(heard.polls)
            print(json.dumps({"polls": told, "messages": len(heard.lines)}), flush=True)
    try:
        await task
    except FarendError as exc:
        print(json.dumps({"ended": str(exc)}), flush=True)
asyncio.run(main())
"""


async def run(*command: str) -> tuple[int, str]:
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    out, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode()


@asynccontextmanager
async def hosts(count: int) -> AsyncIterator[list[str]]:
    """Network namespaces 10.77.0.1 and so on, on one bridge; skipped where this account may make none."""
    if IP is None:
        pytest.skip("ip is not installed (Debian: iproute2)")
    tag = f"fe{os.getpid() % 100_000}"
    names = [f"{tag}h{number}" for number in range(1, count + 1)]
    made: list[str] = []
    try:
        for name in [f"{tag}b", *names]:
            code, out = await run(IP, "netns", "add", name)
            if code:
                pytest.skip(f"this account may make no network namespace: {out.strip()}")
            made.append(name)
        inside = (IP, "-n", f"{tag}b")
        steps = [(*inside, "link", "add", "br0", "type", "bridge"), (*inside, "link", "set", "br0", "up")]
        for number, name in enumerate(names, 1):
            port = f"p{number}"
            steps += [
                (*inside, "link", "add", port, "type", "veth", "peer", "name", "eth0", "netns", name),
                (*inside, "link", "set", port, "master", "br0", "up"),
                (IP, "-n", name, "addr", "add", f"10.77.0.{number}/24", "brd", "+", "dev", "eth0"),
                (IP, "-n", name, "link", "set", "eth0", "up"),
                (IP, "-n", name, "link", "set", "lo", "up"),
            ]
        for step in steps:
            code, out = await run(*step)
            if code:
                pytest.skip(f"no hosts on one bridge here: {' '.join(step[1:])}: {out.strip()}")
        yield names
    finally:
        for name in made:
            await run(IP, "netns", "del", name)


@asynccontextmanager
async def program(host: str, text: str, *arguments: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A Python program on a host, ended with the block."""
    assert IP is not None
    process = await asyncio.create_subprocess_exec(
        *(IP, "netns", "exec", host, sys.executable, "-c", text, *arguments),
        stdout=asyncio.subprocess.PIPE,
        cwd=Path(__file__).parents[2],
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.communicate()


async def line_of(process: asyncio.subprocess.Process) -> str:
    assert process.stdout is not None
    async with asyncio.timeout(DEADLINE_S):
        return (await process.stdout.readline()).decode().strip()


@pytest.mark.parametrize("listen_host", ["0.0.0.0", "10.77.0.1"])  # noqa: S104 - of a host of its own
async def test_between_hosts_a_device_is_heard_and_its_double_found_by_broadcast(listen_host: str) -> None:
    pytest.importorskip("rusty_bacnet", reason="rusty-bacnet is not installed")
    async with hosts(3) as (here, there, elsewhere), program(there, DEVICE_PROGRAM, "10.77.0.2") as device:
        assert await line_of(device) == "ready"
        async with program(here, LISTENER_PROGRAM, listen_host) as listener:
            while json.loads(await line_of(listener)).get("polls", 0) < 5:
                pass
        async with program(elsewhere, DEVICE_PROGRAM, "10.77.0.3") as double:
            assert await line_of(double) == "ready"
            async with program(here, LISTENER_PROGRAM, listen_host) as listener:
                while "ended" not in (said := json.loads(await line_of(listener))):
                    pass
                assert "claimed by 10.77.0.2:47808 and by 10.77.0.3:47808" in said["ended"]
